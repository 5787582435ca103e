"""The page of photos: taken in, asked about, moved, opened; driven from the entry script."""

import re
from datetime import date
from pathlib import Path

import pytest

import inspect_app.ui
from inspect_app.reading.ask import Ask, ScaleAsk
from inspect_app.services import (
    FirstFret,
    add_photo,
    hand_measures,
    job_view,
    measure_photo,
    new_sheet,
    prints,
    put_setting,
)
from inspect_app.ui.full_size_photo import LEGEND
from inspect_app.ui.waiting_photos import proposed
from sample_images import photos
from tests.inspect_app.conftest import noise_jpeg, strip_photo
from tests.inspect_app.ui.conftest import open_page
from tests.inspect_app.ui.test_pages import press, submit, words

pytestmark = [pytest.mark.filterwarnings("ignore::DeprecationWarning"), pytest.mark.usefixtures("served")]


@pytest.mark.slow
def test_photos_are_kept_from_the_page(store, job):
    at = open_page("photos.py", job)
    at.file_uploader[0].set_value([("one.jpg", noise_jpeg(1), "image/jpeg"), ("bad.jpg", b"nothing", "image/jpeg")])
    at.run()
    assert not at.exception, at.exception
    assert [p.name for p in job_view(store, job).photos] == ["one.jpg"]
    assert "not a picture this program can read" in words(at)


def test_a_photo_is_measured_from_its_first_fret(store, job, fake_measuring):
    photo = add_photo(store, job, noise_jpeg(), "a.jpg").photo
    at = open_page("photos.py", job, looked_at=photo.id)
    at.number_input(key=f"first-{photo.id}").set_value(7)
    at.run()
    press(at, "measure-all")
    assert fake_measuring[-1].first_fret == 7
    assert fake_measuring[-1].scale_length == 640.0


@pytest.mark.slow
def test_a_close_up_is_asked_which_end_it_shows(store, job, fake_measuring):
    photo = add_photo(store, job, noise_jpeg(), "a.jpg", "end").photo
    at = open_page("photos.py", job, looked_at=photo.id)
    at.number_input(key=f"first-{photo.id}").set_value(5)
    at.run()
    at.radio(key=f"end-{photo.id}").set_value("bass")
    at.run()
    press(at, "measure-all")
    assert (fake_measuring[-1].view, fake_measuring[-1].end) == ("end", "bass")


@pytest.mark.slow
@pytest.mark.parametrize("view", ["elevation", "end"])
def test_the_fret_in_focus_is_never_guessed(store, job, measured, fake_measuring, view):
    photo = add_photo(store, job, noise_jpeg(3), "b.jpg", view).photo
    at = open_page("photos.py", job, looked_at=photo.id, changing=photo.id)
    assert at.number_input(key=f"first-{photo.id}").value is None
    assert at.button(key="measure-all").disabled
    assert "never guessed" in words(at)
    submit(at, "Measure it")  # the longer form does not guess either
    assert "The fret in focus is not told yet" in words(at)
    assert job_view(store, job).photos[-1].inspection is None
    at.number_input(key=f"first-{photo.id}").set_value(5)
    at.run()
    press(at, "measure-all")
    assert (fake_measuring[-1].view, fake_measuring[-1].first_fret) == (view, 5)


def test_photos_after_the_work_start_at_the_nut_again(store, job, measured):
    photo = add_photo(store, job, noise_jpeg(3), "b.jpg", "plan", "after").photo
    at = open_page("photos.py", job, looked_at=photo.id)
    assert at.number_input(key=f"first-{photo.id}").value == 1


def test_a_photo_is_moved_to_another_visit_and_view(store, job, measured):
    at = open_page("photos.py", job, changing=measured.id)
    at.selectbox(key=f"visit-of-{measured.id}-{measured.visit.label}").set_value("after")
    at.run()
    moved = job_view(store, job).photos[0]
    assert (moved.visit.label, moved.view) == ("after", "plan")
    assert "is now: from above, visit after" in at.toast[0].value.replace("\\", "")


@pytest.mark.slow
def test_a_photo_with_another_scale_is_measured_by_it_at_once(store, job, fake_measuring):
    photo = add_photo(store, job, noise_jpeg(), "a.jpg").photo
    at = open_page("photos.py", job, looked_at=photo.id, changing=photo.id)
    at.selectbox(key=f"ask-{photo.id}-scale").set_value("rule")
    at.run()
    submit(at, "Measure it")
    assert [a.scale.kind for a in fake_measuring] == ["rule"]


@pytest.mark.slow
def test_a_wrong_photo_can_be_taken_out_before_it_is_measured(store, job):
    photo = add_photo(store, job, noise_jpeg(), "a.jpg").photo
    press(open_page("photos.py", job, changing=photo.id), f"out-{photo.id}")
    assert job_view(store, job).photos == ()
    assert [p.id for p in job_view(store, job).removed] == [photo.id]


@pytest.mark.slow
def test_a_photo_sent_from_a_phone_is_looked_at_when_the_page_first_shows_it(store, job):
    add_photo(store, job, noise_jpeg(), "a.jpg")  # in another window
    assert "No strip was found in the photo" in words(open_page("photos.py", job))


@pytest.mark.slow
def test_a_known_length_marked_on_the_photo_is_its_scale(job, measured, fake_measuring):
    at = open_page("photos.py", job, changing=measured.id)
    at.selectbox(key=f"ask-{measured.id}-scale").set_value("span")
    at.run()
    submit(at, "Measure it again")
    assert "mark both ends of the known length" in words(at)
    at.session_state[f"ask-{measured.id}-span"] = (10.0, 20.0, 140.0, 22.0)
    at.text_input(key=f"ask-{measured.id}-span-mm").set_value("2 in")
    at.run()
    submit(at, "Measure it again")
    assert fake_measuring[-1].scale == ScaleAsk("span", span_px=(10.0, 20.0, 140.0, 22.0), span_mm=50.8)


@pytest.mark.slow
def test_a_known_length_serves_measuring_by_hand(store, job):
    photo = add_photo(store, job, strip_photo(), "strip.png", "finding").photo
    at = open_page("by_hand.py", job)
    at.selectbox(key=f"hand-scale-{photo.id}").set_value("span")
    at.session_state[f"hand-span-{photo.id}"] = (100.0, 300.0, 900.0, 300.0)
    at.session_state[f"marked-{photo.id}-distance"] = ((100.0, 400.0), (500.0, 400.0))
    at.run()
    at.text_input(key=f"hand-span-{photo.id}-mm").set_value("100")
    at.run()
    assert not at.exception, at.exception
    press(at, "hand-keep")
    assert hand_measures(store, photo.id)[0].result.value == pytest.approx(50.0, abs=0.5)


def test_the_lines_of_a_photo_are_keyed_in_the_colours_they_are_drawn_in():
    ui = Path(inspect_app.ui.__file__).parent
    drawn = dict(re.findall(r"^\.(\w+) \{ stroke: (#\w+)", (ui / "viewer_assets/viewer-0.1.0.css").read_text(), re.M))
    keyed = dict(re.findall(r"\.key-(\w+)::after \{[^}#]*(#\w+)", (ui / "static/page.css").read_text()))
    assert {tone for tone, _ in LEGEND} == set(keyed)
    assert keyed == {tone: drawn[tone] for tone in keyed}


@pytest.mark.slow
def test_a_print_is_written_down_with_its_day_and_gauge_and_goes_with_the_next_photo(store, job, fake_measuring):
    photo = add_photo(store, job, noise_jpeg(5), "c.jpg").photo
    assert "check bar of the strip was not measured" in words(open_page("photos.py", job, looked_at=photo.id))
    at = open_page("shop.py", job)
    printed = [f"{what} on {paper} (PDF)" for what in ("Sheet", "Lens board") for paper in ("A4", "Letter")]
    assert [d.proto.label for d in at.get("download_button")] == printed
    bar = "Its check bar (nominal 100 mm) measures"
    next(t for t in at.text_input if t.label.startswith(bar)).set_value("9.95")
    submit(at, "Keep this print")
    assert "can't be right" in words(at)
    assert prints(store) == ()
    next(t for t in at.text_input if t.label.startswith(bar)).set_value("99.5")
    next(t for t in at.text_input if t.label == "With").set_value("calliper no. 2")
    next(d for d in at.date_input if d.label == "Measured on").set_value(date(2026, 11, 3))
    submit(at, "Keep this print")
    assert {(p.kind, p.factor, p.note) for p in prints(store)} == {
        (kind, 0.995, "2026-11-03, calliper no. 2") for kind in ("strip", "backdrop", "tongue")
    }
    at = open_page("photos.py", job, looked_at=photo.id)
    assert "was not measured" not in words(at)
    press(at, "measure-all")
    assert fake_measuring[-1].scale.factor == 0.995


@pytest.mark.slow
def test_a_numbered_sheet_gets_its_bar_and_one_at_98_per_cent_is_found_out(store, job):
    new_sheet(store)
    at = open_page("shop.py", job)
    assert "The sheet with no. 1, 2 and 3" in next(s for s in at.selectbox if s.label == "Which scale").options
    next(t for t in at.text_input if t.label.startswith("Its check bar")).set_value("98.0")
    next(t for t in at.text_input if t.label == "With").set_value("calliper no. 2")
    submit(at, "Keep this print")
    assert {(p.id, p.factor, p.verified) for p in prints(store)} == {(n, 0.98, True) for n in (1, 2, 3)}
    assert all(p.note.endswith(", calliper no. 2") for p in prints(store))
    assert any("2.0 % off" in w.value for w in open_page("shop.py", job).warning)


def seen(numbers, steps=(0, 1, 3)):
    lines = tuple(((10.0 + 30.0 * k, 100.0), (12.0 + 30.0 * k, 20.0)) for k in steps)
    return FirstFret(numbers, steps, lines)


@pytest.mark.parametrize(
    ("frets", "number", "said"),
    [
        (seen((6,)), 6, "Proposed from the spacing: frets 6 to 7, 9."),
        (seen((6, 7)), None, "The spacing fits a first whole fret 6 or 7"),
        (seen(()), 3, "the spacing does not tell"),
        (None, 3, "the first fret that no photo of this visit shows yet"),
    ],
)
def test_the_first_fret_is_proposed_with_its_reason(frets, number, said):
    first, why = proposed(frets, 3)
    assert first == number
    assert said in why


def test_a_proposed_first_fret_has_its_picture_beside_it_and_its_numbers_follow_the_field(store, job, fake_measuring):
    photo = add_photo(store, job, noise_jpeg(), "a.jpg").photo
    at = open_page("photos.py", job, looked_at=photo.id, frets=seen((6, 7)))
    assert any("not numbered yet" in str(i.proto) for i in at.get("image"))
    assert at.button(key="measure-all").disabled
    at.number_input(key=f"first-{photo.id}").set_value(7)
    at.run()
    assert any("frets numbered 7 to 10" in str(i.proto) for i in at.get("image"))


@pytest.mark.slow
def test_a_view_told_wrongly_is_corrected_with_a_tap_and_no_number_stays(store, job, measured):
    photo = add_photo(store, job, noise_jpeg(3), "b.jpg").photo
    at = open_page("photos.py", job, looked_at=photo.id)
    assert at.number_input(key=f"first-{photo.id}").value is not None
    pills = next(b for b in at.button_group if b.key == f"shows-{photo.id}-plan")
    pills.set_value("elevation")
    at.run()
    assert not at.exception, at.exception
    assert job_view(store, job).photos[-1].view == "elevation"
    assert at.number_input(key=f"first-{photo.id}").value is None


@pytest.mark.slow
def test_a_drop_of_mixed_views_is_told_apart(store, job):
    at = open_page("photos.py", job)
    files = [(s.path.name, s.path.read_bytes(), "image/jpeg") for s in photos() if s.visit == "intake"][-3:]
    at.file_uploader[0].set_value([*files, ("none.jpg", noise_jpeg(4), "image/jpeg")])
    at.run()
    assert not at.exception, at.exception
    kept = {p.name: p.view for p in job_view(store, job).photos}
    assert kept == {name: name.split("-")[1].removesuffix(".jpg") for name, _, _ in files} | {"none.jpg": "plan"}
    labels = [b.label for b in at.button_group]
    assert "It shows, by its scale" in labels
    assert "It shows (no scale tells it: assumed)" in labels


@pytest.mark.slow
def test_hundreds_of_measured_photos_come_some_at_a_time(store, job, fake_measuring):
    names = [f"n{i:02}.jpg" for i in range(14)]
    for i, name in enumerate(names):
        measure_photo(store, add_photo(store, job, noise_jpeg(50 + i), name).photo.id, Ask("plan", scale_length=640.0))
    at = open_page("photos.py", job)
    there = [name for name in names if name.replace(".", "\\.") in words(at)]
    assert there == names[2:]
    press(at, "show-more")
    assert [name for name in names if name.replace(".", "\\.") in words(at)] == names


def test_what_a_photo_wants_is_said_in_the_shops_unit(store, job):
    photo = add_photo(store, job, noise_jpeg(), "a.jpg").photo
    put_setting(store, "length", {"unit": "inch"})
    at = open_page("photos.py", job, looked_at=photo.id)
    at.session_state[f"sight-{photo.id}"] = "Go nearer: from 254 mm a flat of 0.254 mm shows."
    at.run()
    assert "Go nearer: from 10.00 in a flat of 10.00 thou shows." in words(at).replace("\\", "")
