"""What was done on a page is said, and taken back there; never over what somebody changed since."""

import pytest

from inspect_app.services import (
    BY_HAND,
    ChosenStage,
    add_photo,
    check_store,
    job_view,
    photo_view,
    update_job,
    wait_for_queue,
)
from inspect_app.services.deciding import decide
from inspect_app.services.estimating import accept_estimate, draft, estimates, issue_estimate
from inspect_app.services.gauge_readings import gauge_readings
from inspect_app.services.heights import fret_work, job_before, record_work
from tests.inspect_app.conftest import noise_jpeg
from tests.inspect_app.ui.conftest import open_page, send

pytestmark = pytest.mark.usefixtures("served")


def undo(at):
    at.button(key="undo-corner").click().run()
    assert not at.exception, at.exception
    return " ".join(t.value for t in at.toast), " ".join(e.value for e in at.error)


def switched(at, file):
    """The same window on another page of the job."""
    at.switch_page(f"app_pages/{file}").run()
    assert not at.exception, at.exception
    return at


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


@pytest.mark.slow
def test_work_and_the_job_before_are_as_they_were(store, worn_job, job):
    made = record_work(store, worn_job, "intake", "levelled", (1, 2))
    at = open_page("options.py", worn_job, fold="work")
    at.button(key=f"work-{made.id}").click().run()
    assert not fret_work(store, worn_job)
    undo(at)
    assert [w.id for w in fret_work(store, worn_job)] == [made.id]
    next(n for n in at.number_input if "was here before" in n.label).set_value(job_view(store, job).number)
    send(at, "Go on from that job")
    assert job_before(store, worn_job) == job
    undo(at)
    assert job_before(store, worn_job) is None


@pytest.mark.slow
def test_a_draft_made_is_gone_again_and_one_made_anew_is_as_it_was_typed(store, worn_job):
    at = open_page("options.py", worn_job)
    at.button(key="draft").click().run()
    (made,) = estimates(store, worn_job)
    at = switched(at, "estimate.py")
    at.text_input(key=f"tax_percent-{made.id}").set_value("8").run()
    assert estimates(store, worn_job)[0].estimate.tax_percent == "8"
    at = switched(at, "options.py")
    at.button(key="draft").click().run()
    assert estimates(store, worn_job)[0].estimate.tax_percent == made.estimate.tax_percent
    at = switched(at, "estimate.py")
    undo(at)
    assert estimates(store, worn_job)[0].estimate.tax_percent == "8"
    assert at.text_input(key=f"tax_percent-{made.id}").value == "8"
    undo(at)
    assert estimates(store, worn_job)[0].estimate == made.estimate
    assert at.text_input(key=f"tax_percent-{made.id}").value == made.estimate.tax_percent
    undo(at)
    assert not estimates(store, worn_job)
    assert check_store(store).problems == ()


@pytest.mark.slow
def test_an_answer_taken_back_can_be_had_again(store, worn_job):
    view = issue_estimate(store, draft(store, worn_job).id)
    accept_estimate(store, view.id, by="A. Customer", how="by mail")
    answer = estimates(store, worn_job)[0].answer
    at = open_page("estimate.py", worn_job)
    at.button(key=f"undo-{view.id}").click().run()
    assert estimates(store, worn_job)[0].status == "issued"
    undo(at)
    assert estimates(store, worn_job)[0].answer == answer


@pytest.mark.slow
def test_photos_taken_in_are_out_again(store, job):
    at = open_page("photos.py", job)
    at.file_uploader[0].set_value([("a.jpg", noise_jpeg(), "image/jpeg"), ("b.jpg", noise_jpeg(2), "image/jpeg")]).run()
    assert [p.name for p in job_view(store, job).photos] == ["a.jpg", "b.jpg"]
    undo(at)
    assert not job_view(store, job).photos
    assert [p.name for p in job_view(store, job).removed] == ["a.jpg", "b.jpg"]


@pytest.mark.slow
def test_a_photo_measured_again_gives_what_it_gave_before(store, job, measured):
    was = photo_view(store, measured.id).inspection
    at = open_page("photos.py", job, looked_at=measured.id, changing=measured.id)
    next(n for n in at.number_input if n.label.startswith("First whole fret")).set_value(3)
    send(at, "Measure it again")
    assert wait_for_queue(store)
    again = photo_view(store, measured.id).inspection
    assert again.ask.first_fret == 3
    at.run()
    undo(at)
    now = photo_view(store, measured.id).inspection
    assert (now.ask, now.answer) == (was.ask, was.answer)
