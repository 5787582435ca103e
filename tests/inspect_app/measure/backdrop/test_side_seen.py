"""What light alone does not show across the neck: by colour, from the part that a string leaves free, or elsewhere."""

from dataclasses import replace

import numpy as np
import pytest

from inspect_app.measure import calibrate, measure
from inspect_app.measure.backdrop import side
from tests.conftest import rest_slow
from tests.inspect_app.measure.backdrop.side_pictures import SideScene, draw_side, side_ask

BROWN = np.array([0.75, 0.9, 1.0])
"""Codes of wood over those of grey: light of two to one, red to blue."""


def errors(scene, answer):
    true = scene.gaps()
    return {f.number: f.string_gap.value - true[f.number] for f in answer.frets if f.string_gap}


def shares(scene, answer):
    """Errors over U."""
    off = errors(scene, answer)
    return [abs(off[f.number]) / f.string_gap.expanded for f in answer.frets if f.string_gap]


def with_brown_wood(scene):
    """The scene drawn with its wood brown: where it is drawn otherwise when only the wood's tone is another."""
    grey, other = (draw_side(s).bgr.astype(float) for s in (scene, replace(scene, wood=scene.wood // 2)))
    share = np.clip((grey - other) / np.maximum(scene.wood / 2.0, 1.0), 0.0, 1.0)
    bgr = np.round(grey * (1.0 - share + share * BROWN)).clip(0, 255).astype(np.uint8)
    bgr.flags.writeable = False
    return replace(draw_side(scene), bgr=bgr)


@pytest.mark.slow
def test_ends_as_bright_as_the_wood_are_told_by_colour():
    scene = SideScene(face=120, metal=95, wood=120, seed=21)
    ask = side_ask(scene)
    assert not measure(draw_side(scene), ask).frets
    answer = measure(with_brown_wood(scene), ask)
    assert set(errors(scene, answer)) == set(scene.numbers)
    assert all(
        abs(e) < f.string_gap.expanded for f, e in zip(answer.frets, errors(scene, answer).values(), strict=True)
    )


@pytest.mark.slow
def test_wood_as_bright_as_the_card_ends_it_in_blue_light():
    scene = SideScene(wood=245, seed=22)
    found = errors(scene, measure(with_brown_wood(scene), side_ask(scene)))
    assert set(found) == set(scene.numbers)
    assert max(map(abs, found.values())) < 0.06


@pytest.mark.parametrize("under", rest_slow([[-0.2, 0.9], [0.0, 0.6], [-0.1, 0.6]]), ids=str)
def test_a_foot_that_a_string_hides_at_one_end_goes_on_straight(under):
    """Read off what is left of it, or not at all: the string's own line is not taken for it."""
    scene = SideScene(under=under, seed=23)
    answer = measure(draw_side(scene), side_ask(scene))
    assert answer.frets or any("backdrop's foot" in n.reason for n in answer.not_measured)
    assert max(shares(scene, answer), default=0.0) < 1.0
    if under[1] - under[0] > 0.8:
        assert set(errors(scene, answer)) == set(scene.numbers)


@pytest.mark.parametrize("behind", rest_slow([1.0, 2.0, 4.8]))
def test_a_card_is_found_where_it_stands_asked_for_or_not(behind):
    """Asked for at 1 to 2 mm; one pushed back to the next string is believed to stand where the ends' spacing says."""
    scene = SideScene(behind=behind, under=(1.6, 1.9), seed=24)
    answer = measure(draw_side(scene), side_ask(scene))
    off = answer.checks["behind_string_mm"] - scene.behind
    assert abs(off) < 2.0 * answer.checks["behind_string_mm_u"] < 1.2
    assert all(
        abs(e) < f.string_gap.expanded for f, e in zip(answer.frets, errors(scene, answer).values(), strict=True)
    )


def test_a_line_that_the_ends_run_across_is_no_foot():
    """A string's own line, 0.4 mm higher at one side of the card: gaps would be as much too short there."""
    scene = SideScene(seed=25)
    photo, ask = draw_side(scene), side_ask(scene)
    detected = side.detect(photo, *calibrate(photo, ask), ask)
    assert len(side.measure_detected(detected, ask).frets) == scene.frets
    tilted = replace(detected, seen=tuple(replace(s, crown=s.crown + 0.4 * (s.at / 46.0 - 1.0)) for s in detected.seen))
    answer = side.measure_detected(tilted, ask)
    assert not answer.frets
    assert any("do not run along" in n.reason for n in answer.not_measured)


@pytest.mark.parametrize(
    ("tones", "thick"), rest_slow([((110, 225, 225, 225, 40), 0.35), ((90, *[225] * 5, 60), 0.25)])
)
def test_a_string_that_mirrors_the_card_is_not_taken_for_card_and_its_upper_rim_for_the_string(tones, thick):
    """It hides the foot; its thin upper rim and the dark rest of it have as much white between them as card would."""
    scene = SideScene(
        under=(-0.02, -0.03), string=thick, string_tones=tones, focal_px=5400.0, noise=0.7, seed=41
    )  # gaps were read 0.33 to 0.42 mm too large
    photo, ask = draw_side(scene), side_ask(scene)
    detected = side.detect(photo, *calibrate(photo, ask), ask)
    assert isinstance(detected.lines, str) or detected.lines.covered
    answer = side.measure_detected(detected, ask)
    found = shares(scene, answer)
    assert len(found) == scene.frets
    assert max(found) < 1.0
