"""The shot list and the one sentence after each photo."""

from dataclasses import replace

import pytest

from inspect_app.reading.inspection import CameraSummary, FretReading, Inspection, PhotoSummary, SharpnessSummary
from inspect_app.reading.key import NotMeasured, on_fret, parse_key
from inspect_app.services import InstrumentDetails
from inspect_app.ui.howto import HOW, drawing
from inspect_app.ui.shot_list import (
    NEED_PX_PER_MM,
    VIEW_TEXT,
    Coverage,
    advice,
    advice_at_first_look,
    next_first_fret,
    ranges,
    shot_list_lines,
)
from shared.measured import Measured

CAMERA = CameraSummary(3000.0, "EXIF", 0.0, 400.0, 3.0, 12.0)


FRETS = (FretReading(3),)


def answer(view="plan", camera=CAMERA, frets=FRETS, **more):
    return Inspection(view, PhotoSummary("a", "0" * 64, 4000, 3000), "t", {}, frets, camera=camera, **more)


@pytest.mark.parametrize(
    ("numbers", "text"), [((), ""), ((4,), "4"), ((3, 1, 2), "1 to 3"), ((1, 2, 4, 7, 8, 9), "1 to 2, 4, 7 to 9")]
)
def test_ranges(numbers, text):
    assert ranges(numbers) == text


def test_the_list_names_the_frets_that_are_missing():
    have = Coverage({"plan": frozenset(range(1, 9))}, {"plan": 1})
    plan = shot_list_lines(have, InstrumentDetails(frets=20))[0]
    assert not plan.done
    assert "missing 9 to 20" in plan.text
    assert next_first_fret(have) == 9
    whole = Coverage({"plan": frozenset(range(1, 21))}, {"plan": 3})
    assert shot_list_lines(whole, InstrumentDetails(frets=20))[0].done


def test_a_section_is_wanted_only_while_the_wire_is_unknown():
    none = Coverage({}, {})
    known = InstrumentDetails(crown_width=2.3, crown_height=1.1)
    assert not shot_list_lines(none, InstrumentDetails())[3].done
    assert shot_list_lines(none, known)[3].done


def test_too_far_says_how_near():
    said = advice(answer(camera=replace(CAMERA, px_per_mm=6.0)))
    assert "6.0 pixels" in said
    assert f"{400 * 6 / NEED_PX_PER_MM:.0f} mm" in said


def sharp(blur, px_per_mm, flat, divot):
    return replace(CAMERA, px_per_mm=px_per_mm, sharpness=SharpnessSummary(0.19 / blur, 0.1, blur, flat, divot))


def test_a_sharp_photo_from_too_far_is_told_how_near():
    said = advice(answer(camera=sharp(0.9, 6.0, 0.49, 0.05)))
    assert said == "This photo shows flats from 0.49 mm, 0.3 wanted: go as near as 245 mm."


def test_a_soft_photo_from_near_enough_is_told_to_focus():
    said = advice(answer(camera=sharp(3.0, 25.0, 0.39, 0.03)))
    assert "shows flats from 0.39 mm, 0.3 wanted: its edges are spread over 6 pixels. Focus" in said


@pytest.mark.parametrize(
    ("view", "said"), [("plan", "flats from 0.12 mm"), ("elevation", "divots from 0.013 mm"), ("end", "edges to 0.013")]
)
def test_few_pixels_that_are_sharp_enough_will_do(view, said):
    assert said in advice(answer(view, sharp(0.7, 9.0 if view == "plan" else 24.0, 0.12, 0.013)))
    assert f"sharp enough for {said}" in advice_at_first_look(view, sharp(0.7, 9.0, 0.12, 0.013))


def test_a_scale_in_another_plane_says_by_how_much():
    said = advice(answer(flags=("SPACING_OFF",), checks={"spacing_ratio": 1.062}))
    assert "6.2 %" in said


def test_too_steep_says_what_does_not_show():
    blind = FretReading(5, blind_depth=Measured.of(0.04, "mm", pose=0.004))
    steep = answer("elevation", replace(CAMERA, px_per_mm=30.0, tilt_deg=9.0), (blind,), flags=("STEEP_VIEW",))
    said = advice(steep)
    assert "9°" in said
    assert "0.04 mm" in said


def test_a_leaning_camera_says_how_far():
    assert "18°" in advice(answer(camera=replace(CAMERA, tilt_deg=18.0)))


def test_too_steep_tells_the_elevation_over_the_board_not_the_lean_of_the_card():
    blind = FretReading(5, blind_depth=Measured.of(0.04, "mm", pose=0.004))
    near = replace(CAMERA, px_per_mm=30.0, tilt_deg=3.0)
    assert "9°" in advice(answer("elevation", near, (blind,), flags=("STEEP_VIEW",), checks={"elevation_deg": 9.2}))


def test_blur_is_told_in_millimetres_or_as_how_soft():
    near = replace(CAMERA, px_per_mm=30.0)
    assert "0.10 mm" in advice(answer("elevation", near, flags=("BLURRED",), checks={"blur_px": 3.0}))
    assert "2.6 times" in advice(answer(flags=("BLURRED",), checks={"softness": 2.6}))


def test_glare_is_told_by_its_share():
    assert "31 % of the crowns" in advice(answer(checks={"burnt_share": 0.312}))
    assert advice(answer(checks={"burnt_share": 0.1})).startswith("Good")


@pytest.mark.parametrize("view", ["elevation", "end", "section"])
def test_close_ups_want_more_pixels(view):
    said = advice(answer(view, replace(CAMERA, px_per_mm=20.0)))
    assert "20.0 pixels to the millimetre, 25 wanted: go as near as 320 mm" in said
    assert advice_at_first_look(view, replace(CAMERA, px_per_mm=20.0)) == said


def test_what_could_not_be_read_is_told_with_its_reason():
    one = (NotMeasured(on_fret(7, "divots"), "a divot shallower than 0.06 mm does not show from 7 degrees"),)
    near = replace(CAMERA, px_per_mm=30.0)
    assert "0.06 mm" in advice(answer("elevation", near, not_measured=one))
    assert "3 values" in advice(answer("elevation", near, not_measured=one * 3))


def test_the_first_sight_of_a_photo_has_a_number_too():
    assert advice_at_first_look("plan", CAMERA) == "Scale found: 12 pixels to the millimetre from 400 mm."
    assert "18°" in advice_at_first_look("plan", replace(CAMERA, tilt_deg=18.0))


def test_a_refusal_gives_its_reason():
    refused = answer(
        frets=(), camera=None, not_measured=(NotMeasured(parse_key("photo"), "the strip is cut off. Show all of it."),)
    )
    assert advice(refused) == "The strip is cut off. Show all of it."


def test_a_good_photo_is_called_good_with_a_number():
    assert advice(answer()).startswith("Good: 12 pixels")


def test_every_view_has_a_sentence_and_a_drawing():
    for view in VIEW_TEXT:
        assert HOW[view]
        assert drawing(view).startswith("<svg") or view == "finding"
