"""Frets in plan photos drawn from arcs: width, place, length and their uncertainty, and photos that try to mislead."""

import math
import re
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from calib.edge_response import EdgeResponse, srgb_codes
from calib.photo import linear_light
from inspect_app.instrument.fretboard import fret_position
from inspect_app.measure.plan.recipe import measure
from inspect_app.reading.ask import HandEdge, ScalePlane
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.key import parse_key
from shared.errors import InspectError
from tests.inspect_app.measure.plan.board_pictures import Shot, asked

pytestmark = pytest.mark.slow

WOODS = ((0.02, 0.022, 0.025), (0.05, 0.09, 0.16), (0.2, 0.35, 0.5), (0.1, 0.2, 0.35))
PLAIN = Shot(height=1.06, width=2.6, lamps=((20.0, 14.0, 1.5),), wood=WOODS[3])


def drawn_at_random(k):
    """Board, wire, light and camera number `k`: dark, brown, pale and golden boards under none to two lamps."""
    rng = np.random.default_rng(1000 + k)
    lamps = [(float(rng.uniform(-60, 60)), float(rng.uniform(5, 25)), float(rng.uniform(0.5, 4))) for _ in range(k % 3)]
    first = int(rng.integers(4, 8))
    return Shot(
        first=first,
        last=first + 3,
        width=float(rng.uniform(2.0, 2.9)),
        height=float(rng.uniform(0.95, 1.35)),
        wood=WOODS[k % 4],
        lamps=tuple(lamps),
        sky=float(rng.uniform(0.2, 0.7)),
        aside=float(rng.uniform(-25, 25)),
        distance=float(rng.uniform(260, 400)),
        px_per_mm=float(rng.uniform(12.5, 14)),
        blur=float(rng.uniform(0.6, 0.9)),
        seed=k,
    )


@cache
def swept():
    return [(s, measure(*asked(s, crown_height=None))) for s in map(drawn_at_random, range(8))]


@cache
def plain():
    return measure(*asked(PLAIN))


def numbers(inspection):
    return [f.number for f in inspection.frets]


def test_every_whole_fret_is_found_and_none_invented():
    for shot, said in swept():
        assert numbers(said) == shot.numbers.tolist()


@pytest.mark.parametrize("k", range(4))  # a dark, a brown, a pale and a golden board
def test_warm_light_without_white_balance_moves_no_crown_width_where_paper_tells_it(k, monkeypatch):
    photo, scale, plane, ask = asked(replace(drawn_at_random(k), half_board=8.0, size=(1560, 420)))
    white = measure(photo, scale, plane, ask)
    blue = 0.4  # lamplight under a camera set to daylight
    darker = np.round(255.0 * srgb_codes(blue * linear_light(np.arange(256, dtype=np.uint8)).astype(float)))
    bgr = photo.bgr.copy()
    bgr[..., 0] = cv2.LUT(bgr[..., 0], darker.astype(np.uint8))
    paper = EdgeResponse(0.9, 0.05, 0.0, 0.0, 1.2, 0.05, 0.9, (blue, 1.0, 1.0), 200)
    monkeypatch.setattr("inspect_app.measure.plan.recipe.edge_response", lambda *_: paper)
    warm = measure(replace(photo, bgr=bgr), scale, plane, ask)
    assert numbers(warm) == numbers(white)
    moved = [b.crown_width.value - a.crown_width.value for a, b in zip(white.frets, warm.frets, strict=True)]
    assert len(moved) == 4
    assert max(map(abs, moved)) < 0.03  # without the paper's colour up to 0.39 on the dark board


@cache
def narrow_boards():
    """Boards 16 mm wide: a crown's width needs no more, and many lights tell more than many frets under one."""
    shots = [replace(drawn_at_random(k), half_board=8.0, size=(1560, 420)) for k in range(24)]
    return [(s, measure(*asked(s, crown_height=None))) for s in shots]


def test_crown_width_is_right_and_its_uncertainty_covers_both_ways():
    found = [(f.crown_width.value - s.width, f.crown_width.u) for s, said in narrow_boards() for f in said.frets]
    error, u = np.array(found).T
    assert np.sqrt(np.mean(error**2)) < 0.035  # at 13 px/mm
    assert np.mean(np.abs(error) < 2.0 * u) >= 0.90
    # not timid either: frets of one photo err alike, so that of 24 lights all may lie inside U; by their size they tell
    assert 0.6 < np.sqrt(np.mean((error / u) ** 2)) < 1.1
    assert 0.60 <= np.mean(np.abs(error) < u) <= 0.92


def test_a_fret_of_other_wire_keeps_its_own_width():
    shot = replace(drawn_at_random(4), half_board=8.0, size=(1560, 420), width=2.5)
    shot = replace(shot, others=((shot.first + 1, 2.0),))
    widths = {f.number: f.crown_width for f in measure(*asked(shot)).frets}
    for number, width in widths.items():
        assert abs(width.value - dict(shot.others).get(number, 2.5)) < 2.0 * width.u
    assert widths[shot.first].value - widths[shot.first + 1].value > 0.3


def test_one_wire_is_given_to_no_fret_that_shows_its_own():
    """What frets share is said of their wire, not copied to them: they differ as they were drawn to."""
    shot = replace(drawn_at_random(10), half_board=8.0, size=(1560, 420), width=2.5)
    shot = replace(shot, others=((shot.first, 2.44), (shot.first + 2, 2.56)))
    widths = [f.crown_width.value for f in measure(*asked(shot)).frets]
    assert widths[0] < widths[1] < widths[2]


def test_a_fret_near_the_edge_of_the_photo_is_read_when_it_is_whole():
    shot = replace(PLAIN, half_board=8.0)
    place = float(fret_position(shot.scale_length, shot.last)) - shot.middle
    shot = replace(shot, size=(2 * round((place + shot.width / 2.0 + 0.5) * shot.px_per_mm), 420))
    assert numbers(measure(*asked(shot))) == shot.numbers.tolist()


def test_spacing_is_right_and_its_uncertainty_covers():
    pull, error = [], []
    for shot, said in swept():
        for a, b in zip(said.frets, said.frets[1:], strict=False):
            true = float(np.diff(fret_position(shot.scale_length, [a.number, b.number]))[0])
            error.append(b.position.value - a.position.value - true)
            pull.append(error[-1] / math.hypot(a.position.u, b.position.u))
    assert np.sqrt(np.mean(np.square(error))) < 0.1
    assert np.mean(np.abs(pull) < np.float64(2.0)) >= 0.85
    assert np.sqrt(np.mean(np.square(pull))) > 0.2


def test_fret_length_is_right_and_its_uncertainty_covers():
    lengths = [f.length for _, said in swept() for f in said.frets]
    read = [q for q in lengths if q]
    assert len(read) >= 0.9 * len(lengths)
    error, u = np.array([q.value - 44.0 for q in read]), np.array([q.u for q in read])
    assert np.sqrt(np.mean(error**2)) < 0.15  # at 13 px/mm
    assert np.mean(np.abs(error) < 2.0 * u) >= 0.9
    assert np.sqrt(np.mean((error / u) ** 2)) > 0.4


def test_contributions_are_named():
    fret = plain().frets[1]
    assert {c.source for c in fret.crown_width.contributions} >= {"crown edges", "crown height", "scale"}
    assert {c.source for c in fret.length.contributions} >= {"fret ends", "scale leaning against the board"}
    assert {c.source for c in fret.position.contributions} >= {"crown edges", "camera pose and lens"}


def test_an_unknown_crown_height_is_carried():
    asked_for = {f.number: f.crown_width for f in plain().frets}
    for f in measure(*asked(PLAIN, crown_height=None)).frets:
        known, unknown = (
            next(c.u for c in q.contributions if c.source == "crown height")
            for q in (asked_for[f.number], f.crown_width)
        )
        assert unknown >= known


def test_outlines_lie_on_the_drawn_edges():
    for f in plain().frets:
        edges = {o.of: np.array(o.points) for o in f.outlines if o.name == "crown_edge"}
        assert set(edges) == {
            parse_key(f"fret {f.number}, crown nut side"),
            parse_key(f"fret {f.number}, crown body side"),
        }
        centre = (PLAIN.size[0] - 1) / 2.0 + PLAIN.px_per_mm * (
            float(fret_position(PLAIN.scale_length, f.number)) - PLAIN.middle
        )
        middle = np.mean([e[:, 0].mean() for e in edges.values()])
        assert abs(middle - centre) < 0.15 * PLAIN.px_per_mm
        assert edges[parse_key(f"fret {f.number}, crown nut side")][:, 0].max() < middle


def test_the_answer_survives_being_written():
    said = plain()
    assert Inspection.from_dict(said.to_dict()) == said


def test_the_same_photo_twice_gives_the_same_answer():
    assert measure(*asked(PLAIN)).to_dict() == plain().to_dict()


def turned(photo, scale, plane, quarters):
    """Photo, scale and plane as after quarter turns of the picture, anticlockwise."""
    for _ in range(quarters):
        turn, shift = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]), [0.0, photo.width - 1]
        params = plane.params.copy()
        params[:3] = cv2.Rodrigues(turn @ plane.rotation)[0].ravel()
        params[3:6] = turn @ plane.translation
        params[8:10] = turn[:2, :2] @ params[8:10] + shift
        plane = replace(plane, params=params)
        outline = scale.outline_px @ turn[:2, :2].T + shift
        scale = replace(scale, image_px=outline, outline_px=outline)
        photo = replace(photo, bgr=np.ascontiguousarray(np.rot90(photo.bgr)))
    return photo, scale, plane


@pytest.mark.parametrize(
    ("quarters", "way"), [(1, {}), (2, {"nut": "right", "treble": "top"}), (3, {})], ids=["left", "over", "right"]
)
def test_turned_whichever_way_it_is_measured_alike(quarters, way):
    photo, scale, plane, ask = asked(PLAIN)
    said = measure(*turned(photo, scale, plane, quarters), replace(ask, **way))
    assert numbers(said) == PLAIN.numbers.tolist()
    for a, b in zip(said.frets, plain().frets, strict=True):
        assert a.crown_width.value == pytest.approx(b.crown_width.value, abs=0.02)
        assert a.length.value == pytest.approx(b.length.value, abs=0.05)
    assert any(n.what == parse_key("nut side as asked") for n in said.not_measured) == (quarters != 2)


def test_the_wrong_end_said_to_be_the_nut_is_put_right_with_a_word():
    said, right = measure(*asked(PLAIN, nut="right", treble="top")), plain()
    assert numbers(said) == PLAIN.numbers.tolist()
    assert "SPACING_OFF" not in said.flags
    assert any(n.what == parse_key("nut side as asked") for n in said.not_measured)
    assert [f.length.value for f in said.frets] == pytest.approx([f.length.value for f in right.frets], abs=0.05)


def test_a_scale_far_below_the_crowns_is_caught_by_the_spacing():
    photo, scale, _, ask = asked(PLAIN)
    said = measure(photo, scale, PLAIN.plane(PLAIN.height - 25.0), ask)
    assert said.checks["spacing_ratio"] == pytest.approx((300.0 + 25.0 - PLAIN.height) / 300.0, abs=0.01)
    assert "SPACING_OFF" in said.flags
    assert all("SPACING_OFF" in q.flags for f in said.frets for q in (f.length, f.position, f.crown_width) if q)
    assert any(n.what == parse_key("spacing check") for n in said.not_measured)


def test_the_same_scale_declared_below_is_right():
    photo, scale, _, ask = asked(PLAIN)
    said = measure(photo, scale, PLAIN.plane(PLAIN.height - 25.0), replace(ask, scale_plane=ScalePlane("below", 25.0)))
    assert "SPACING_OFF" not in said.flags
    assert said.checks["spacing_ratio"] == pytest.approx(1.0, abs=0.0005)
    assert said.frets[0].crown_width.value == pytest.approx(PLAIN.width, abs=0.08)


@pytest.mark.parametrize("said_first", [1, PLAIN.first + 1, PLAIN.first - 2])
def test_a_wrong_first_number_is_put_right_with_a_word(said_first):
    said = measure(*asked(PLAIN, first_fret=said_first))
    assert numbers(said) == PLAIN.numbers.tolist()
    assert "SPACING_OFF" not in said.flags
    reason = next(n.reason for n in said.not_measured if n.what == parse_key("first fret as asked"))
    assert f"not from {said_first}" in reason


def test_measured_spacing_is_not_replaced_by_theory():
    a = [f.position.value for f in plain().frets]
    b = [f.position.value for f in measure(*asked(PLAIN, scale_length=660.0)).frets]
    assert a == b


def test_a_fret_cut_by_the_edge_of_the_photo_is_not_guessed():
    shot = replace(PLAIN, size=(1004, 860))  # the outermost frets fall on the edge
    said = measure(*asked(shot, first_fret=shot.first + 1))
    assert numbers(said) == [shot.first + 1, shot.first + 2]


def test_the_nut_is_no_fret():
    shot = replace(PLAIN, first=1, last=3, nut=True, px_per_mm=11.0, size=(1700, 760))
    said = measure(*asked(shot))
    assert numbers(said) == [1, 2, 3]
    assert "SPACING_OFF" not in said.flags


def test_covered_ends_are_not_measured():
    photo, scale, plane, ask = asked(PLAIN)
    low, w = 430 + (PLAIN.half_board - 2.0) * PLAIN.px_per_mm, photo.width
    over = np.array([[0.0, low], [w, low], [w, photo.height - 1.0], [0.0, photo.height - 1.0]])
    bgr = photo.bgr.copy()
    bgr[int(low) :] = 235
    said = measure(replace(photo, bgr=bgr), replace(scale, outline_px=over), plane, ask)
    assert numbers(said) == PLAIN.numbers.tolist()
    assert all(f.length is None and f.crown_width is not None for f in said.frets)
    assert {n.what for n in said.not_measured} >= {parse_key(f"fret {n}, length") for n in PLAIN.numbers}


def test_one_covered_end_is_not_measured_but_said_where_the_others_put_it():
    photo, scale, plane, ask = asked(PLAIN)
    n = PLAIN.numbers[2]
    at = (PLAIN.size[0] - 1) / 2.0 + PLAIN.px_per_mm * (float(fret_position(PLAIN.scale_length, n)) - PLAIN.middle)
    left, right = at - 6.0 * PLAIN.px_per_mm, at + 6.0 * PLAIN.px_per_mm
    low, foot = 430 + (PLAIN.half_board - 2.0) * PLAIN.px_per_mm, photo.height - 1.0
    bgr = photo.bgr.copy()
    bgr[int(low) :, int(left) : int(right)] = 235
    over = np.array([[left, low], [right, low], [right, foot], [left, foot]])
    said = measure(replace(photo, bgr=bgr), replace(scale, outline_px=over), plane, ask)
    assert {f.number for f in said.frets if f.length is None} == {n}
    reason = next(m.reason for m in said.not_measured if m.what == parse_key(f"fret {n}, length"))
    assert reason.startswith("The treble end can't be read: it is covered.")
    length, give = (float(word) for word in re.findall(r"([\d.]+) mm", reason))
    assert abs(length - 44.0) <= give


def edge_of(fret, name):
    return np.array(next(o.points for o in fret.outlines if o.of == parse_key(f"fret {fret.number}, {name}")))


def test_an_edge_placed_by_hand_is_kept_there():
    fret = plain().frets[1]
    moved = edge_of(fret, "crown body side") + np.array([0.3 * PLAIN.px_per_mm, 0.0])
    photo, scale, plane, ask = asked(PLAIN)
    edge = HandEdge(parse_key(f"fret {fret.number}, crown body side"), tuple(map(tuple, moved)))
    said = measure(photo, scale, plane, ask.with_hand_edge(edge))
    again = next(f for f in said.frets if f.number == fret.number)
    assert again.crown_width.value == pytest.approx(fret.crown_width.value + 0.3, abs=0.01)
    assert again.crown_width.by_hand
    assert "BY_HAND" in again.crown_width.flags
    assert edge_of(again, "crown body side") == pytest.approx(moved, abs=0.1)
    assert not next(f for f in said.frets if f.number != fret.number).crown_width.by_hand


@pytest.mark.parametrize("name", ["treble end", "bass end"])
def test_an_end_placed_by_hand_moves_the_length(name):
    fret = next(f for f in plain().frets if f.length)
    out = 1.0 if name == "treble end" else -1.0  # the treble end is at the bottom of the photo
    moved = edge_of(fret, name) + np.array([0.0, out * 0.5 * PLAIN.px_per_mm])
    photo, scale, plane, ask = asked(PLAIN)
    edge = HandEdge(parse_key(f"fret {fret.number}, {name}"), tuple(map(tuple, moved)))
    again = next(f for f in measure(photo, scale, plane, ask.with_hand_edge(edge)).frets if f.number == fret.number)
    assert again.length.value == pytest.approx(fret.length.value + 0.5, abs=0.02)
    assert again.length.by_hand


def test_strings_on_are_looked_through():
    said = measure(*asked(replace(PLAIN, strings=(-17.5, -10.5, -3.5, 3.5, 10.5, 17.5))))
    assert numbers(said) == PLAIN.numbers.tolist()
    for f in said.frets:
        assert abs(f.crown_width.value - PLAIN.width) < 3.0 * f.crown_width.u


def test_out_of_focus_is_said():
    said = measure(*asked(replace(PLAIN, blur=3.5)))
    assert "BLURRED" in said.flags


def test_a_photo_of_something_else_is_refused():
    photo, scale, plane, ask = asked(PLAIN)
    rng = np.random.default_rng(0)
    cloth = cv2.GaussianBlur(rng.integers(0, 255, photo.bgr.shape, dtype=np.uint8), (0, 0), 5)
    with pytest.raises(InspectError, match="No fret"):
        measure(replace(photo, bgr=cloth), scale, plane, ask)


def test_a_number_passed_over_is_said():
    answer = measure(*asked(replace(PLAIN, first=5, last=9, pulled=(7,))))
    assert numbers(answer) == [5, 6, 8, 9]
    assert {n.what for n in answer.not_measured} >= {
        parse_key("fret 7, crown width"),
        parse_key("fret 7, length"),
        parse_key("fret 7, flats"),
    }


def test_frets_none_of_which_can_be_read_are_refused_with_a_reason(monkeypatch):
    monkeypatch.setattr("inspect_app.measure.plan.recipe.find_ends", lambda *asked: ())
    with pytest.raises(InspectError, match="No fret's crown can be read"):
        measure(*asked(PLAIN))
