"""A marked span, and asking for scales by name or not at all."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest

from calib.photo import Focal, Photo
from calib.pose_fit import fit_plane
from calib.scales.find import find_scale, is_mirrored, parse_scale
from calib.scales.print import scales_pdf
from calib.scales.printed import DICTIONARY, STRIP, STRIP_SIZE
from calib.scales.span import span_scale
from shared.errors import OptionError, ScaleError
from tests.calib.bench_scene import Paint, Shot, board, box, lengths, photograph, place_all

pytestmark = pytest.mark.slow


def strip(at: tuple[float, float] = (-62.0, 8.0), only: tuple[int, ...] = tuple(range(10))) -> list[Paint]:
    """The printed strip with its top left corner at `at`."""
    w, h = STRIP_SIZE
    out = [Paint(box(0, -h, w, 0), (0.8, 0.8, 0.8))]
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    for m in (m for m in STRIP if m.id in only):
        out.append(Paint(box(m.left, -m.top - m.side, m.left + m.side, -m.top), (0.03, 0.03, 0.03)))
        bits, cell = cv2.aruco.generateImageMarker(dictionary, m.id, 6) > 0, m.side / 6
        for r, c in zip(*np.nonzero(bits), strict=True):
            x, y = m.left + c * cell, -m.top - r * cell
            out.append(Paint(box(x, y - cell, x + cell, y), (0.8, 0.8, 0.8)))
    return place_all(out, at)


def test_span_along_and_across() -> None:
    """Along the span lengths are as good as the marks; across it the unknown tilt is carried."""
    shot = Shot(tilt=(7.0, 3.0))
    camera = shot.camera()
    a, b = camera.to_px(np.array([[-60.0, 0.0, 0.0], [60.0, 0.0, 0.0]]))
    photo = photograph(shot, board(-20.0))
    scale = span_scale(photo, (*a, *b), 120.0)
    plane = fit_plane(scale, (photo.width, photo.height), photo.focal)
    px = camera.to_px(np.array([[-60, 0, 0], [60, 0, 0], [0, -40, 0], [0, 40, 0.0]]))
    along, across = lengths(plane, px)
    assert along == pytest.approx(120.0, rel=1e-6)
    u = np.hypot(plane.u_of(lambda p: lengths(p, px))[1], plane.u_rel * 80.0)
    assert abs(across - 80.0) < 3.0 * u
    assert u / 80.0 > 0.005  # half a per cent at least: nobody knows the tilt


def test_marked_points_have_to_be_in_the_photo() -> None:
    photo = photograph(Shot(), [])
    with pytest.raises(OptionError, match="outside the photo"):
        span_scale(photo, (10.0, 10.0, 5000.0, 10.0), 100.0)
    with pytest.raises(ScaleError, match="pixels apart"):
        span_scale(photo, (10.0, 10.0, 60.0, 10.0), 100.0)


@pytest.mark.slow
def test_auto_finds_the_strip() -> None:
    photo = photograph(Shot(), board(12.0) + strip())
    assert find_scale(photo, parse_scale("auto")).kind == "strip"


def test_auto_says_what_to_do() -> None:
    with pytest.raises(ScaleError, match="a coin of known diameter, a bank card or a known length"):
        find_scale(photograph(Shot(), board(12.0)), parse_scale("auto"))


@pytest.mark.parametrize("kind", ["auto", "strip"])
def test_a_mirrored_strip_is_called_mirrored(kind: str) -> None:
    photo = photograph(Shot(), strip())
    mirrored = dataclasses.replace(photo, bgr=np.ascontiguousarray(photo.bgr[:, ::-1]))
    assert is_mirrored(mirrored)
    assert not is_mirrored(photo)
    with pytest.raises(ScaleError, match="mirrored"):
        find_scale(mirrored, parse_scale(kind))


def test_two_strips_are_refused() -> None:
    photo = photograph(Shot(), strip() + strip((-62.0, -20.0)))
    with pytest.raises(ScaleError, match="more than one"):
        find_scale(photo, parse_scale("strip"))
    with pytest.raises(ScaleError, match="more than one"):
        find_scale(photo, parse_scale("auto"))


def test_a_strip_upside_down_measures_the_same() -> None:
    shot = Shot(turn=181.0)
    photo = photograph(shot, strip())
    plane = fit_plane(find_scale(photo, parse_scale("strip")), (photo.width, photo.height), photo.focal)
    px = shot.camera().to_px(np.array([[-50.0, 0, 0], [50.0, 0, 0]]))
    assert lengths(plane, px)[0] == pytest.approx(100.0, rel=5e-4)


def test_a_strip_cut_off_still_measures() -> None:
    shot = Shot()
    photo = photograph(shot, strip((10.0, 8.0)))
    plane = fit_plane(find_scale(photo, parse_scale("strip")), (photo.width, photo.height), photo.focal)
    px = shot.camera().to_px(np.array([[-10.0, 0, 0], [50.0, 0, 0]]))
    assert abs(lengths(plane, px)[0] - 60.0) < 3.0 * plane.u_of(lambda p: lengths(p, px))[0]


def test_a_coin_without_diameter_and_a_span_without_points() -> None:
    from calib.scales.find import ScaleAsk

    photo = photograph(Shot(), [])
    for ask in (ScaleAsk("coin"), ScaleAsk("span")):
        with pytest.raises(OptionError, match="not given"):
            find_scale(photo, ask)


@pytest.mark.parametrize("text", ["ruler", "coin", "coin:nan", "span:1,2,3", "span:1,2,1,2,50", "id1:3", ""])
def test_unknown_scales_are_refused(text: str) -> None:
    with pytest.raises(OptionError, match="not understood"):
        parse_scale(text)


@pytest.mark.parametrize("text", ["coin:2", "coin:-24", "coin:242.6"])
def test_a_diameter_that_no_coin_has_is_named(text: str) -> None:
    with pytest.raises(OptionError, match=r"No coin is .* mm across\. .* 5 to 60 mm"):
        parse_scale(text)


def test_the_print_is_the_strip_that_is_found() -> None:
    """The same markers are drawn on paper as are looked for: nothing in the PDF depends on the day."""
    assert scales_pdf("a4") == scales_pdf("a4")


@pytest.mark.parametrize("factor", [0.0, -1.0, float("nan"), float("inf"), 25.4])
def test_impossible_factors_are_refused(factor: float) -> None:
    with pytest.raises(OptionError, match="scale factor"):
        find_scale(photograph(Shot(), []), parse_scale("strip", factor))


def test_a_coin_may_be_pointed_at() -> None:
    asked = parse_scale("coin:23.25@410,220.5")
    assert (asked.diameter_mm, asked.at_px) == (23.25, (410.0, 220.5))
    for text in ("coin:23.25@", "coin:23.25@1", "coin:23.25@1,nan", "coin:@1,2"):
        with pytest.raises(OptionError, match="not understood"):
            parse_scale(text)


def test_any_span_gives_a_view_from_the_front() -> None:
    """However it slants: the length between the marks is what was said, and the camera is before the plane."""
    rng = np.random.default_rng(1)
    blank = Photo(np.zeros((1200, 1600, 3), np.uint8), "0" * 64, "blank", Focal(1600.0, 0.4, "assumed"))
    for _ in range(60):
        a, b = rng.uniform(0.0, [1599.0, 1199.0], (2, 2))
        if np.linalg.norm(b - a) < 100.0:
            continue
        mm = float(rng.uniform(10.0, 400.0))
        plane = fit_plane(span_scale(blank, (*a, *b), mm), (1600, 1200), blank.focal)
        assert lengths(plane, np.array([a, b]))[0] == pytest.approx(mm, rel=1e-3)
        assert plane.camera_mm[2] > 0.0
        assert plane.tilt_deg < 5.0
