"""A single high fret of a twentieth of a millimetre, and whether U is honest where necks and cards vary as it says."""

import math
from dataclasses import replace

import numpy as np
import pytest

from inspect_app.measure import measure
from inspect_app.measure.backdrop.daylight import NONE_SEEN_U_MM, UNSEEN_MM
from inspect_app.measure.backdrop.fret_faces import FretFace
from inspect_app.measure.backdrop.string_gap import FACE_UP, CrownSeen, GapGeometry, measure_gaps
from inspect_app.reading.key import on_fret
from shared.trade import SLOT_U_MM, STRING_INSET_MM
from tests.inspect_app.measure.backdrop.side_pictures import FOOT, SideScene, draw_side, side_ask


def _high(elevation, lift=0.05):
    """The third of five frets stands up; the foot stands on it and on the first."""
    level = SideScene(frets=5, first=9, start=6.0, elevation=elevation, metal=180, seed=50)
    at = level.places
    foot = lift * (at - at[0]) / (at[2] - at[0])
    return replace(level, drop=tuple(foot - lift * (np.arange(5) == 2)))


@pytest.mark.slow
@pytest.mark.parametrize("elevation", [1.0, 3.0])
def test_a_single_fret_that_stands_up_by_a_twentieth_is_found_by_its_neighbours_daylight(elevation):
    scene = _high(elevation)
    answer = measure(draw_side(scene, over=5), side_ask(scene))
    over = {n: answer.values[on_fret(n, "height over neighbours")] for n in (10, 11, 12)}
    assert over[11].value > over[11].expanded
    assert abs(over[11].value - 0.05) < over[11].expanded
    assert all(over[n].value < over[n].expanded for n in (10, 12))


def _slits(at, rng):
    """Under a straight foot that stands on two crowns about its middle: nine in ten are level within a hundredth, the
    tenth stands up by 0.05 to 0.1."""
    lifts = rng.normal(0.0, 0.01, len(at)) + (rng.random(len(at)) < 0.1) * rng.uniform(0.05, 0.1, len(at))
    lines = [
        lifts[i] + (lifts[j] - lifts[i]) * (at - at[i]) / (at[j] - at[i])
        for i in range(len(at))
        for j in range(i + 1, len(at))
        if at[i] <= 46.0 < at[j]
    ]
    return next(foot - lifts for foot in lines if np.all(foot >= lifts - 1e-9))


def _photographed(rng):
    """A photo of a neck and a card that stand as `shared.trade` and the docstrings say they do, and its true gap."""
    scene = SideScene(elevation=rng.uniform(0.0, 5.0), distance=rng.uniform(180.0, 270.0))
    plane, numbers = scene.plane(), int(rng.choice([1, 5, 7, 12])) + np.arange(int(rng.choice([3, 4, 5])))
    (cx, cy), distance = plane.camera_mm[:2] - (0.0, FOOT), plane.distance_mm
    spaced = 1.0 - 2.0 ** (-numbers / 12.0)
    slots = 640.0 * (1.0 + rng.normal(0.0, 4e-4)) * spaced + rng.normal(0.0, SLOT_U_MM, len(numbers))
    at, lean = slots - slots.mean() + 46.0, rng.normal(0.0, math.radians(1.5))
    radius, middle = 1.0 / rng.uniform(1 / 410.0, 1 / 240.0), rng.uniform(20.0, 25.0)
    behind = rng.uniform(1.0, 2.0) + rng.normal(0.0, math.radians(0.4)) * (at - 46.0)
    bevel, height = math.radians(rng.normal(30.0, 5.0)), rng.uniform(0.95, 1.35)
    ends = behind + STRING_INSET_MM + rng.triangular(-0.5, 0.0, 0.5) - rng.uniform(0.0, 0.5, len(at))
    slits = _slits(at, rng)

    def seen(z, up):
        y = -((middle + z) ** 2 - middle**2) / (2.0 * radius) - slits + up
        y, z = y * math.cos(lean) - z * math.sin(lean), z * math.cos(lean) + y * math.sin(lean)
        return cy + (y - cy) * distance / (distance - z), z

    steep = np.tan(bevel + rng.normal(0.0, math.radians(3.0), len(at)))
    tops, _ = seen(ends - height * steep, rng.normal(0.0, 0.015, len(at)))
    under, _ = seen(behind, 1.5)
    _, face = seen(ends - height * steep * FACE_UP, 0.0)
    x = cx + (at - cx) * distance / (distance - face) + rng.normal(0.0, 0.008, len(at))
    frets = tuple(
        CrownSeen(
            FretFace(int(n), float(x[i]), 0.008, FOOT - 2.0, 2.5, FOOT + float(tops[i])),
            float(at[i]), FOOT + float(under[i]), 0.003, FOOT - UNSEEN_MM, NONE_SEEN_U_MM,
        )
        for i, n in enumerate(numbers)
    )  # fmt: skip
    return GapGeometry(plane, frets, 0.003, 640.0 * spaced, 1.15)


def test_u_is_honest_where_necks_and_cards_vary_as_it_says():
    """U is timid on photos whose strings all run 3.5 mm inside the edge, whose slots are cut exactly and whose card
    stands parallel; where these vary as real ones are said to, it is neither timid nor bold."""
    rng, shares, off = np.random.default_rng(11), [], []
    for _ in range(150):
        gaps, *_ = measure_gaps(_photographed(rng))
        off += [q.value - 1.5 for q in gaps]
        shares += [(q.value - 1.5) / q.u for q in gaps]
    inside = np.mean(np.abs(shares) < 2.0)
    assert 0.93 < inside < 0.995
    assert 0.7 < np.sqrt(np.mean(np.square(shares))) < 1.1
    assert abs(np.mean(off)) < 0.02  # a fret that stands up lifts the foot off the others
