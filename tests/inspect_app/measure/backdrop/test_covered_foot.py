"""A string that hides the card's foot: read by the print and the crowns, with the U that leaves, and no line on the
metal taken for card. Shadows on the card are no string either, in small pictures too."""

import math
from dataclasses import replace

import numpy as np
import pytest

from calib.scales.printed import SHEETS
from inspect_app.measure import calibrate, measure
from inspect_app.measure.backdrop.card_foot import card_light, find_feet
from inspect_app.measure.backdrop.covered_foot import CUT_U_MM, printed_foot, under_by_crowns
from inspect_app.measure.backdrop.string_edge import find_string
from tests.inspect_app.measure.backdrop.side_pictures import FOOT, SideScene, draw_side, side_ask

COVERED = SideScene(under=(-0.1, -0.1), seed=31)
LINES = (
    SideScene(under=(-0.1, -0.1), string_tones=(70, 250, 90, 200, 30), seed=32),
    SideScene(under=(-0.05, -0.12), string_tones=(70, 250, 40, 40, 200, 30), string=0.25, wood=60, seed=33),
)
"""Two bright lines run along the string, the lower one as bright as card and above a dark rim."""


def errors(scene, answer):
    true = scene.gaps()
    return {f.number: f.string_gap.value - true[f.number] for f in answer.frets if f.string_gap}


@pytest.fixture(scope="module")
def covered():
    return measure(draw_side(COVERED), side_ask(COVERED, held=(1, 16)))


def test_a_gap_whose_foot_is_hidden_is_read_by_the_print_and_says_so(covered):
    found = errors(COVERED, covered)
    assert set(found) == set(COVERED.numbers)
    for f in covered.frets:
        assert abs(found[f.number]) < f.string_gap.expanded
        assert "INDIRECT" in f.string_gap.flags
        foot = next(c.u for c in f.string_gap.contributions if c.source == "backdrop's foot")
        assert 0.4 * CUT_U_MM < foot < CUT_U_MM


def test_what_follows_from_such_a_gap_says_so_too(covered):
    relief = next(q for k, q in covered.values.items() if "relief" in str(k))
    assert "INDIRECT" in relief.flags
    assert relief.u > 0.08


@pytest.mark.parametrize("scene", LINES, ids=["five tones", "thin string"])
def test_a_bright_line_on_the_string_is_not_taken_for_card(scene):
    answer = measure(draw_side(scene), side_ask(scene))
    found = errors(scene, answer)
    assert set(found) == set(scene.numbers)
    assert all(abs(found[f.number]) < f.string_gap.expanded for f in answer.frets)


def test_a_string_over_the_foot_is_none_that_hides_it():
    """Its underside would stand over the foot with card between."""
    scene = SideScene(seed=34)
    photo, sheet = draw_side(scene), SHEETS["backdrop"]
    _, plane = calibrate(photo, side_ask(scene))
    card = card_light(photo, plane, sheet)
    assert find_feet(card)
    assert under_by_crowns(photo, plane, card, printed_foot(sheet), list(scene.places), 0.75) is None


def test_crowns_that_do_not_agree_on_a_thickness_tell_none():
    """Places between the crowns: nothing is mirrored there, and a string has no lower edge."""
    photo, sheet = draw_side(COVERED), SHEETS["backdrop"]
    _, plane = calibrate(photo, side_ask(COVERED))
    card = card_light(photo, plane, sheet)
    found = under_by_crowns(photo, plane, card, printed_foot(sheet), list(COVERED.places), 0.75)
    assert found is not None
    assert found.covered
    assert found.thick == pytest.approx(COVERED.string, abs=0.08)
    assert under_by_crowns(photo, plane, card, printed_foot(sheet), [COVERED.places[0]], 0.75) is None


SHADED = SideScene(under=(1.3, 1.5), shade=(0.75, 0.4, 0.93), focal_px=3300.0, size=(1600, 650), noise=0.6, seed=35)
"""A string's soft shadow on the card, falling off over 0.35 mm: six pixels of a small picture."""


def test_a_soft_shadow_in_a_small_picture_is_not_taken_for_the_string():
    answer = measure(draw_side(SHADED, over=4), side_ask(SHADED))
    found = errors(SHADED, answer)
    assert set(found) == set(SHADED.numbers)
    assert max(map(abs, found.values())) < 0.06


def test_the_strings_edge_hardly_moves_with_the_lines_on_its_metal():
    """Two and three pixels from it: a derivative as wide as that drew it half a pixel towards the card."""
    scene = SideScene(string=0.25, string_tones=(70, 250, 40), seed=36)
    photo = draw_side(scene, over=6)
    _, plane = calibrate(photo, side_ask(scene))
    card = card_light(photo, plane, SHEETS["backdrop"])
    lines = find_string(card, find_feet(card)[0])
    camera = scene.plane().camera_mm
    near = camera[2] / (camera[2] - scene.behind)
    x, y = (camera[i] + (v - camera[i]) * near for i, v in ((0, scene.places), (1, scene.underside(scene.places))))
    off = lines.under.y(x) - lines.foot.y(x) - (y - FOOT)
    assert np.abs(off).max() < 0.35 * card.pitch


def test_a_small_picture_of_a_shadow_declines_or_reads_right_at_any_depth():
    for k, depth in enumerate((0.86, 0.9, 0.95)):
        scene = replace(SHADED, shade=(0.8, 0.4, depth), seed=40 + k)
        answer = measure(draw_side(scene), side_ask(scene))
        found = errors(scene, answer)
        assert answer.frets or answer.not_measured
        assert all(abs(found[f.number]) < 2.0 * f.string_gap.expanded for f in answer.frets if f.string_gap)
        assert math.isfinite(sum(found.values()))
