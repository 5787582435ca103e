"""What a photo is proposed to be before it is measured: its view by its scale, its first fret by the spacing."""

import cv2
import numpy as np
import pytest

from calib.photo import open_photo, read_photo
from inspect_app.demo import ask_of
from inspect_app.measure import calibrate, first_fret
from inspect_app.measure.which_view import likely_view
from inspect_app.reading.ask import Ask
from sample_images import SCENARIO, photos
from tests.inspect_app.conftest import noise_jpeg, strip_photo
from tests.inspect_app.measure.backdrop.side_pictures import SideScene, draw_side

PLANS = [s for s in photos() if s.view == "plan"]


def opened(sample):
    return open_photo(read_photo(sample.path), sample.path.name)


@pytest.mark.slow
def test_each_sample_photo_tells_its_view():
    told = {s.path.name: likely_view(opened(s)) for s in photos()}
    assert told == {s.path.name: s.view for s in photos()}
    assert set(told.values()) == {"plan", "elevation", "end", "section", "side"}


@pytest.mark.slow
@pytest.mark.parametrize("scene", [SideScene(), SideScene(wood=200), SideScene(card=120, wood=115)])
def test_a_card_on_the_crowns_is_a_photo_across_the_neck(scene):
    assert likely_view(draw_side(scene)) == "side"


def test_a_photo_without_a_printed_scale_tells_nothing():
    assert likely_view(open_photo(noise_jpeg(size=(600, 800)), "a.jpg")) is None


@pytest.mark.slow
def test_strip_and_backdrop_in_one_photo_tell_nothing():
    both = cv2.imdecode(np.frombuffer(strip_photo(), np.uint8), cv2.IMREAD_GRAYSCALE)
    card = draw_side(SideScene()).gray[:700, :1300]
    height = both.shape[0] + card.shape[0]
    pixels = np.full((height, 1300), 150, np.uint8)
    pixels[: both.shape[0]] = both
    pixels[both.shape[0] :, : card.shape[1]] = card
    assert likely_view(open_photo(cv2.imencode(".png", pixels)[1].tobytes(), "a.png")) is None


@pytest.mark.slow
@pytest.mark.parametrize("sample", PLANS, ids=lambda s: s.path.stem)
def test_the_spacing_tells_the_first_fret_of_the_sample_photos(sample):
    photo, asked = opened(sample), ask_of(sample)
    ask = Ask("plan", asked.scale, asked.scale_plane, scale_length=SCENARIO.scale_length)
    seen = first_fret(photo, ask, calibrate(photo, ask))
    assert seen.numbers == (asked.first_fret,)
    numbers = [asked.first_fret + step for step in seen.steps]
    true = {f["n"]: f["x"] for f in sample.truth["frets"]}
    assert set(numbers) <= set(true)
    middles = [np.mean(line, axis=0)[0] for line in seen.lines]
    places = [true[n] for n in numbers]
    assert np.corrcoef(middles, places)[0, 1] > 0.999  # each line on its own fret
    unknown = first_fret(photo, Ask("plan", asked.scale, asked.scale_plane), calibrate(photo, ask))
    assert unknown.numbers == ()
    assert len(unknown.lines) == len(seen.lines)
