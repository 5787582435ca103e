"""Two photos laid on each other by their frets: against maps known beforehand, and refused where they do not fit."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from inspect_app.reading.inspection import CameraSummary, FretReading, Inspection, Outline, PhotoSummary
from inspect_app.reading.key import on_fret, parse_key
from inspect_app.reading.photo_registration import register

SIZE = (1200, 900)
PX = 20.0
AT = {1: 120.0, 2: 480.0, 3: 820.0, 4: 1140.0}  # where each fret stands, px


SAME = np.eye(3)


def seen(h=SAME, numbers=(1, 2, 3, 4), off=None, px=PX):
    """A plan photo of these frets, 40 mm long, seen through a homography; `off` moves a fret's treble end, px."""
    frets = []
    for n in numbers:
        ends = [(AT[n], 850.0 + (off or {}).get(n, 0.0)), (AT[n] + 6.0, 50.0)]
        lines = [
            cv2.perspectiveTransform(np.array([[(x + dx, y) for x, y in ends]]), h)[0].tolist() for dx in (-24.0, 24.0)
        ]
        outlines = tuple(
            Outline("crown_edge", tuple(map(tuple, line)), of=on_fret(n, f"crown {side} side"))
            for side, line in zip(("nut", "body"), lines, strict=True)
        )
        frets.append(FretReading(n, outlines=outlines))
    camera = CameraSummary(3000.0, "EXIF", 0.0, 350.0, 3.0, px)
    return Inspection("plan", PhotoSummary("a", "0" * 64, *SIZE), "t", {}, tuple(frets), camera=camera)


PERSPECTIVE = np.array([[1.05, 0.04, 30.0], [-0.03, 0.97, 12.0], [2e-5, -1e-5, 1.0]])


def mapped(laid, h, points):
    """Points of the board, through the second camera and back onto the first photo."""
    there = cv2.perspectiveTransform(np.array([points], dtype=float), h)
    return cv2.perspectiveTransform(there, laid.homography)[0]


CORNERS = [(60.0, 60.0), (1180.0, 60.0), (1180.0, 840.0), (60.0, 840.0)]


def test_frets_bring_back_the_homography():
    laid = register(seen(), seen(PERSPECTIVE))
    assert laid.frets == (1, 2, 3, 4)
    assert laid.size == SIZE
    assert mapped(laid, PERSPECTIVE, CORNERS) == pytest.approx(np.array(CORNERS), abs=0.7)  # crown middles, not lines
    assert laid.misfit_mm < 0.02


def test_an_end_that_lies_elsewhere_does_not_pull_the_rest():
    laid = register(seen(), seen(PERSPECTIVE, off={3: 120.0}))
    assert mapped(laid, PERSPECTIVE, CORNERS) == pytest.approx(np.array(CORNERS), abs=0.7)


@pytest.mark.parametrize("numbers", [(2,), (2, 3)])
def test_few_frets_tell_turn_shift_and_size(numbers):
    turn = np.array([[0.99, 0.08, 15.0], [-0.08, 0.99, 90.0], [0.0, 0.0, 1.0]])
    size = float(np.hypot(0.99, 0.08))
    laid = register(seen(numbers=numbers), seen(turn, numbers, px=PX * size))
    assert mapped(laid, turn, CORNERS) == pytest.approx(np.array(CORNERS), abs=1.0)
    assert laid.misfit_mm < 0.02


def test_what_does_not_fit_is_not_laid():
    assert register(seen(numbers=(1,)), seen(numbers=(2,))) is None
    assert register(seen(numbers=(1, 2)), seen(numbers=(1, 2), off={1: 6.0 * PX, 2: -6.0 * PX})) is None
    assert register(seen(), replace(seen(), camera=None)) is None
    assert register(seen(), replace(seen(), view="side")) is None


def test_a_close_up_of_an_end_is_laid_by_that_end():
    """The far end is where the photo's border cut the fret: it says nothing."""

    def end(x, cut):
        line = tuple((float(v), 400.0 + 0.02 * (x - v)) for v in np.linspace(x, cut, 40))
        fret = FretReading(2, outlines=(Outline("crown_line", line, of=parse_key("fret 2, crown line")),))
        camera = CameraSummary(9000.0, "EXIF", 0.0, 100.0, 3.0, 130.0)
        photo = PhotoSummary("a", "0" * 64, *SIZE)
        return Inspection("end", photo, "t", {"end": "treble"}, (fret,), camera=camera)

    laid = register(end(900.0, 200.0), end(700.0, 0.0))
    assert laid.misfit_mm is None
    assert cv2.perspectiveTransform(np.array([[(700.0, 400.0)]]), laid.homography)[0, 0] == pytest.approx((900, 400))
