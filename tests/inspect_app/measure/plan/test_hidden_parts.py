"""Frets with something laid over them that no scale tells of: a finger."""

from dataclasses import replace

import numpy as np
import pytest

from inspect_app.measure.plan.fret_location import locate_frets
from inspect_app.measure.plan.frets import EdgedFret
from inspect_app.measure.plan.hidden_parts import without_hidden, without_strangers
from inspect_app.measure.plan.recipe import measure
from shared.errors import InspectError
from tests.inspect_app.measure.plan.board_pictures import Shot, _place, asked

SKIN_BGR = np.array([112.0, 145.0, 205.0])


def _under_a_finger(shot, photo, number, y_mm):
    """The photo with a finger 15 mm wide laid along a fret, from one place across the board to another."""
    rng = np.random.default_rng(number)
    h, w = photo.bgr.shape[:2]
    x = (np.arange(w) - (w - 1) / 2.0) / shot.px_per_mm - _place(shot, number) - 1.5
    y = -(np.arange(h) - (h - 1) / 2.0) / shot.px_per_mm
    there = (np.abs(x)[None, :] < 7.5) & (y[:, None] > y_mm[0]) & (y[:, None] < y_mm[1])
    lit = np.sqrt(np.clip(1.0 - (x / 7.6) ** 2, 0.0, 1.0)) * 0.7 + 0.3  # a finger is round
    wrinkles = 1.0 + 0.05 * np.sin(y[:, None] * 3.0 + 0.4 * x[None, :])
    skin = SKIN_BGR * (lit[None, :] * wrinkles)[..., None] + rng.normal(0.0, 2.0, (h, w, 1))
    bgr = np.where(there[..., None], np.clip(skin, 0, 255), photo.bgr).astype(np.uint8)
    return replace(photo, bgr=bgr)


@pytest.fixture(scope="module")
def under_fingers():
    shot = Shot(first=5, last=9, px_per_mm=11.0)
    photo, scale, plane, ask = asked(shot)
    for number, y_mm in ((6, (-25.0, 4.0)), (7, (9.0, 25.0))):
        photo = _under_a_finger(shot, photo, number, y_mm)
    return shot, measure(photo, scale, plane, ask)


@pytest.mark.slow
def test_a_fret_mostly_under_a_finger_is_not_read_and_said(under_fingers):
    _, said = under_fingers
    assert [f.number for f in said.frets if f.crown_width is not None] == [5, 7, 8, 9]
    assert {n.what.feature for n in said.not_measured if n.what.fret == 6} >= {"crown width", "length", "flats"}


@pytest.mark.slow
def test_an_end_under_a_finger_is_covered_and_the_crown_beside_it_read(under_fingers):
    shot, said = under_fingers
    fret = next(f for f in said.frets if f.number == 7)
    assert fret.crown_width.value == pytest.approx(shot.width, abs=fret.crown_width.expanded)
    assert fret.length is None
    assert any("covered" in n.reason for n in said.not_measured if n.what.fret == 7 and n.what.feature == "length")


@pytest.mark.slow
def test_no_flat_is_read_on_a_finger(under_fingers):
    _, said = under_fingers
    assert all(not f.flats for f in said.frets)


@pytest.mark.slow
def test_frets_in_full_view_keep_their_lengths(under_fingers):
    shot, said = under_fingers
    lengths = {f.number: f.length for f in said.frets}
    for number in (5, 8, 9):
        assert lengths[number].value == pytest.approx(2.0 * shot.half_board, abs=lengths[number].expanded)


@pytest.fixture(scope="module")
def in_view():
    return locate_frets(*asked(Shot(first=5, last=8)))[1]


@pytest.mark.parametrize(("hidden", "shows"), [(4, True), (8, False)])
def test_a_fret_most_of_whose_parts_are_not_its_own_has_no_crown_edges(in_view, hidden, shows):
    first, *others = in_view
    parts = first.profile.parts.copy()
    assert hidden < len(parts) == 12
    parts[:hidden] = np.random.default_rng(2).normal(0.0, 0.5, parts[:hidden].shape)
    under = replace(first, profile=replace(first.profile, parts=parts))
    kept = without_hidden([under, *others])
    assert isinstance(kept[0], EdgedFret) is shows
    assert all(a is b for a, b in zip(kept[1:], others, strict=True))


def test_one_that_looks_unlike_the_others_is_none_of_the_boards_frets(in_view):
    odd, *others = in_view
    assert len(without_strangers(in_view)) == len(in_view) == 4
    odd = replace(odd, profile=replace(odd.profile, log_light=-odd.profile.log_light))
    kept = without_strangers([odd, *others])
    assert len(kept) == 3
    assert not any(f is odd for f in kept)


def test_rows_of_unlike_things_are_no_frets():
    shot = Shot(first=5, last=8)
    photo, scale, plane, ask = asked(shot)
    bgr = photo.bgr.copy()
    middle = (photo.width - 1) / 2.0
    for number, dark in zip(shot.numbers, (0.3, 2.2, 0.4, 2.0), strict=True):  # spines of books, dark and bright
        at = middle + shot.px_per_mm * _place(shot, number)
        low, high = (round(at + s * 1.7 * shot.px_per_mm) for s in (-1.0, 1.0))
        rows = slice(*(round((photo.height - 1) / 2.0 + s * shot.half_board * shot.px_per_mm) for s in (-1.0, 1.0)))
        ramp = np.linspace(dark, 1.0, high - low) if number % 2 else np.linspace(1.0, dark, high - low)
        bgr[rows, low:high] = np.clip(90.0 * ramp[None, :, None], 0, 255)
    with pytest.raises(InspectError, match="not alike"):
        measure(replace(photo, bgr=bgr), scale, plane, ask)
