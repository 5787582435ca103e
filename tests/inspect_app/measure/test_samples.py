"""The sample photos: their truth agrees with their pixels, and what is measured on them agrees with their truth."""

from __future__ import annotations

import json
import math
from functools import cache

import numpy as np
import pytest
from PIL import Image

from calib.photo import open_photo
from calib.scales.printed import BACKDROP, STRIP, find_markers
from inspect_app.demo import ask_of
from inspect_app.measure import MEASURED_VIEWS, measure
from sample_images import SCENARIO, Sample, photos
from sample_images.camera import Camera
from sample_images.instrument import Board, Fret, Spot, Wire, fret_position
from sample_images.solids import fret_meshes
from shared.errors import InspectError

pytestmark = pytest.mark.slow

MARKERS = {m.id: m for m in (*STRIP, *BACKDROP)}
SAMPLES = photos()
NAMES = [s.path.stem for s in SAMPLES]


@cache
def photo_of(sample_name):
    path = next(s.path for s in SAMPLES if s.path.stem == sample_name)
    return open_photo(path.read_bytes(), path.name)


def place_on_sheet(scale: dict, marker_id: int) -> np.ndarray:
    """Where a marker's corners are in the scene, from the sheet's corners in the truth, shape (4, 3)."""
    top_left, top_right, _, bottom_left = np.array(scale["corners"])
    right = (top_right - top_left) / np.linalg.norm(top_right - top_left)
    down = (bottom_left - top_left) / np.linalg.norm(bottom_left - top_left)
    cut_away = scale.get("rows_mm", [0.0])[0]
    xy = MARKERS[marker_id].corners()  # y up from the sheet's top edge
    return top_left + xy[:, :1] * right - (xy[:, 1:] + cut_away) * down


def test_every_view_and_both_visits_are_there():
    assert {(s.view, s.visit) for s in SAMPLES} >= {
        (view, visit) for view in ("plan", "elevation", "end", "side") for visit in ("intake", "after")
    }
    assert any(s.view == "section" for s in SAMPLES)
    assert 6 <= len(SAMPLES) <= 14


def test_all_photos_stay_below_30_megabytes():
    assert sum(s.path.stat().st_size for s in SAMPLES) < 30e6


@pytest.mark.parametrize("sample", SAMPLES, ids=NAMES)
def test_a_photo_has_the_size_and_the_lens_its_truth_says(sample: Sample):
    with Image.open(sample.path) as image:
        width, height = image.size
        exif = image.getexif()
        focal = exif.get_ifd(0x8769)[0xA405]
    assert [width, height] == sample.truth["size"]
    assert 4e6 <= width * height <= 8.5e6
    # Exif 2.32 tag 0xA405, full frame 36 mm wide, whole millimetres
    assert focal == pytest.approx(18.0 / math.tan(math.radians(sample.truth["camera"]["fov_x_deg"] / 2)), abs=0.51)


@pytest.mark.parametrize("sample", SAMPLES, ids=NAMES)
def test_the_scale_is_seen_where_the_true_camera_puts_it(sample: Sample):
    camera = Camera.from_truth(sample.truth)
    seen = [m for m in find_markers(photo_of(sample.path.stem)) if all(side is not None for side in m.sides)]
    assert len(seen) >= 2
    away = [m.corners_px - camera.project(place_on_sheet(sample.truth["scale"], m.id)) for m in seen]
    assert np.abs(away).max() < 1.0


@pytest.mark.parametrize("sample", SAMPLES, ids=NAMES)
def test_the_scale_in_the_truth_is_as_large_as_printed(sample: Sample):
    corners = np.array(sample.truth["scale"]["corners"])
    width = np.linalg.norm(corners[1] - corners[0])
    assert width == pytest.approx(124.0 if sample.ask["scale"] == "strip" else 92.0, abs=1e-9)


@pytest.mark.parametrize("sample", [s for s in SAMPLES if s.view != "section"], ids=lambda s: s.path.stem)
def test_frets_stand_where_equal_temperament_puts_them(sample: Sample):
    scale_length = sample.truth["board"]["scale_length"]
    assert scale_length == SCENARIO.scale_length
    for fret in sample.truth["frets"]:
        assert fret["x"] == pytest.approx(fret_position(scale_length, fret["n"]), abs=1e-9)


# -- the geometry behind the truth, against itself seen another way ---------------------------------------------------


def worn_fret() -> Fret:
    return Fret(3, 100.0, 2.4, 1.1, -22.0, 22.0, 30.0, 25.0, spots=(Spot(-8.0, 0.2, 4.0),))


def test_a_flat_is_as_wide_as_the_crown_at_the_depth_removed():
    fret = worn_fret()
    width = fret.truth()["spots"][0]["flat_width_max"]
    # the circle through the crown's foot and top, cut 0.2 mm below the top
    assert math.hypot(width / 2, fret.radius - 0.2) == pytest.approx(fret.radius, rel=1e-12)


@pytest.mark.parametrize("wide", [0.2, 0.3, 0.5])
def test_the_stated_flat_length_is_where_the_wear_profile_is_that_deep(wide):
    fret = worn_fret()
    y = np.linspace(-11.0, -5.0, 600_001)
    cut = fret.radius - np.sqrt(fret.radius**2 - wide**2 / 4)
    inside = y[fret.removed(y) >= cut]
    assert fret.truth()["spots"][0][f"flat_length_at_{wide}"] == pytest.approx(inside[-1] - inside[0], abs=3e-5)


def test_the_board_is_an_arc_of_its_radius():
    board = Board(630.0, 43.0, 300.0, 0.2)
    y = np.array([-20.0, 0.0, 11.0])
    z = board.height(100.0, y)
    assert np.hypot(y, z + 320.0) == pytest.approx(np.full(3, 320.0))


def test_the_wire_outline_has_the_stated_height_widths_and_depth():
    wire = Wire(2.4, 1.1, 0.12, 0.52, 1.8, 0.15, 0.0, 5.0)
    p = wire.profile()
    assert p[:, 1].max() == pytest.approx(0.98)
    assert p[:, 1].min() == pytest.approx(-1.8)
    assert np.ptp(p[:, 0]) == pytest.approx(2.4)
    assert np.ptp(p[np.isclose(p[:, 1], -1.8), 0]) == pytest.approx(0.52)
    top = p[np.isclose(p[:, 1], 0.98), 0]
    assert np.ptp(top) == pytest.approx(wire.flat_width)


@pytest.mark.parametrize(("end", "inward"), [("treble", 1.0), ("bass", -1.0)])
def test_a_cut_end_moves_inward_by_height_above_the_board_times_the_tangent_of_its_bevel(end, inward):
    fret, board = worn_fret(), Board(630.0, 43.0, 200.0)
    x, y, z = fret_meshes(fret, board)[f"end_{end}"].vertices.T
    above = z - board.height(fret.x, y)
    tangent = math.tan(math.radians(getattr(fret, f"bevel_{end}")))
    assert inward * (y - getattr(fret, f"y_{end}")) == pytest.approx(above * tangent, abs=1e-9)
    assert above.max() == pytest.approx(fret.height, abs=1e-3)
    assert np.hypot(x - fret.x, above - fret.height + fret.radius) == pytest.approx(np.full(len(x), fret.radius))


def test_the_crown_mesh_lies_on_the_arc_except_where_it_is_worn():
    fret, board = worn_fret(), Board(630.0, 43.0, 200.0)
    for name, mesh in fret_meshes(fret, board).items():
        x, y, z = mesh.vertices.T
        above = z - board.height(fret.x, y)
        assert above.max() <= fret.height + 1e-9, name
        if name == "flat":
            middle = np.abs(y - fret.spots[0].y) < 1.0
            assert above[middle] == pytest.approx(fret.height - fret.removed(y[middle]), abs=1e-9)
        else:
            assert np.hypot(x - fret.x, above - fret.height + fret.radius) == pytest.approx(
                np.full(len(x), fret.radius)
            )


# -- measured against truth -------------------------------------------------------------------------------------------


@cache
def answer_of(name):
    sample = next(s for s in SAMPLES if s.path.stem == name)
    return measure(photo_of(name), ask_of(sample))


def pairs(sample: Sample):
    """(what, measured, true) for every figure of a view that has a truth."""
    answer = answer_of(sample.path.stem)
    if sample.view == "section":
        truth = sample.truth["section"]
        names = {n: n for n in ("crown_width", "crown_radius", "flat_width", "tang_width", "tang_depth")}
        for ours, theirs in (names | {"crown_height": "height_now"}).items():
            yield ours, getattr(answer.frets[0], ours), truth[theirs]
        return
    true = {f["n"]: f for f in sample.truth["frets"]}
    for fret in answer.frets:
        t = true[fret.number]  # a KeyError is a fret that is not there
        yield from of_fret(sample, fret, t)


def of_fret(sample, fret, t):
    if sample.view == "plan":
        yield "crown_width", fret.crown_width, t["crown_width"]
        yield "length", fret.length, t["y_bass"] - t["y_treble"]
        for flat in fret.flats:
            spot = nearest(t, flat.from_treble_end.value)
            yield "flat length", flat.length, spot["flat_length_at_0.3"] if spot else 0.0
            yield "flat width", flat.width, spot["flat_width_max"] if spot else 0.0
    if sample.view == "elevation":
        yield "crown line", fret.crown_line_radius, sample.truth["crown_line_radius"]
        for divot in fret.divots:
            spot = nearest(t, divot.from_treble_end.value)
            yield "divot depth", divot.depth, spot["divot_depth"] if spot else 0.0
    if sample.view in ("elevation", "end"):
        for end in ("treble", "bass"):
            if sample.view == "elevation" or sample.truth["end"] == end:
                yield f"bevel {end}", getattr(fret, f"bevel_{end}"), t[f"bevel_{end}"]


def nearest(t, from_treble_end):
    """The worn spot within 1.5 mm of a place, if there is one."""
    near = [s for s in t["spots"] if abs(s["y"] - t["y_treble"] - from_treble_end) < 1.5]
    return min(near, key=lambda s: abs(s["y"] - t["y_treble"] - from_treble_end), default=None)


def judged(view):
    out = []
    for sample in SAMPLES:
        if sample.view == view:
            out += [
                (sample.path.stem, what, got.value - true, got.expanded)
                for what, got, true in pairs(sample)
                if got is not None
            ]
    return out


LEAST = {"plan": 60, "elevation": 18, "end": 3, "section": 6}
"""Fewest figures a view must give on the samples: silence is not agreement."""


@pytest.mark.parametrize("view", LEAST)
def test_measured_figures_agree_with_the_truth_within_their_uncertainty(view):
    found = judged(view)
    assert len(found) >= LEAST[view]
    outside = [f for f in found if abs(f[2]) > f[3]]
    assert len(outside) <= 0.1 * len(found), outside


@pytest.mark.parametrize("sample", [s for s in SAMPLES if s.view == "plan"], ids=lambda s: s.path.stem)
def test_all_whole_frets_are_found_and_none_invented(sample: Sample):
    assert [f.number for f in answer_of(sample.path.stem).frets] == [f["n"] for f in sample.truth["frets"]]


def test_the_truth_files_are_in_order():
    for sample in SAMPLES:
        truth = json.loads(sample.path.with_suffix(".json").read_text(encoding="utf-8"))
        assert truth["photo"] == sample.path.name
        assert truth["ask"]["view"] == truth["view"]
        assert truth["visit"] in SCENARIO.visits


def test_no_sample_is_refused():
    for sample in (s for s in SAMPLES if s.view in MEASURED_VIEWS):
        try:
            answer_of(sample.path.stem)
        except InspectError as error:
            pytest.fail(f"{sample.path.name}: {error}")
