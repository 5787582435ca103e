"""What was done on a page is said, and taken back there; never over what somebody changed since."""

import pytest

from inspect_app.services import (
    BY_HAND,
    ChosenStage,
    add_photo,
    job_view,
    photo_view,
    update_job,
)
from inspect_app.services.deciding import decide
from inspect_app.services.estimating import draft, estimates, issue_estimate
from inspect_app.services.gauge_readings import gauge_readings
from tests.inspect_app.conftest import noise_jpeg
from tests.inspect_app.ui.conftest import open_page, send

pytestmark = pytest.mark.usefixtures("served")


def undo(at):
    at.button(key="undo-corner").click().run()
    assert not at.exception, at.exception
    return " ".join(t.value for t in at.toast), " ".join(e.value for e in at.error)


@pytest.fixture
def photo(store, job):
    return add_photo(store, job, noise_jpeg(), "a.jpg").photo


def test_before_anything_is_done_there_is_nothing_to_take_back(job):
    assert "undo-corner" not in [b.key for b in open_page("job.py", job).button]


def test_archiving_and_standing_are_taken_back_the_last_first(store, job):
    at = open_page("job.py", job)
    at.button(key="archive").click().run()
    assert "takes it back" in at.toast[0].value
    at.selectbox(key=f"stands-{job}").select(BY_HAND[0]).run()
    assert job_view(store, job).chosen_stage == ChosenStage(BY_HAND[0], True)
    said, _ = undo(at)
    assert "Undone" in said
    assert job_view(store, job).chosen_stage == ChosenStage(None, True)
    undo(at)
    assert job_view(store, job).chosen_stage == ChosenStage()
    assert "undo-corner" not in [b.key for b in at.button]


@pytest.mark.slow
def test_details_another_window_changed_since_are_left_alone(store, job):
    at = open_page("job.py", job, fold="details")
    next(t for t in at.text_area if t.label == "Asked for").set_value("a dress")
    send(at, "Keep these details")
    details = job_view(store, job).details
    update_job(store, job, details.__class__(**{f: getattr(details, f) for f in details.__slots__} | {"contact": "x"}))
    _, refused = undo(at)
    assert "changed again since" in refused
    assert job_view(store, job).details.asked_for == "a dress"


@pytest.mark.slow
def test_a_photo_moved_and_taken_out_is_back_where_it_was(store, job, photo):
    at = open_page("photos.py", job, looked_at=photo.id, changing=photo.id)
    at.selectbox(key=f"visit-of-{photo.id}-{photo.visit.label}").select("after").run()
    assert photo_view(store, photo.id).visit.label == "after"
    at.button(key=f"out-{photo.id}").click().run()
    assert not job_view(store, job).photos
    undo(at)
    assert [p.id for p in job_view(store, job).photos] == [photo.id]
    undo(at)
    assert photo_view(store, photo.id).visit.label == photo.visit.label


@pytest.mark.slow
def test_a_finding_changed_is_as_it_was(store, job):
    chip = add_photo(store, job, noise_jpeg(9), "chip.jpg", "finding", note="chip").photo
    at = open_page("findings.py", job)
    next(t for t in at.text_area if t.key == f"note-finding-{chip.id}-0").set_value("crack")
    send(at, "Keep")
    assert photo_view(store, chip.id).note == "crack"
    undo(at)
    assert photo_view(store, chip.id).note == "chip"


@pytest.mark.slow
def test_terms_limits_heights_and_gauges_are_as_they_were(store, worn_job):
    before = decide(store, worn_job).terms
    at = open_page("options.py", worn_job, fold="limits")
    at.number_input(key=f"limits-{worn_job}-0-crown_height-mm").set_value(0.95)
    send(at, "Keep for this instrument")
    at.number_input[0].set_value(20.0)
    send(at, "Keep wire, bevel and option")
    assert decide(store, worn_job).terms.bevel_deg == 20.0
    undo(at)
    undo(at)
    assert decide(store, worn_job).terms == before
    at = open_page("wear_map.py", worn_job, fold="gauge")
    at.selectbox(key="gauge-what").select("treble end lifted").run()
    at.text_input[-1].input("0.2")
    send(at, "Write it down")
    assert len(gauge_readings(store, worn_job, "intake")) == 1
    undo(at)
    assert not gauge_readings(store, worn_job, "intake")


@pytest.mark.slow
def test_a_line_taken_out_comes_back_until_the_estimate_is_issued(store, worn_job):
    view = draft(store, worn_job)
    at = open_page("estimate.py", worn_job)
    next(b for b in at.button if b.label == "Take this line out").click().run()
    assert estimates(store, worn_job)[0].estimate.lines == view.estimate.lines[1:]
    undo(at)
    assert estimates(store, worn_job)[0].estimate.lines == view.estimate.lines
    next(b for b in at.button if b.label == "Take this line out").click().run()
    issue_estimate(store, view.id)
    _, refused = undo(at)
    assert "issued" in refused
    send(at, "Accepted")
    assert estimates(store, worn_job)[0].status == "accepted"
    undo(at)
    assert estimates(store, worn_job)[0].status == "issued"
