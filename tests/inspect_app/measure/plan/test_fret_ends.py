"""One end of a fret, drawn from the solid: its foot is found whatever the light, and its uncertainty covers."""

import math
from dataclasses import replace
from functools import cache
from itertools import chain

import numpy as np
import pytest

from inspect_app.measure.plan.end_light import ExpectedEnd
from inspect_app.measure.plan.fret_ends import (
    END_SCATTER_MM,
    OUT_MM,
    FretEnd,
    end_curve,
    on_one_board,
    pick_end,
    why_not_measured,
)
from tests.inspect_app.measure.plan.end_pictures import End, cover_of, crown_of, draw, frame_of

pytestmark = pytest.mark.slow

WOODS = ((0.015, 0.017, 0.02), (0.05, 0.09, 0.16), (0.2, 0.35, 0.5), (0.1, 0.2, 0.35))
"""Ebony, rosewood, maple, something between: blue, green, red."""


def curve_of(end, expected=None):
    at = ExpectedEnd(end.at if expected is None else expected, end.outward)
    return end_curve(draw(end), cover_of(end), frame_of(end), crown_of(end), at, end.px_per_mm)


def read(end, expected=None, line=None):
    """The end on a board with nine more like it."""
    curve = on_one_board([curve_of(end, expected)] * 10)[0]
    return pick_end(curve, line or FretEnd(end.at, END_SCATTER_MM), end.px_per_mm)


def drawn_at_random(k):
    """End number `k`: dark to pale boards, lamps on either side, bevels filed from 17 to 40 degrees."""
    rng = np.random.default_rng(4000 + k)
    outward = (-1, 1)[k % 2]
    at = 0.0 if outward < 0 else 44.0
    return End(
        outward=outward,
        at=at,
        width=float(rng.uniform(2.1, 2.8)),
        height=float(rng.uniform(0.95, 1.15)),
        bevel=float(np.clip(rng.normal(29.0, 6.0), 17.0, 40.0)),
        margin=float(rng.uniform(0.05, 0.6)),
        wood=WOODS[k % 4],
        beyond=tuple(rng.uniform(0.02, 0.3) * rng.uniform(0.85, 1.15, 3)),
        lamp=(float(rng.uniform(-1.0, 1.0)), float(rng.uniform(0.1, 0.5)), float(rng.uniform(0.2, 3.0))),
        sky=float(rng.uniform(0.15, 0.6)),
        shadow=(float(rng.uniform(0.35, 0.8)), float(rng.uniform(0.2, 0.8))) if k % 5 == 0 else (1.0, 0.0),
        camera=(at + float(rng.uniform(-40, 40)), float(rng.uniform(-25, 25)), float(rng.uniform(260, 400))),
        px_per_mm=float(rng.uniform(14.0, 26.0)),
        blur=float(rng.uniform(0.6, 0.9)),
        seed=k,
    )


@cache
def swept():
    """(error outwards, uncertainty) of every end that was read; the line it is judged by scatters as ends do."""
    rng = np.random.default_rng(7)
    ends = [drawn_at_random(k) for k in range(80)]
    lines = [FretEnd(end.at + float(rng.normal(0.0, END_SCATTER_MM)), END_SCATTER_MM) for end in ends]
    curves = [curve_of(end, expected=end.at + float(rng.uniform(-1.5, 1.5))) for end in ends]
    boards = [on_one_board(curves[k : k + 10]) for k in range(0, 80, 10)]
    out = []
    for end, line, curve in zip(ends, lines, chain.from_iterable(boards), strict=True):
        found = pick_end(curve, line, end.px_per_mm)
        if found:
            out.append((end.outward * (found.along - end.at), found.u))
    return np.array(out)


def test_most_ends_in_view_are_read():
    assert len(swept()) >= 72


def test_ends_are_right_to_a_tenth_of_a_millimetre():
    error = swept()[:, 0]
    assert np.sqrt(np.mean(error**2)) < 0.1
    assert abs(np.mean(error)) < 0.03  # neither the bevel's rim (0.6 mm in) nor the board's edge (0.3 mm out)


def test_the_uncertainty_covers_both_ways():
    error, u = swept().T
    inside = np.mean(np.abs(error) <= 2.0 * u)
    assert 0.9 <= inside <= 0.99


def test_the_length_between_two_ends_covers_both_ways():
    error, u = swept().T
    n = len(error) // 2 * 2
    length, of_length = error[:n:2] + error[1:n:2], np.hypot(u[:n:2], u[1:n:2])
    assert np.sqrt(np.mean(length**2)) < 0.15
    assert np.mean(np.abs(length) <= 2.0 * of_length) >= 0.9
    assert np.sqrt(np.mean((length / of_length) ** 2)) > 0.4  # not so timid as to say nothing


@pytest.mark.parametrize("bevel", [20.0, 30.0, 35.0])
def test_the_rim_is_not_taken_for_the_foot(bevel):
    end = End(bevel=bevel)
    rim = end.height * math.tan(math.radians(bevel))
    found = read(end)
    assert abs(found.along - end.at) < 0.15 * rim


@pytest.mark.parametrize("left", [0.3, 0.5, 0.8])
def test_a_shadow_before_the_end_is_board(left):
    end = End(shadow=(left, 0.4), margin=0.4)
    found = read(end)
    assert abs(found.along - end.at) <= 2.0 * found.u  # the shadow ends 0.4 mm out
    assert found.u < 0.15


DIRT = (0.03, 0.045, 0.06), (0.1, 0.13, 0.15)
"""Old grease, and dried polish on a dark board: blue, green, red."""


@cache
def dirty_boards():
    """(error outwards, uncertainty) of ends read with 0.25 to 0.6 mm of dirt before them, ten on each of six boards."""
    rng = np.random.default_rng(8)
    out = []
    for k in range(6):
        ends = [drawn_at_random(10 * k + n) for n in range(10)]
        dirt = [(float(rng.uniform(0.25, 0.6)), DIRT[k % 2]) for _ in ends]
        ends = [
            replace(end, dirt=d, wood=WOODS[k % 4], margin=0.7, shadow=(1.0, 0.0))
            for end, d in zip(ends, dirt, strict=True)
        ]
        for end, curve in zip(ends, on_one_board([curve_of(end) for end in ends]), strict=True):
            line = FretEnd(end.at + float(rng.normal(0.0, END_SCATTER_MM)), END_SCATTER_MM)
            found = pick_end(curve, line, end.px_per_mm)
            if found:
                out.append((end.outward * (found.along - end.at), found.u))
    return np.array(out)


def test_dirt_before_an_end_is_not_metal():
    error, u = dirty_boards().T
    assert len(error) >= 54
    assert np.sqrt(np.mean(error**2)) < 0.1  # dirt ends 0.25 to 0.6 mm farther out
    assert abs(np.mean(error)) < 0.03
    assert np.mean(np.abs(error) <= 2.0 * u) >= 0.9


@cache
def coated_board():
    """Ten ends with 0.1 to 0.25 mm of dirt all along their frets' feet, and their curves.

    It reaches nearly to the board's edge, past which lies black cloth: the bevels mirror both, and are as dark as dirt.
    """
    rng = np.random.default_rng(9)
    coats = [(float(rng.uniform(0.1, 0.25)), (0.02, 0.02, 0.02)) for _ in range(10)]
    ends = [
        replace(end, coat=coat, margin=coat[0] + 0.1, wood=WOODS[2], beyond=(0.04,) * 3, shadow=(1.0, 0.0))
        for end, coat in zip(map(drawn_at_random, range(10)), coats, strict=True)
    ]
    return ends, on_one_board([curve_of(end) for end in ends])


def test_dirt_along_the_sides_is_not_metal_before_the_ends():
    ends, curves = coated_board()
    found = [pick_end(c, FretEnd(e.at, END_SCATTER_MM), e.px_per_mm) for e, c in zip(ends, curves, strict=True)]
    error = np.array([e.outward * (f.along - e.at) for e, f in zip(ends, found, strict=True)])
    assert np.sqrt(np.mean(error**2)) < 0.1
    assert np.all(np.abs(error) <= 2.0 * np.array([f.u for f in found]))


def test_the_sides_tell_whether_dirt_lies_along_the_frets():
    _, curves = coated_board()
    assert min(curves[0].alongside, curves[0].dirt) > 0.0
    assert on_one_board([curve_of(End(wood=wood)) for wood in WOODS])[0].alongside < 0.0


def test_one_coat_of_dirt_misleads_at_both_ends_alike():
    clean, coated = End(wood=WOODS[2]), End(wood=WOODS[2], coat=(0.2, DIRT[0]))
    assert read(coated).outward_u / read(coated).u > read(clean).outward_u / read(clean).u


def test_one_dirty_end_does_not_make_a_dirty_board():
    clean, dirty = End(wood=WOODS[2], margin=0.7), End(wood=WOODS[2], margin=0.7, dirt=(0.5, DIRT[1]))
    curves = [curve_of(clean), curve_of(dirty)]
    assert (
        on_one_board([curves[0]] * 9 + [curves[1]])[0].dirt < 0.0 < on_one_board([curves[1]] * 9 + [curves[0]])[0].dirt
    )


def test_where_dirt_leaves_an_end_unsure_the_reason_says_so():
    curve = curve_of(End(wood=WOODS[2], margin=0.7, dirt=(0.5, DIRT[1])))
    (on_board,) = on_one_board([curve])
    assert why_not_measured(on_board, FretEnd(0.0, END_SCATTER_MM)) == "dirt along its foot hides it"


@pytest.mark.parametrize("outward", [-1, 1])
def test_both_ends_are_read_alike(outward):
    end = End(outward=outward, at=10.0, camera=(10.0, 0.0, 300.0))
    found = read(end)
    assert outward * (found.along - end.at) == pytest.approx(-(read(replace(end, outward=-1)).along - end.at), abs=0.03)


def test_where_the_overview_puts_the_end_does_not_move_it():
    found = [read(End(), expected=expected) for expected in (-1.9, -0.43, 0.0, 0.77, 2.0)]
    assert np.ptp([f.along for f in found]) < min(f.u for f in found)


def test_a_covered_end_is_not_read_and_said_to_be_covered():
    end = End(cover=1.5)  # the foot is at 0, and the treble end lies the other way
    assert end.outward < 0
    curve = curve_of(end)
    line = FretEnd(end.at, END_SCATTER_MM)
    assert pick_end(curve, line, end.px_per_mm) is None
    assert why_not_measured(curve, line) == "it is covered"


def test_what_covers_an_end_says_only_that_it_lies_beneath():
    curve = curve_of(End(cover=1.5))
    along = curve.expected.along + curve.expected.outward * OUT_MM
    beneath, in_sight = curve.log_likelihood[along < 0.5], curve.log_likelihood[along > 2.3]
    assert np.ptp(beneath) < 1.0
    assert in_sight.max() < beneath.min() - 10.0


@pytest.mark.parametrize("k", range(8))
def test_no_end_is_read_where_the_metal_goes_on(k):
    """The board is wider than it was found, by what no place tried makes up for."""
    end = replace(drawn_at_random(k), at=0.0, camera=(0.0, 6.0, 300.0))
    curve, there = curve_of(end, expected=-6.5 * end.outward), curve_of(end)
    assert curve.goes_on
    assert not there.goes_on
    line = FretEnd(-6.5 * end.outward, END_SCATTER_MM)
    assert pick_end(curve, line, end.px_per_mm) is None
    assert why_not_measured(curve, line) == "the metal goes on where the other frets' ends have it"


@pytest.mark.parametrize("seed", range(4))
def test_a_bench_of_the_metal_s_tone_is_no_more_of_it(seed):
    """It goes on beside the fret's line as well as along it, so the end is no likelier to lie farther out on it."""
    even, tone = (0.0, 0.3, 0.0), (0.65 * 0.35,) * 3
    end = End(wood=WOODS[0], lamp=even, beyond=tone, margin=0.05, px_per_mm=14.0, seed=seed)
    curve = curve_of(end, expected=1.75 * end.outward)
    on_bench = curve.log_likelihood[OUT_MM > 0.5 - 1.75]
    assert on_bench.max() < on_bench[0] + 3.0
    assert OUT_MM[curve.log_likelihood.argmax()] == pytest.approx(-1.75, abs=0.15)


def test_a_scale_close_by_does_not_count():
    clear, close = read(End()), read(End(cover=-0.7))
    assert close.along == pytest.approx(clear.along, abs=0.05)


def test_a_picture_of_nothing_tells_nothing():
    end = End()
    photo = draw(end)
    flat = np.full_like(photo.bgr, 90)
    curve = end_curve(replace(photo, bgr=flat), (), frame_of(end), crown_of(end), ExpectedEnd(0.0, -1), end.px_per_mm)
    line = FretEnd(0.0, END_SCATTER_MM)
    assert pick_end(curve, line, end.px_per_mm) is None
    assert why_not_measured(curve, line) == "it does not stand out from the board"


def test_a_coarser_or_softer_photo_is_less_sure():
    fine, coarse = read(End(px_per_mm=26.0)), read(End(px_per_mm=10.0))
    assert coarse.u > fine.u
    curve = curve_of(End())
    line = FretEnd(0.0, END_SCATTER_MM)
    assert pick_end(curve, line, 20.0, softness=2.5).u > pick_end(curve, line, 20.0).u
