"""Frets' ends beyond the board's edge, from above: read within U, or said why the edge can't be told."""

from dataclasses import replace

import numpy as np
import pytest

from inspect_app.measure.plan.end_overhang import find_board_edges, overhangs
from inspect_app.reading.key import on_fret
from tests.conftest import rest_slow
from tests.inspect_app.measure.plan.worn_pictures import LENGTH, Worn, draw_worn, frets_of

DRAWN_MM = 0.2
"""How far beyond the frets' ends the drawn board reaches."""


def longer(frets, by):
    """The frets with both ends so much farther out, mm."""
    out = []
    for f in frets:
        at = f.frame.origin_mm - by * f.frame.along
        frame = replace(f.frame, origin_mm=at, length_mm=LENGTH + 2.0 * by, centre_mm=LENGTH / 2.0 + by)
        out.append(replace(f, frame=frame))
    return out


def recoloured(photo, bgr):
    bgr = np.clip(np.round(bgr), 0, 255).astype(np.uint8)
    bgr.flags.writeable = False
    return replace(photo, bgr=bgr)


@pytest.mark.parametrize("wood", rest_slow(["maple", "rosewood", "ebony", "pale"]))
@pytest.mark.parametrize("by", [0.0, 0.5])
def test_ends_are_read_against_the_boards_edge(wood, by):
    scene = Worn(wood=wood, seed=31)
    frets = longer(frets_of(scene), by)
    read = overhangs(find_board_edges(draw_worn(scene), frets, ()), frets)
    if wood != "rosewood":  # as dark as the ground, and streaked along the neck: read or declined
        assert set(read) == {on_fret(n, f"{side} end proud") for n in scene.numbers for side in ("treble", "bass")}
    for q in read.values():
        assert abs(q.value - (by - DRAWN_MM)) < q.expanded < 0.2
        assert {c.source for c in q.contributions} >= {"fret end", "board edge", "board edge eased"}


def test_a_binding_leaves_open_which_line_is_the_edge():
    scene = Worn(wood="maple", seed=32)
    photo = draw_worn(scene)
    y = LENGTH + 6.0 - (np.arange(photo.height) + 0.5) / scene.px_per_mm
    bound = (y > -DRAWN_MM) & (y < 1.0)  # of the treble side
    edges = find_board_edges(recoloured(photo, np.where(bound[:, None, None], 250.0, photo.bgr)), frets_of(scene), ())
    (lost,) = edges.not_measured
    assert str(lost.what) == "board, treble edge"
    assert "binding" in lost.reason
    assert {k.feature for k in overhangs(edges, frets_of(scene))} == {"bass end proud"}


def test_a_covered_edge_and_one_like_its_ground_are_declined():
    scene = Worn(seed=33)
    photo, frets = draw_worn(scene), frets_of(scene)
    w, h = scene.size
    strip = np.array([[0.0, h - 90.0], [w, h - 90.0], [w, float(h)], [0.0, float(h)]])
    (lost,) = find_board_edges(photo, frets, (strip,)).not_measured
    assert "uncover" in lost.reason
    even = find_board_edges(recoloured(photo, np.full(photo.bgr.shape, 90.0)), frets, ())
    assert [("no straight line" in n.reason) for n in even.not_measured] == [True, True]


def test_the_boards_side_is_not_taken_for_its_top():
    """From beyond the treble edge a camera sees the side, and its foot may be taken for the edge."""
    scene = Worn(seed=34)
    away = 70.0  # a lens shifted as far leaves the picture of the board's top as it is
    out = []
    for f in frets_of(scene):
        plane = f.frame.plane
        params = plane.params.copy()
        params[4] -= away
        params[9] += away * scene.px_per_mm
        out.append(replace(f, frame=replace(f.frame, plane=plane.with_params(params))))
    edges = find_board_edges(draw_worn(scene), out, ())
    assert any("from beyond its treble edge" in n.reason for n in edges.not_measured)
    assert {k.feature for k in overhangs(edges, out)} == {"bass end proud"}
