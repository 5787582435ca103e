"""Each page driven from the entry script: what it shows, what it does, and what it says when something is wrong."""

import dataclasses

import pytest
from streamlit.testing.v1 import AppTest

from inspect_app.reading.ask import Ask
from inspect_app.reading.quantities import one_of
from inspect_app.services import (
    ChosenStage,
    InstrumentDetails,
    JobDetails,
    Stage,
    add_photo,
    create_job,
    features,
    find_jobs,
    get_setting,
    hand_measures,
    job_view,
    judge_all,
    left_to_decide,
    measure_photo,
    put_setting,
    readings,
    update_job,
    wait_for_queue,
)
from inspect_app.ui import server
from inspect_app.ui.page_frame import STEPS
from shared.errors import StoreError
from tests.conftest import rest_slow
from tests.inspect_app.conftest import full_answer, measure_with, noise_jpeg, strip_photo
from tests.inspect_app.ui.conftest import APP, open_page, send

pytestmark = [pytest.mark.filterwarnings("ignore::DeprecationWarning"), pytest.mark.usefixtures("served")]


@pytest.fixture
def sharp(store, job, monkeypatch):
    """A measured photo with nothing doubtful about it as a whole."""
    measure_with(monkeypatch, lambda p, ask: dataclasses.replace(full_answer(p.name, p.sha256, ask), flags=()))
    photo = add_photo(store, job, noise_jpeg(), "a.jpg").photo
    measure_photo(store, photo.id, Ask("plan", scale_length=640.0))
    return photo


def words(at):
    parts = (*at.title, *at.header, *at.markdown, *at.caption, *at.info, *at.error, *at.success)
    return " ".join(str(p.value) for p in parts)


def press(at, key):
    at.button(key=key).click()
    at.run()
    measured_by_now(at)


def measured_by_now(at):
    """Whatever was put into the queue is measured, and the page shows it."""
    assert not at.exception, at.exception
    if any(b.key == "stop-measuring" for b in at.button):
        assert wait_for_queue(server.store())
        at.run()
        assert not at.exception, at.exception


def field(at, label):
    return next(w for w in (*at.text_input, *at.number_input, *at.text_area) if w.label == label)


def test_an_empty_list_says_what_to_do(store):
    at = AppTest.from_file(APP, default_timeout=60).run()
    assert not at.exception
    assert "start the first above" in words(at)


@pytest.mark.slow
def test_a_new_job_is_made_once(store):
    at = AppTest.from_file(APP, default_timeout=60).run()
    field(at, "Customer (needed)").set_value("Riverside Players")
    field(at, "Scale length, mm").set_value("25.5 in")
    at.button[0].click()
    at.run()
    assert not at.exception, at.exception
    made = find_jobs(store, "riverside").rows
    assert len(made) == 1
    assert job_view(store, made[0].id).details.instrument.scale_length == pytest.approx(647.7)


def test_a_job_without_customer_says_what_is_missing(store):
    at = AppTest.from_file(APP, default_timeout=60).run()
    at.button[0].click()
    at.run()
    assert "has no customer" in words(at)
    assert find_jobs(store).total == 0


def test_the_list_is_searched_and_shows_names_as_typed(store):
    create_job(store, JobDetails("*Bold* [link](http://x.example)"))
    create_job(store, JobDetails("Somebody else"))
    at = AppTest.from_file(APP, default_timeout=60).run()
    at.text_input(key="jobs-query").set_value("bold")
    at.run()
    labels = [link.proto.label for link in at.get("page_link")]
    assert any("\\*Bold\\*" in label for label in labels)
    assert not any("Somebody" in label for label in labels)


@pytest.mark.parametrize("step", rest_slow(STEPS), ids=lambda s: s.file)
def test_every_page_of_an_empty_job_says_what_to_do(store, step):
    empty = create_job(store, JobDetails("Riverside Players"))
    at = open_page(step.file, empty)
    assert at.title
    assert at.info or at.error or at.get("page_link")


@pytest.mark.parametrize("step", STEPS, ids=lambda s: s.file)
def test_every_page_of_a_measured_job_opens(job, measured, step):
    at = open_page(step.file, job)
    assert at.title


@pytest.mark.parametrize("job_id", ["999", "abc"])
def test_a_job_that_is_not_there_leads_back(store, job_id):
    at = open_page("job.py", job_id)
    assert "Choose one from the list" in words(at)


def test_a_store_that_cannot_be_opened_says_why(monkeypatch):
    def refuse():
        raise StoreError("The data folder is read-only.", "Choose another folder with --data.")

    monkeypatch.setattr(server, "store", refuse)
    at = AppTest.from_file(APP, default_timeout=60).run()
    assert not at.exception
    assert "read\\-only" in words(at)


def test_the_job_page_tells_the_one_next_thing(job, measured):
    assert "Review the readings" in words(open_page("job.py", job))


def test_details_changed_elsewhere_are_not_overwritten(store, job):
    at = open_page("job.py", job, fold="details")
    there = job_view(store, job)
    update_job(store, job, dataclasses.replace(there.details, customer="Changed elsewhere"), there.revision)
    button = next(b for b in at.button if b.label == "Keep these details")
    button.click()
    at.run()
    assert job_view(store, job).details.customer == "Changed elsewhere"


@pytest.mark.slow
def test_the_unit_is_the_shops_choice_and_stays(store, job, measured):
    at = open_page("readings.py", job)
    next(g for g in at.button_group if g.key == "length-unit").set_value(["inch"])
    at.run()
    assert get_setting(store, "length") == {"unit": "inch"}
    assert "thou" in words(open_page("readings.py", job))


def features_left(store, job):
    return [f for f in features(store, job) if f.left]


def test_a_feature_is_decided_as_a_whole_and_the_next_along_the_board_follows(store, job, measured):
    at = open_page("readings.py", job)
    first, second = features_left(store, job)[:2]
    assert one_of(first.key)[1:] in words(at)
    shown = [r.reading.key.quantity or r.reading.quantity for r in first.readings]
    assert all(f"{label}: **" in words(at) for label in shown)
    press(at, "accept")
    assert {r.verdict for f in features(store, job) if f.key == first.key for r in f.readings} == {"accept"}
    assert one_of(second.key)[1:] in words(at)
    press(at, "undo-last")
    assert features_left(store, job)[0].key == first.key
    assert one_of(first.key)[1:] in words(at)


@pytest.mark.slow
def test_a_rejection_wants_a_reason(store, job, measured):
    at = open_page("readings.py", job)
    first = features_left(store, job)[0]
    press(at, "start-reject")
    press(at, "reject")
    assert "needs a reason" in words(at)
    press(at, "start-reject")
    at.text_input(key="reject-reason").set_value("a scratch, not wear")
    press(at, "reject")
    said = {(r.verdict, r.reason) for f in features(store, job) if f.key == first.key for r in f.readings}
    assert said == {("reject", "a scratch, not wear")}


def test_a_quick_reason_rejects_what_is_picked(store, job, measured):
    at = open_page("readings.py", job, reading="fret 4, crown", photo=str(measured.id))
    press(at, "start-reject")
    at.button_group(key="reject-of").set_value(["crown height"])
    press(at, "reject-2")
    said = {r.reading.key.feature: (r.verdict, r.reason) for r in readings(store, job) if r.reading.key.fret == 4}
    assert said["crown height"] == ("reject", "Glare or shadow")
    assert said["crown width"] == ("open", "")


@pytest.mark.slow
def test_all_sure_ones_are_accepted_at_once_and_taken_back(store, job, sharp):
    at = open_page("readings.py", job)
    sure = [f.key for f in features(store, job) if all(r.sure for r in f.readings)]
    assert sure
    press(at, "accept-sure")
    assert [f.key for f in features(store, job) if f.verdict == "accept"] == sure
    assert f"{len(sure)} accepted" in at.toast[0].value
    press(at, "undo-last")
    assert all(f.verdict == "open" for f in features(store, job))


@pytest.mark.slow
def test_all_with_one_doubt_are_accepted_at_once_and_no_others(store, job, sharp):
    at = open_page("readings.py", job)
    at.selectbox(key="doubt").set_value("WIDE")
    at.run()
    wanted = [f.key for f in features(store, job) if f.doubts == ("WIDE",)]
    assert wanted
    press(at, "accept-doubt")
    assert [f.key for f in features(store, job) if f.verdict == "accept"] == wanted


@pytest.mark.slow
def test_a_feature_stays_in_the_address(store, job, measured):
    at = open_page("readings.py", job)
    press(at, "next")
    second = features_left(store, job)[1]
    assert at.query_params["reading"] == str(second.key)
    assert at.query_params["photo"] == str(measured.id)


def test_what_is_left_is_counted_by_feature(store, job, measured):
    before = left_to_decide(store, job)
    assert (before.features, before.readings) == (len(features(store, job)), len(readings(store, job)))
    judge_all(store, features(store, job)[0].readings, "accept")
    assert left_to_decide(store, job).features == before.features - 1


def test_a_link_opens_its_reading(job, measured):
    at = open_page("readings.py", job, reading="fret 4, crown height", photo=str(measured.id))
    assert "Fret 4, crown" in words(at)
    assert "crown height: **" in words(at)


def test_the_viewer_gets_the_photo_and_its_handles(job, measured):
    at = open_page("readings.py", job, reading="fret 4, flats 1, length", photo=str(measured.id))
    sent = at.get("bidi_component")[0].proto.json
    assert f"/photo/{measured.sha256}/preview.jpg" in sent
    assert "fret 4, flats 1, bass end 0" in sent


def submit(at, label):
    send(at, label)
    measured_by_now(at)


@pytest.mark.slow
def test_a_coin_without_its_diameter_is_asked_for(job, measured, fake_measuring):
    asked = len(fake_measuring)
    at = open_page("photos.py", job, changing=measured.id)
    at.selectbox(key=f"ask-{measured.id}-scale").set_value("coin")
    at.run()
    submit(at, "Measure it again")
    assert "coin's diameter" in words(at)
    at.text_input(key=f"ask-{measured.id}-coin-mm").set_value("24,26")
    at.run()
    submit(at, "Measure it again")
    assert len(fake_measuring) == asked + 1
    assert fake_measuring[-1].scale.diameter_mm == 24.26


@pytest.mark.slow
def test_a_refused_photo_says_why(store, job):
    photo = add_photo(store, job, noise_jpeg(), "a.jpg").photo
    measure_photo(store, photo.id, Ask("plan"))
    said = words(open_page("photos.py", job))
    assert "nothing measured" in said
    assert "No photo gave a reading" in words(open_page("readings.py", job))


def test_the_wear_map_has_a_cell_for_every_string(job, measured):
    at = open_page("wear_map.py", job)
    page = at.get("html")
    tables = [h.proto.body for h in page if "<table>" in h.proto.body]
    assert len(tables) == 1
    assert tables[0].count("<td") == 20 * 6


def test_a_wear_map_without_scale_length_says_what_to_write(store):
    bare = create_job(store, JobDetails("Riverside Players", instrument=InstrumentDetails(frets=20)))
    assert "does not say the scale length" in words(open_page("wear_map.py", bare))


def test_a_distance_by_hand_is_kept_with_its_uncertainty(store, job):
    photo = add_photo(store, job, strip_photo(), "strip.png", "finding").photo
    at = open_page("by_hand.py", job)
    at.session_state[f"marked-{photo.id}-distance"] = ((100.0, 300.0), (500.0, 300.0))
    at.run()
    assert not at.exception, at.exception
    press(at, "hand-keep")
    kept = hand_measures(store, photo.id)
    assert len(kept) == 1
    assert kept[0].result.value == pytest.approx(50.0, abs=0.5)  # drawn at 8 pixels to the millimetre
    assert kept[0].result.by_hand


def test_a_finding_keeps_its_note_and_category(store, job):
    at = open_page("findings.py", job)
    at.file_uploader[0].set_value([("chip.jpg", noise_jpeg(4), "image/jpeg")])
    at.run()
    at.text_area(key="finding-note-0").set_value("chip at the seventh fret")
    press(at, "finding-keep")
    found = [p for p in job_view(store, job).photos if p.view == "finding"]
    assert [p.note for p in found] == ["chip at the seventh fret"]


def test_the_phone_code_is_shown_only_on_the_network(job, monkeypatch):
    assert "answer this computer alone" in words(open_page("job.py", job))
    monkeypatch.setattr(server, "settings", lambda: server.Settings(lan=True, passcode="pear-tree-9", port=8123))
    said = words(open_page("job.py", job))
    assert f":8123/photos?job={job}" in said


def test_what_was_agreed_is_said_in_the_unit_of_what_was_measured(store, job, fake_measuring):
    photo = add_photo(store, job, noise_jpeg(), "a.jpg", "plan", "after").photo
    measure_photo(store, photo.id, Ask("plan", scale_length=640.0))
    assert " mm" in open_page("after_work.py", job).table[0].value.to_string()
    put_setting(store, "length", {"unit": "inch"})
    shown = open_page("after_work.py", job).table[0].value.to_string()
    assert "thou" in shown
    assert " mm" not in shown


@pytest.mark.slow
def test_a_job_is_closed_and_archived_on_its_page(store, job, measured):
    at = open_page("job.py", job)
    at.selectbox(key=f"stands-{job}").set_value(Stage.CLOSED)
    at.run()
    assert job_view(store, job).stage is Stage.CLOSED
    press(at, "archive")
    assert job_view(store, job).chosen_stage == ChosenStage(Stage.CLOSED, archived=True)
    assert "No jobs yet" in words(AppTest.from_file(APP, default_timeout=60).run())
    press(open_page("job.py", job), "archive")
    assert not job_view(store, job).chosen_stage.archived
