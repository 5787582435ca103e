"""The section's outline: its geometry against published chords and another circle fit, its edges on drawn photos."""

import math
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2, norm
from skimage.measure import CircleModel

from calib.photo import linear_light
from calib.plane import Plane
from inspect_app.measure import calibrate
from inspect_app.measure.section.derivatives import derivatives
from inspect_app.measure.section.dimensions import measure_dimensions
from inspect_app.measure.section.face import find_faces
from inspect_app.measure.section.face_edges import (
    STANDS_OUT,
    TEXTURE_SHARE,
    TRUNCATION_BIAS,
    OutlineRows,
    SearchReach,
    find_edges,
    innermost,
    nearest,
    sample_rows,
    texture_of,
)
from inspect_app.measure.section.focus import FAINTER, SAME_BLUR_RATIO, TWO_EDGES_RATIO
from inspect_app.measure.section.likeliest_fit import fit_section
from inspect_app.measure.section.outline_fit import FIRST, fit_face
from inspect_app.measure.section.wire_outline import DIMENSIONS, PIECES, WireShape
from tests.inspect_app.measure.section.wire_pictures import Scene, Wire, draw, section_ask

REFERENCE = Path(__file__).parents[3] / "reference" / "flat_chords.toml"
CROWNS = tomllib.loads(REFERENCE.read_text(encoding="utf-8"))["crown"]


def shape_of(width=2.6, height=1.1, level=0.15, tang=0.55, depth=1.8, turn=0.0, tilt=0.0, at=(40.0, -8.0)):
    """The shape by the book: the crown's circle goes through its edges and its unworn top."""
    r = (width**2 / 4.0 + height**2) / (2.0 * height)
    return WireShape.of(np.array([*at, turn, r, height - r, height - level, tilt, 0.0, tang / 2.0, depth]), level > 0.0)


@pytest.mark.parametrize("crown", CROWNS, ids=lambda c: f"{c['width_mm']} x {c['height_mm']}")
def test_radius_and_flat_are_those_of_a_circular_segment(crown):
    """Circular segment (Euclid, Elements III.35), tabled in tests/reference/flat_chords.toml."""
    for depth, flat in zip(crown["depth_mm"], crown["flat_mm"], strict=True):
        shape = shape_of(crown["width_mm"], crown["height_mm"], depth)
        dimensions = dict(zip(DIMENSIONS, shape.dimensions(), strict=True))
        assert dimensions["crown_width"] == pytest.approx(crown["width_mm"], abs=1e-9)
        assert dimensions["crown_height"] == pytest.approx(crown["height_mm"] - depth, abs=1e-9)
        assert dimensions["crown_radius"] == pytest.approx(crown["radius_mm"], abs=1e-5)
        assert dimensions["flat_width"] == pytest.approx(flat, abs=1e-4)


def test_a_tilted_flat_is_a_chord_too():
    shape = shape_of(level=0.2, tilt=0.08)
    (xl, zl), (xr, zr) = shape.flat_ends()
    r, c = shape.radius, shape.arc_centre
    assert np.hypot([xl, xr], np.array([zl, zr]) - c) == pytest.approx([r, r])
    assert (zr - zl) / (xr - xl) == pytest.approx(0.08)


def test_a_crown_more_than_half_round_is_as_wide_as_its_circle():
    shape = WireShape.of(np.array([0.0, 0.0, 0.0, 1.1, 0.2, 1.2, 0.0, 0.0, 0.27, 1.8]), worn=False)
    assert shape.corner()[0] < 1.1
    assert shape.dimensions()[0] == pytest.approx(2.2)


@pytest.mark.parametrize("turn", [0.0, 0.2])
def test_every_point_of_the_outline_lies_on_its_piece_and_outside_is_positive(turn):
    shape = shape_of(turn=turn, tilt=0.03)
    for name, side, points in shape.chain(0.05):
        kind = np.full(len(points), PIECES.index(name))
        assert shape.distance(points, kind) == pytest.approx(np.zeros(len(points)), abs=1e-9)
        out = {"flat": (0, 1), "arc": (side, 1), "underside": (0, -1), "side": (side, 0), "bottom": (0, -1)}[name]
        assert (shape.distance(shape.to_plane(shape.to_wire(points) + 0.01 * np.array(out)), kind) > 0.0).all()
    assert shape.to_plane(shape.to_wire([[40.3, -7.0]])) == pytest.approx(np.array([[40.3, -7.0]]))


def test_the_threshold_and_the_cut_have_the_probabilities_they_are_said_to_have():
    """Chi squared distribution, by SciPy."""
    assert chi2.sf(STANDS_OUT, 3) == pytest.approx(1.4e-6, rel=0.05)
    alike = TEXTURE_SHARE / chi2.cdf(chi2.ppf(TEXTURE_SHARE, 3), 5)
    brightness = TEXTURE_SHARE / chi2.cdf(chi2.ppf(TEXTURE_SHARE, 1), 3)
    assert (alike, brightness) == (pytest.approx(1.49, abs=0.01), pytest.approx(2.28, abs=0.01))
    assert alike < TRUNCATION_BIAS < brightness


def test_a_line_a_code_darker_in_a_burnt_out_face_is_no_edge():
    offsets = np.arange(-40.0, 41.0)
    codes = np.where(offsets < 0.0, 255, 40) - (np.abs(offsets + 12.0) < 2.0)
    light = np.repeat(linear_light(codes.astype(np.uint8)[None])[..., None], 3, axis=2).astype(float)
    none, n = np.zeros(20, dtype=np.intp), (20, 2)
    rows = OutlineRows(none, none, np.zeros(n), np.ones(n), offsets, np.repeat(light, 20, axis=0), 100.0)
    found = find_edges(rows, texture_of(rows, 0.2), SearchReach(0.2, 0.08), innermost)
    assert found.valid.all()
    assert np.abs(found.at + 0.5).max() < 1.0


@pytest.mark.parametrize("share", [0.2, 0.35, 0.5])
def test_two_edges_seen_as_one_are_further_out_by_no_more_than_the_blur_tells(share):
    """Mean and variance of a mixture of two normal distributions, the slopes of two edges 1.5 blurs apart."""
    x, apart, blur = np.linspace(-12.0, 12.0, 4001), 1.5, 1.0
    slope = share * norm.pdf(x, 0.0, blur) + (1.0 - share) * norm.pdf(x, apart, blur)
    slope /= slope.sum()
    out = float(slope @ x)
    added = math.sqrt(float(slope @ (x - out) ** 2) - blur**2)
    assert added < out * 1.001 <= FAINTER * added * 1.002
    two_blurs = 0.5 * norm.pdf(x, 0.0, blur) + 0.5 * norm.pdf(x, 2.0 * blur, blur)
    wide = math.sqrt(float(two_blurs @ (x - blur) ** 2) / two_blurs.sum())
    assert wide == pytest.approx(TWO_EDGES_RATIO / SAME_BLUR_RATIO, rel=1e-3)


@pytest.fixture(scope="module")
def worn():
    scene = Scene(Wire(level=0.15), turn=6.0)
    photo = draw(scene)
    scale, plane = calibrate(photo, section_ask())
    return scene, photo, scale, plane


def test_the_crown_radius_agrees_with_another_circle_fit(worn):
    """Edges of the arc given to scikit-image's CircleModel."""
    _, photo, scale, plane = worn
    seen = fit_section(photo, scale, plane)
    rows = sample_rows(photo, plane, seen.shape, SearchReach(0.03, 0.03), 0.06)
    found = find_edges(rows, texture_of(rows, 0.03), SearchReach(0.03, 0.03), nearest)
    arc = found.valid & (rows.piece == PIECES.index("arc"))
    mm = plane.to_mm((rows.px + rows.normal * found.at[:, None])[arc])
    circle = CircleModel.from_estimate(mm)
    assert circle
    assert seen.shape.radius == pytest.approx(circle.radius, abs=0.004)


def test_the_face_is_found_and_its_body_is_not_taken_for_it(worn):
    _, photo, scale, plane = worn
    faces = find_faces(photo, scale, plane)
    assert faces[0].overlap > 0.85
    dimensions = fit_face(photo, plane, faces[0].shape, FIRST[0]).shape.dimensions()
    assert dimensions[[0, 4]] == pytest.approx([2.6, 0.55], abs=0.01)


@pytest.mark.slow
def test_an_outline_that_takes_in_the_body_is_given_up():
    """The body shows 0.15 mm below the face: an outline round both has the face's edge within it."""
    scene = Scene(smear=(0.0, -0.15), look=(0.0, 0.0), ground=(0.6, 0.6, 0.6))
    photo = draw(scene)
    scale, plane = calibrate(photo, section_ask())
    right = fit_section(photo, scale, plane).shape
    both = replace(right, y=right.y - 0.15 * math.cos(right.turn), arc_centre=right.arc_centre + 0.15)
    short = SearchReach(0.05, 0.05)  # so that the fit stays on the outline it is given
    taken = fit_face(photo, plane, both, short)
    assert taken is None or taken.shape.height == pytest.approx(right.height, abs=0.01)


@pytest.mark.parametrize("level", [0.0, 0.15])
def test_derivatives_of_the_distances_are_those_of_differences(level):
    shape = shape_of(level=level, turn=0.1, tilt=0.02)
    rng = np.random.default_rng(3)
    pieces = shape.chain(0.1)
    mm = np.concatenate([at for *_, at in pieces])
    piece = np.repeat([PIECES.index(name) for name, *_ in pieces], [len(at) for *_, at in pieces])
    mm = mm + rng.normal(0.0, 0.02, mm.shape)
    off_axis = np.abs(shape.to_wire(mm)[:, 0]) > 0.05  # on the axis the two sides' distances meet in a kink
    mm, piece = mm[off_axis], piece[off_axis]
    assert set(piece) >= {PIECES.index(name) for name in ("arc", "underside", "side", "bottom")}
    by_differences = derivatives(lambda p: WireShape.of(p, shape.worn).distance(mm, piece), shape.params)
    assert shape.slopes(mm, piece) == pytest.approx(by_differences, abs=1e-7)


TURNED = Scene(
    turn=9.0,
    length=2.0,
    look=(0.3, -0.2),
    body=(0.22, 0.22, 0.22),
    ground=(0.6, 0.6, 0.6),
    px_per_mm=120.0,
    size=(1400, 1150),
)
"""A turned wire on a bright ground, its body a little darker than its face."""


@pytest.mark.slow
@pytest.mark.parametrize(("smear", "shade"), [((0.3, 0.0), Scene.face), ((-0.2, -0.03), Scene.body)])
def test_a_body_that_shows_beside_a_turned_face_is_not_taken_for_it(smear, shade):
    """One's underside, in the shade, has the face's tone: it hides where the face ends by 0.07 mm. The other shows one
    strip along arc and tang, and face and strip together have a wire's form, 0.2 mm too wide."""
    scene = replace(TURNED, smear=smear, shade=shade)
    photo = draw(scene)
    scale, plane = calibrate(photo, section_ask())
    dimensions, _, _ = measure_dimensions(fit_section(photo, scale, plane), plane, 5)
    truth = scene.wire.truth()
    for name in ("crown_width", "crown_height", "crown_radius", "tang_width", "tang_depth"):
        q = dimensions[name]
        assert abs(q.value - truth[name]) < 2.0 * q.u
        assert q.u < 0.05


def test_uncertainty_has_named_parts_and_what_the_plane_adds_grows_with_the_figure(worn):
    _, photo, scale, plane = worn
    seen = fit_section(photo, scale, plane)
    dimensions, _, missing = measure_dimensions(seen, plane, 5)
    assert missing == ()
    parts = {name: {c.source: c.u for c in q.contributions} for name, q in dimensions.items()}
    assert set(parts["crown_width"]) == {
        "edge noise",
        "edge definition",
        "sharpening",
        "scale",
        "pose of the scale",
        "end not flush with the scale",
        "end not square",
    }
    # 0.8 mm either way, rectangular, over the distance
    expected = 0.8 / math.sqrt(3.0) / plane.distance_mm * dimensions["crown_width"].value
    assert parts["crown_width"]["end not flush with the scale"] == pytest.approx(expected, rel=0.02)
    assert parts["crown_width"]["scale"] == pytest.approx(plane.u_rel * dimensions["crown_width"].value)


def test_the_photo_is_left_as_it_was(worn):
    _, photo, scale, plane = worn
    assert not photo.bgr.flags.writeable
    before = photo.bgr.copy()
    fit_section(photo, scale, plane)
    assert np.array_equal(before, photo.bgr)
    assert isinstance(plane, Plane)
