"""A print's number, read back from photos of it: near, far, soft, partly covered, and from prints that have none."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calib.scales.ask import UNVERIFIED_U_REL, KnownPrint, ScaleAsk
from calib.scales.find import find_scale
from calib.scales.print import scales_pdf
from calib.scales.print_number import LARGEST_NUMBER, number_bars, read_number
from calib.scales.printed import SHEETS, find_printed
from shared.errors import OptionError, ScaleError
from tests.conftest import rest_slow


@pytest.fixture
def shot(make_camera, print_photo):
    def take(kind, number, **more):
        bars = tuple(number_bars(kind, number)) if number else ()
        return print_photo(SHEETS[kind].markers, SHEETS[kind].size, make_camera(), bars=bars, **more)

    return take


@pytest.mark.parametrize(
    ("kind", "number"),
    rest_slow([("strip", 7), ("backdrop", 300), ("tongue", 77), ("strip", 1), ("backdrop", LARGEST_NUMBER)], 2),
)
def test_a_photo_tells_the_print(shot, kind, number):
    assert find_printed(shot(kind, number), kind).number == number


@pytest.mark.parametrize("kind", rest_slow(SHEETS))
def test_a_print_without_a_number_has_none(shot, kind):
    assert find_printed(shot(kind, 0), kind).number is None


def test_a_number_is_read_from_a_soft_and_noisy_photo_and_leaves_the_scale_as_it_was(shot):
    plain, numbered = (find_printed(shot("strip", n, sigma=1.6, noise=0.02), "strip") for n in (0, 181))
    assert numbered.number == 181
    assert len(plain.ids) == len(numbered.ids)
    size = [
        np.sqrt(abs(np.linalg.det(cv2.findHomography(s.plane_mm, s.image_px)[0][:2, :2]))) for s in (plain, numbered)
    ]
    assert size[1] == pytest.approx(size[0], rel=5e-4)


@pytest.mark.slow
def test_a_strip_partly_covered_still_tells_or_says_nothing(shot):
    for left in range(0, 120, 12):
        seen = find_printed(shot("strip", 181, over=1, hide=(left, -20.0, left + 12.0, 2.0)), "strip").number
        assert seen in (181, None)
    third = find_printed(shot("strip", 181, hide=(93.0, -20.0, 130.0, 2.0)), "strip")
    assert third.number == 181  # number and complement are both left


@pytest.mark.slow
@pytest.mark.parametrize("tone", [0.04, 0.8])
def test_bars_that_come_or_go_together_make_no_number(shot, tone):
    """A shadow over the gaps, or glare in them."""
    photo = shot("strip", 181)
    seen = find_printed(photo, "strip")
    at = {i: seen.image_px[np.array(seen.ids) == i] for i in set(seen.ids)}
    corners = {i: cv2.boxPoints(cv2.minAreaRect(p.astype(np.float32))) for i, p in at.items()}
    gray = photo.gray.copy()
    for i in range(3):
        left, right = (corners[i + k].mean(axis=0) for k in (0, 1))
        middle = np.round((left + right) / 2.0).astype(int)
        cv2.circle(gray, tuple(int(v) for v in middle), 4, int(255 * tone ** (1 / 2.2)), -1)
    bgr = np.repeat(gray[..., None], 3, axis=2)
    bgr.flags.writeable = False
    assert find_printed(replace(photo, bgr=bgr), "strip").number in (181, None)


def test_every_number_has_both_forms():
    for number in (1, 2, 255, LARGEST_NUMBER):
        for kind, count in (("strip", 9 + number.bit_count()), ("backdrop", 9), ("tongue", 9)):
            bars = list(number_bars(kind, number))
            first = SHEETS[kind].markers[0]
            assert len(bars) == count
            assert all(top >= first.top and top + height <= first.top + first.side for _, top, _, height in bars)
    with pytest.raises(ValueError, match="1 to 511"):
        list(number_bars("strip", 512))


def test_nothing_is_read_where_no_marker_was_seen():
    assert read_number(np.zeros((50, 50), np.uint8), "strip", {}) is None
    square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    outside = {i: square + 100.0 * i for i in range(10)}
    assert read_number(np.zeros((50, 50), np.uint8), "strip", outside) is None


def test_the_page_has_the_number_on_its_face_and_refuses_one_too_large():
    import io

    from pypdf import PdfReader

    text = PdfReader(io.BytesIO(scales_pdf("a4", {"strip": 7, "backdrop": 8, "tongue": 9}))).pages[0].extract_text()
    assert all(f"No. {n}" in text for n in (7, 8, 9))
    with pytest.raises(OptionError, match="1 to 511"):
        scales_pdf("a4", {"strip": 512})


def test_a_numbered_print_is_as_long_as_its_own_bar_says(shot):
    photo = shot("strip", 7)
    mine, other = KnownPrint(7, "strip", 0.98, 4e-4), KnownPrint(8, "strip", 1.01, 4e-4)
    plain = find_scale(photo, ScaleAsk("strip"))
    assert plain.u_rel == UNVERIFIED_U_REL  # nobody has measured it: 3 %
    found = find_scale(photo, ScaleAsk("strip", factor=1.01, prints=(other, mine)))  # whatever the newest print is
    np.testing.assert_allclose(found.plane_mm, 0.98 * plain.plane_mm)
    assert found.u_rel == 4e-4
    strange = find_scale(photo, ScaleAsk("strip", factor=1.01, prints=(other,)))
    np.testing.assert_allclose(strange.plane_mm, plain.plane_mm)
    assert strange.u_rel == UNVERIFIED_U_REL
    assert find_scale(photo, ScaleAsk("strip", factor=0.98)).u_rel < 1e-3  # its bar was measured and said
    with pytest.raises(ScaleError, match="shows print 7, not print 8"):
        find_scale(photo, ScaleAsk("strip", prints=(other, mine), number=8))
