"""Worn places between the frets: found where they are, as large as they are within U, and none where there are none."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from inspect_app.measure.plan.board_faint import finger_figure, is_more_worn
from inspect_app.measure.plan.board_field import STEP_MM, lay_out, mixed
from inspect_app.measure.plan.board_inlays import is_inlay
from inspect_app.measure.plan.board_judged import judge
from inspect_app.measure.plan.board_wear import find_board_wear
from inspect_app.reading.key import Key, Place, on_fret
from tests.conftest import rest_slow
from tests.inspect_app.measure.plan.worn_pictures import LENGTH, Patch, Worn, draw_worn, frets_of, true_share

WOODS = ("maple", "rosewood", "ebony", "pale")
STRINGS = (4.0, 11.6, 19.2, 26.8, 34.4, 42.0)
"""Where six strings run over the fret, mm from its treble end."""
TONES = ((0.60, 0.60, 0.60), (1.5, 1.5, 1.5), (0.80, 0.66, 0.60), (0.70, 0.72, 0.74))


def found(scene, **more):
    # the drawn boards mirror nothing: as if by a light without any white
    return find_board_wear(draw_worn(scene), frets_of(scene), (), **{"strings_on": False, "white": 0.0} | more)


def places(answer):
    """Share, its U and place along the fret of every worn place, by fret."""
    out = {}
    for key in dict.fromkeys(k.of for k in answer.values):
        q = answer.values[key.part("share")]
        out.setdefault(key.fret, []).append((answer.values[key.part("from treble end")].value, q.value, q.expanded))
    return out


def random_scene(k, worn=True):
    rng = np.random.default_rng(500 + k)
    first = int(rng.integers(1, 9))
    patches = []
    for n in range(first + 1, first + 4) if worn else ():
        for at in rng.choice(STRINGS, 2, replace=False):
            waves = tuple((float(rng.uniform(0.0, 0.08)), float(rng.uniform(0.0, 6.3))) for _ in range(3))
            room = Worn(first=first).field(n)[1]
            along = min(room * rng.uniform(0.2, 0.34), room / 2.0 - 3.2)
            patches.append(
                Patch(n, float(rng.uniform(0.48, 0.55)), float(at), float(along), float(rng.uniform(1.8, 2.9)), waves)
            )
    return Worn(
        first, wood=WOODS[k % 4], tone=TONES[(k // 4) % 4], patches=tuple(patches), inlays=bool(k % 2), seed=k,
        soft=float(rng.uniform(0.2, 1.2)), glare=float(rng.choice([0.0, 0.02])), blur=float(rng.uniform(0.6, 1.0)),
    )  # fmt: skip


@cache
def swept():
    return [(s, places(found(s))) for s in map(random_scene, range(16))]


def matched():
    """(true share, found share, U) of every worn place that was found; None where it was missed."""
    out = []
    for scene, seen in swept():
        for p in scene.patches:
            near = [q for q in seen.get(p.fret, []) if abs(q[0] - p.at) < 2.5]
            out.append((true_share(scene, p), near[0] if near else None))
    return out


@pytest.mark.slow
def test_worn_places_are_found_where_they_are():
    every = matched()
    assert sum(q is not None for _, q in every) >= 0.85 * len(every)
    for scene, seen in swept():
        for n, found_here in seen.items():
            for at, _, _ in found_here:  # two that touch are one, half-way between
                assert any(p.fret == n and abs(p.at - at) < 4.0 for p in scene.patches)


@pytest.mark.slow
def test_their_areas_are_right_within_a_tenth_and_within_u():
    read = [(true, q) for true, q in matched() if q is not None]
    off = np.array([q[1] / true - 1.0 for true, q in read])
    inside = np.array([abs(q[1] - true) < q[2] for true, q in read])
    assert np.sqrt(np.mean(off**2)) < 0.10
    assert abs(np.mean(off)) < 0.05
    assert 0.88 <= inside.mean() <= 1.0
    assert max(abs(q[1] - true) / q[2] for true, q in read) < 2.0


@pytest.mark.slow
def test_on_a_board_as_dark_as_its_own_shine_only_colour_is_told_for_wear():
    patch = Patch(5, 0.5, 20.0, 6.0, 2.5)
    darker, redder = (Worn(wood="ebony", patches=(patch,), tone=t, seed=6) for t in ((0.6,) * 3, (0.55, 0.6, 0.75)))
    dark, red = (found(scene, white=1.0) for scene in (darker, redder))
    assert not dark.values
    assert "mirrored by its surface" in dark.not_measured[0].reason
    assert found(darker).values  # where nothing is mirrored
    ((at, share, u),) = places(red)[5]
    assert at == pytest.approx(20.0, abs=0.5)
    assert abs(share - true_share(redder, patch)) < u
    assert red.not_measured == dark.not_measured


def test_wear_round_an_inlay_reaches_under_it():
    """What is left beside the dot is narrow, and no streak; how much of the dot's place is worn is in U."""
    patch = Patch(12, 0.5, LENGTH / 2.0 + 9.0, 5.0, 4.0)
    scene = Worn(first=11, frets=2, inlays=True, patches=(patch,), seed=5)
    ((_, share, u),) = places(found(scene))[12]
    assert abs(share - true_share(scene, patch)) < u


def test_places_on_the_two_sides_of_an_inlay_are_two():
    """What lies between them under the dot is no wear: taken for it, a field came out 40 % too large."""
    patches = tuple(Patch(5, 0.5, LENGTH / 2.0 + s * 6.2, 4.5, 2.6) for s in (-1.0, 1.0))
    scene = Worn(inlays=True, inlay_tone=0.75, patches=patches, seed=31)
    seen = places(found(scene))[5]
    assert len(seen) == 2
    assert all(abs(share - true_share(scene, p)) < u for (_, share, u), p in zip(seen, patches, strict=True))


def test_a_place_that_an_inlay_mostly_hides_declines_its_field():
    scene = Worn(inlays=True, inlay_tone=0.75, patches=(Patch(5, 0.5, LENGTH / 2.0 + 2.6, 4.0, 2.6),), seed=32)
    answer = found(scene)
    assert 5 not in {k.fret for k in answer.values}
    assert "under that" in {n.what: n.reason for n in answer.not_measured}[on_fret(5, "board wear")]


@pytest.mark.parametrize("k", rest_slow(range(8), 2))
def test_no_wear_is_seen_on_unworn_boards(k):
    answer = found(random_scene(k, worn=False))
    assert not answer.values
    assert answer.fields_read == 3


@pytest.mark.slow
@pytest.mark.parametrize("wood", WOODS)
@pytest.mark.parametrize("tone", [0.03, 0.65])
def test_inlays_are_not_wear(wood, tone):
    first = 2 if tone < 0.1 else 11
    assert not found(Worn(first, wood=wood, inlays=True, inlay_tone=tone, seed=5)).values


@pytest.mark.parametrize(("high", "inlay"), [(3.0, True), (2.0, False)])
def test_a_dot_in_the_middle_is_an_inlay_whatever_its_fret_is_called(high, inlay):
    y, x = np.arange(-24.0, 24.1, STEP_MM)[:, None], np.arange(-12.0, 12.1, STEP_MM)
    place = (x / 3.0) ** 2 + (y / high) ** 2 < 1.0
    assert is_inlay(4, place, 0.4, [place]) == inlay
    assert is_inlay(5, place, 0.4, [place])


@pytest.mark.slow
def test_a_raking_lamps_shadow_beside_the_frets_is_not_wear():
    assert not found(Worn(shadow=2.5, seed=3)).values
    patch = Patch(5, 0.55, 20.0, 5.5, 2.4)
    assert set(places(found(Worn(shadow=2.5, patches=(patch,), seed=3)))) == {5}


@pytest.mark.slow
def test_wear_that_a_raking_lamps_shadow_ends_on_is_told_from_the_other_foot():
    """The strip just beyond the shadow is worn itself there; along the other foot no finger reaches."""
    room = Worn(shadow=3.0).field(5)[1]
    patch = Patch(5, 10.0 / room, 20.0, 6.4, 3.0)
    scene = Worn(shadow=3.0, patches=(patch,), seed=6)
    ((at, share, u),) = places(found(scene))[5]
    assert at == pytest.approx(20.0, abs=0.3)
    assert abs(share - true_share(scene, patch)) < u < 0.35 * share


@pytest.mark.slow
def test_a_worn_place_that_touches_an_inlay_is_read():
    patch = Patch(5, 0.5, LENGTH / 2.0 - 5.2, 4.0, 2.6)
    scene = Worn(wood="rosewood", inlays=True, inlay_tone=0.8, patches=(patch,), seed=11)
    ((_, share, u),) = places(found(scene))[5]
    assert abs(share - true_share(scene, patch)) < u


@pytest.mark.slow
def test_what_fades_out_without_a_border_declines_its_field():
    answer = found(Worn(patches=(Patch(5, 0.5, 20.0, 7.0, 4.0), Patch(4, 0.5, 20.0, 6.0, 2.5)), soft=6.0, seed=12))
    said = {n.what: n.reason for n in answer.not_measured}
    assert "no clear border" in said[on_fret(5, "board wear")]
    assert not any(k.fret == 5 for k in answer.values)


def two_flanks(scene, dark, bright):
    """A hollow lit from overhead: one flank darker, the other brighter than the board, both a little redder."""
    upper, lower = (draw_worn(replace(scene, tone=tone)) for tone in (dark, bright))
    above = np.arange(len(upper.bgr)) < (LENGTH + 6.0 - scene.patches[0].at) * scene.px_per_mm
    bgr = np.where(above[:, None, None], upper.bgr, lower.bgr)
    bgr.flags.writeable = False
    return replace(upper, bgr=bgr)


@pytest.mark.parametrize("wood", WOODS)
def test_a_hollow_whose_flanks_cancel_is_not_passed_over(wood):
    """In the middle of all its places there is hardly any difference, though each differs as worn ones do."""
    scene = Worn(wood=wood, patches=(Patch(5, 0.5, 20.0, 3.5, 3.0),), seed=13)
    photo = two_flanks(scene, (0.855, 0.9, 0.945), (1.045, 1.1, 1.155))
    answer = find_board_wear(photo, frets_of(scene), (), strings_on=False, white=0.0)
    said = {n.what: n.reason for n in answer.not_measured}
    assert not any(k.fret == 5 for k in answer.values)
    assert "no clear border" in said[on_fret(5, "board wear")]
    assert set(said) == {on_fret(5, "board wear")}


@pytest.mark.parametrize("wood", rest_slow(WOODS, 1))
def test_a_hollows_two_flanks_are_one_place(wood):
    """Only the brighter one had been told: three tenths of the area were missing."""
    scene = Worn(wood=wood, patches=(Patch(5, 0.5, 20.0, 5.0, 3.0),), seed=14)
    photo = two_flanks(scene, (0.6, 0.6, 0.6), (1.5, 1.5, 1.5))
    ((at, share, u),) = places(find_board_wear(photo, frets_of(scene), (), strings_on=False, white=0.0))[5]
    assert at == pytest.approx(20.0, abs=0.3)
    assert abs(share - true_share(scene, scene.patches[0])) < u


def smeared(scene, width):
    """A board with so many mm of dirt before the foot of fret 5, between 17 and 20 mm from the treble end."""
    photo, (start, room) = draw_worn(scene), scene.field(5)
    rows = [round((LENGTH + 6.0 - y) * scene.px_per_mm) for y in (20.0, 17.0)]
    columns = [round((start + room - x) * scene.px_per_mm) for x in (width, 0.0)]
    bgr = photo.bgr.copy()
    bgr[slice(*rows), slice(*columns)] = (bgr[slice(*rows), slice(*columns)] * 0.7).astype(np.uint8)
    bgr.flags.writeable = False
    return replace(photo, bgr=bgr)


def test_dirt_at_a_foot_is_not_drawn_across_the_field():
    scene = Worn(seed=15)
    answer = find_board_wear(smeared(scene, 2.5), frets_of(scene), (), strings_on=False, white=0.0)
    assert not answer.values
    assert answer.fields_read == 3


def test_what_strong_compression_may_make_of_colours_is_not_told_for_wear():
    scene = Worn(patches=(Patch(5, 0.5, 20.0, 6.0, 2.5),), tone=(0.84, 1.0, 1.0), seed=16)
    photo = draw_worn(scene)
    fine, coarse = (
        find_board_wear(replace(photo, colour_step=step), frets_of(scene), (), strings_on=False, white=0.0)
        for step in (0.4, 8.0)
    )
    assert {k.fret for k in fine.values} == {5}
    assert not coarse.values


def test_a_field_with_more_wear_than_can_be_told_apart_is_declined():
    scene = Worn(patches=(Patch(5, 0.5, 12.0, 6.0, 2.5),), seed=17)
    before, fret = frets_of(scene)[1:3]
    j = judge(lay_out(draw_worn(scene), before, fret, ()))
    figure = np.array([0.03, 0.012, 0.012])
    told, inlays = j.off[:, :, 0] < -0.2, np.zeros(j.seen.shape, bool)
    by_finger = finger_figure([j], figure)
    assert told.any()
    assert not is_more_worn(j, told, inlays, by_finger)
    y, x = np.meshgrid(j.field.y, j.field.x, indexing="ij")
    faint = ((y - 32.0) / 2.5) ** 2 + ((x - x.max() / 2.0) / 5.0) ** 2 < 1.0
    more = replace(j, off=j.off - 0.08 * faint[:, :, None])
    assert is_more_worn(more, told, inlays, by_finger)


def test_in_a_border_light_adds_up():
    """Half of a surface three times as bright makes it twice as bright, not 1.7 times."""
    steps = mixed(np.log(np.array([0.1, 1.0, 1.0])), np.array([math.log(3.0), 0.0, 0.0]))
    assert steps[0] == pytest.approx(0.0, abs=1e-6)
    assert steps[-1, 0] == pytest.approx(math.log(3.0), abs=1e-5)
    assert steps[len(steps) // 2, 0] == pytest.approx(math.log(2.0), abs=1e-5)


def test_strings_decline_with_a_reason():
    answer = found(Worn(), strings_on=True)
    (said,) = answer.not_measured
    assert said.what == Key(Place("board"), "board wear")
    assert "strings" in said.reason
    assert not answer.values


@pytest.mark.slow
def test_wood_whose_figure_is_as_strong_as_wear_says_what_it_hides():
    patches = (Patch(5, 0.5, 20.0, 6.0, 2.5),)
    answer = found(Worn(wood="rosewood", streaks=0.5, patches=patches, seed=4))
    assert not answer.values
    assert "figure hides" in answer.not_measured[0].reason
    grey = found(Worn(wood="rosewood", streaks=0.5, patches=patches, tone=(1.0, 0.75, 0.6), seed=4))
    assert {k.fret for k in grey.values} == {5}


def test_several_worn_places_are_counted_from_the_treble_end():
    patches = (Patch(5, 0.5, 34.0, 6.0, 2.5), Patch(5, 0.5, 12.0, 6.0, 2.0))
    answer = found(Worn(patches=patches, seed=8))
    at = [answer.values[on_fret(5, "board wear", i, "from treble end")].value for i in (1, 2)]
    assert at == pytest.approx([12.0, 34.0], abs=0.3)
    length = answer.values[on_fret(5, "board wear", 1, "length")]
    width = answer.values[on_fret(5, "board wear", 1, "width")]
    assert abs(length.value - 12.0) < length.expanded
    assert abs(width.value - 4.0) < width.expanded
    assert [o.of for o in answer.outlines] == [on_fret(5, "board wear", i) for i in (1, 2)]
    assert all(o.closed for o in answer.outlines)


def test_what_covers_the_board_is_left_out():
    scene = Worn(patches=(Patch(5, 0.5, 12.0, 6.0, 2.5), Patch(4, 0.5, 20.0, 6.0, 2.5)), seed=9)
    start, room = scene.field(5)
    w, h = ((start - 1.0) * scene.px_per_mm, (start + room + 1.0) * scene.px_per_mm), (0.0, scene.size[1])
    cover = np.array([[w[0], h[0]], [w[1], h[0]], [w[1], h[1]], [w[0], h[1]]])
    answer = find_board_wear(draw_worn(scene), frets_of(scene), (cover,), False)
    assert {k.fret for k in answer.values} == {4}
    assert answer.fields_read == 2
    assert "too little of the board" in {n.what: n.reason for n in answer.not_measured}[on_fret(5, "board wear")]


def test_the_patch_may_reach_the_boards_edge():
    scene = Worn(patches=(Patch(5, 0.5, LENGTH - 2.0, 6.0, 2.8),), seed=10)
    ((_, share, u),) = places(found(scene))[5]
    assert abs(share - true_share(scene, scene.patches[0])) < u
