"""A steel rule laid over the ends of the frets: its body covers more than its graduations."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calib.scales.rule import find_rule
from inspect_app.measure.plan.recipe import measure
from tests.inspect_app.measure.plan.board_pictures import Shot, asked

pytestmark = pytest.mark.slow

SHOT = Shot(height=1.06, width=2.6, lamps=((20.0, 14.0, 1.5),), wood=(0.1, 0.2, 0.35), size=(1560, 1220))
WIDTH_MM = 19.0


def under_rule(edge_mm, bench=None, inwards=False):
    """Photo, rule, plane and question: the rule's graduated edge runs along the neck at `edge_mm`.

    Its body lies on the treble side of that, or towards the board's middle where `inwards`.
    `bench` is the code of what lies past the treble edge of the board, as drawn where None; the steel is 200.
    """
    photo, _, plane, ask = asked(SHOT)
    bgr = photo.bgr.copy()
    w, middle = photo.width, (photo.height - 1) / 2.0
    row = middle - edge_mm * SHOT.px_per_mm
    if bench is not None:
        bgr[round(middle + (SHOT.half_board + 0.4) * SHOT.px_per_mm) :] = bench
    way = -1.0 if inwards else 1.0
    drawn = np.full((photo.height, w), 200, np.uint8)
    for i in range(1, int(w / SHOT.px_per_mm)):
        long = 5.0 if i % 10 == 0 else 4.0 if i % 5 == 0 else 3.0
        x, inner = i * SHOT.px_per_mm, row + way * long * SHOT.px_per_mm
        cv2.rectangle(drawn, (round(x) - 1, round(row)), (round(x) + 1, round(inner)), 40, -1)
    over = slice(*sorted([round(row), round(row + way * WIDTH_MM * SHOT.px_per_mm)]))
    bgr[over] = cv2.GaussianBlur(drawn, (0, 0), 0.8)[over, :, None]
    noise = np.random.default_rng(3).normal(0.0, 1.2, bgr[over].shape)
    bgr[over] = np.clip(np.round(bgr[over] + noise), 0, 255).astype(np.uint8)
    photo = replace(photo, bgr=bgr)
    return photo, find_rule(photo), plane, ask


def lengths_and_reasons(said):
    reasons = {str(n.what): n.reason for n in said.not_measured}
    return [f.length for f in said.frets], [reasons.get(f"fret {f.number}, length", "") for f in said.frets]


def test_the_body_reaches_to_the_far_edge():
    _, rule, plane, _ = under_rule(-SHOT.half_board - 3.0)
    across = plane.to_mm(rule.body_px)[:, 1]
    assert rule.body_seen
    assert np.ptp(across) * (SHOT.distance / (SHOT.distance - SHOT.height)) == pytest.approx(WIDTH_MM, abs=0.3)


@pytest.mark.parametrize("edge_mm", [-28.0, -32.0, -38.0])  # graduations off the board, the steel over the ends
def test_ends_under_the_body_are_not_measured(edge_mm):
    """By its graduations alone the rule's far edge is read as the frets' end: 3 to 13 mm short, with u of 0.12."""
    lengths, reasons = lengths_and_reasons(measure(*under_rule(edge_mm, inwards=True)))
    assert len(lengths) == len(SHOT.numbers)
    assert lengths == [None] * len(SHOT.numbers)
    assert all(r.startswith("The treble end can't be read: it is covered.") for r in reasons)


def test_a_rule_beside_the_board_takes_no_length():
    lengths, _ = lengths_and_reasons(measure(*under_rule(-SHOT.half_board - 3.0)))
    assert [q.value for q in lengths] == pytest.approx([2.0 * SHOT.half_board] * len(SHOT.numbers), abs=0.2)


def test_a_rule_without_a_far_edge_may_cover_ends():
    photo, rule, plane, ask = under_rule(-13.0, bench=200)
    assert not rule.body_seen
    lengths, reasons = lengths_and_reasons(measure(photo, rule, plane, ask))
    assert lengths
    assert not any(lengths)
    assert all("may be covered by the rule" in r for r in reasons)
