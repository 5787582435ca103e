"""The shop's lens profiles: tried, kept, retired, found by a photo's EXIF and distance."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import sample_images
from calib.lens_board import Board
from calib.lens_profile import LensProfile, holds_for
from calib.photo import PROFILE, open_photo
from inspect_app import services
from inspect_app.measure import calibrate
from inspect_app.reading.ask import Ask, ScaleAsk
from inspect_app.services.lenses import keep_lens, lenses, lenses_in_use, retire_lens, try_lens
from shared.errors import OptionError

PHOTO = Path(sample_images.__file__).with_name("intake-plan-1.jpg")
MINE = LensProfile(
    "phone", 2.584, 1e-3, -0.02, 2e-3, 0.1, 12, u_centre=1e-3, nearest_mm=300.0, farthest_mm=450.0, shape=4 / 3,
    camera="Bench Sample", focal_35mm=93.0,
)  # fmt: skip


@pytest.fixture(scope="module")
def photo():
    return open_photo(PHOTO.read_bytes(), PHOTO.name)


def test_a_photo_is_measured_with_the_profile_its_exif_and_distance_speak_for(photo):
    ask = Ask("plan", ScaleAsk("strip"))
    plain = calibrate(photo, ask)[1]
    other, far = replace(MINE, camera="Another"), replace(MINE, nearest_mm=900.0, farthest_mm=1000.0)
    nameless = replace(MINE, camera="", focal_35mm=None)
    assert [holds_for(p, photo, plain.distance_mm) for p in (MINE, other, far, nameless)] == [True, False, False, False]
    unmoved = calibrate(photo, replace(ask, lenses=(other, far, nameless)))[1]
    assert unmoved.focal_px == plain.focal_px
    held = calibrate(photo, replace(ask, lenses=(other, MINE)))[1]
    named = calibrate(photo, replace(ask, lens=MINE))[1]
    assert held.focal_px == pytest.approx(named.focal_px)
    assert held.focal_px != plain.focal_px
    with pytest.raises(OptionError, match="was made for Another"):
        calibrate(photo, replace(ask, lens=other, lenses=(MINE,)))  # named by a person: said, not replaced


@pytest.mark.slow
def test_the_answer_says_that_a_profile_was_used(photo):
    from inspect_app.measure import measure

    answer = measure(photo, Ask("plan", ScaleAsk("strip"), scale_length=630.0, lenses=(MINE,)))
    assert answer.camera.focal_source == PROFILE
    assert "LENS_UNCONFIRMED" not in answer.flags
    assert Ask.from_dict(answer.options).lenses == (MINE,)


def test_profiles_are_kept_and_go_with_the_next_question_until_retired(store, make_jpeg):
    job = services.create_job(store, services.JobDetails(customer="A", instrument=services.InstrumentDetails("B")))
    photo = services.add_photo(store, job, make_jpeg(1), "a.jpg").photo
    first, second = keep_lens(store, MINE), keep_lens(store, replace(MINE, name="phone, close"))
    assert [v.name for v in lenses(store)] == ["phone, close", "phone"]
    assert services.suggested_ask(store, photo.id).lenses == (second.profile, first.profile)
    retire_lens(store, second.id)
    assert lenses_in_use(store) == (MINE,)
    with pytest.raises(OptionError, match="no lens profile 9"):
        retire_lens(store, 9)


def test_photos_that_do_not_do_are_told_one_by_one(make_jpeg):
    tried = try_lens([("a.jpg", make_jpeg(1)), ("b.txt", b"not a photo")], "phone", Board())
    assert tried.profile is None
    assert "8 are needed" in tried.refusal
    (a, of_a), (b, of_b) = tried.photos
    assert (a, b) == ("a.jpg", "b.txt")
    assert "too little of the board" in of_a
    assert "b.txt" in of_b
    assert any("more photos of the board are needed" in s for s in tried.advice)


def test_a_check_of_photos_without_the_board_says_so(make_jpeg):
    tried = try_lens([("a.jpg", make_jpeg(1))], "", Board(), MINE)
    assert (tried.profile, tried.holds) == (None, None)
    assert "None of the photos shows enough of the board" in tried.refusal
