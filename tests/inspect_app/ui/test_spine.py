"""The way through a job: what its tabs say, what a new job asks, errors at their field, lengths in the unit chosen."""

import dataclasses

import pytest
from streamlit.testing.v1 import AppTest

from inspect_app.services import (
    ChosenStage,
    JobDetails,
    Stage,
    add_photo,
    choose_stage,
    create_job,
    features,
    find_jobs,
    job_view,
    judge_all,
    keep_hand_measure,
    progress,
    put_setting,
    update_job,
)
from inspect_app.services.deciding import fret_heights, shop_limits, write_fret_heights
from inspect_app.services.estimating import accept_estimate, draft, issue_estimate
from inspect_app.services.heights import fret_work
from inspect_app.ui.forms import LENGTHS, details_of, fields_of
from inspect_app.ui.page_frame import STEPS
from shared.errors import OptionError
from tests.inspect_app.conftest import noise_jpeg, strip_photo
from tests.inspect_app.ui.conftest import APP, open_page, send

pytestmark = [pytest.mark.filterwarnings("ignore::DeprecationWarning"), pytest.mark.usefixtures("served")]


def tabs(at):
    return [link.proto.label for link in at.get("page_link")][1 : len(STEPS)]


def field(at, label):
    return next(w for w in (*at.text_input, *at.number_input, *at.text_area) if w.label.startswith(label))


def beneath(at, label):
    """The error that stands right beneath a field."""
    blocks = list(at.main)
    fields = [i for i, w in enumerate(blocks) if getattr(w, "label", "").startswith(label)]
    return blocks[fields[0] + 1].value


def state(store, job):
    far = progress(store, job_view(store, job))
    return {name: (p.done, p.open, p.left) for name, p in far.items()}


DONE, NOTHING = (True, False, 0), (False, False, 0)


def left(n):
    return False, True, n


def test_a_new_job_is_open_where_something_is_to_be_done(store):
    bare = create_job(store, JobDetails("Riverside Players"))
    at = state(store, bare)
    assert set(at) == {s.part for s in STEPS}
    assert at["job"] == left(3)
    assert at["photos"] == left(0)
    assert {at[n] for n in ("by_hand", "findings", "readings", "wear_map", "options", "estimate", "after_work")} == {
        NOTHING
    }


def test_each_part_is_open_until_it_is_done(store, job, measured):
    assert state(store, job)["job"] == DONE
    add_photo(store, job, noise_jpeg(3), "later.jpg")
    assert state(store, job)["photos"] == left(1)
    every = features(store, job)
    assert state(store, job)["readings"] == left(len(every))
    judge_all(store, [r for f in every for r in f.readings], "accept")
    at = state(store, job)
    assert (at["readings"], at["wear_map"], at["options"]) == (DONE, DONE, left(0))


@pytest.mark.slow
def test_the_estimate_is_open_until_the_customer_accepts_and_the_work_until_it_is_handed_over(store, job, measured):
    made = draft(store, job, kind=_any_kind(store, job))
    assert (state(store, job)["options"], state(store, job)["estimate"]) == (DONE, left(0))
    issue_estimate(store, made.id)
    assert progress(store, job_view(store, job))["estimate"].words == "waits for an answer"
    assert state(store, job)["after_work"] == NOTHING
    accept_estimate(store, made.id)
    assert (state(store, job)["estimate"], state(store, job)["after_work"]) == (DONE, left(0))
    add_photo(store, job, noise_jpeg(5), "after.jpg", "plan", "after")
    assert progress(store, job_view(store, job))["after_work"].words == "to be handed over"
    choose_stage(store, job, ChosenStage(Stage.HANDED_OVER))
    assert state(store, job)["after_work"] == DONE


def _any_kind(store, job):
    from inspect_app.services.deciding import decide

    return decide(store, job).options[0].kind


def test_what_was_measured_by_hand_and_noted_is_counted(store, job):
    photo = add_photo(store, job, strip_photo(), "strip.png", "finding").photo
    keep_hand_measure(store, photo.id, "distance", ((100.0, 300.0), (500.0, 300.0)))
    far = progress(store, job_view(store, job))
    assert far["by_hand"].words == "1 thing measured by hand"
    assert far["findings"] == dataclasses.replace(far["findings"], words="1 finding noted", done=True)


def test_the_tabs_say_what_is_done_and_what_is_open_findings_and_by_hand_at_intake(store, job, measured):
    n = len(features(store, job))
    assert tabs(open_page("job.py", job=job)) == [
        "Photos ✓", "By hand", "Findings", f"Readings ({n})", "Wear map ✓", "Options ○", "Estimate", "After work",
    ]  # fmt: skip
    said = " ".join(m.value for m in open_page("job.py", job=job).markdown)
    assert f"○ **Readings**: {n} of {n} to decide" in said


def test_a_new_job_asks_five_things(store):
    at = AppTest.from_file(APP, default_timeout=60).run()
    asked = [w.label for w in (*at.text_input, *at.number_input, *at.text_area, *at.checkbox, *at.date_input)]
    assert sorted(asked) == sorted(
        ["Search", "Customer (needed)", "How to reach them", "Instrument", "Scale length, mm", "Asked for"]
    )
    for label in ("Customer", "How to reach", "Instrument", "Asked for"):
        field(at, label).set_value(f"my {label}")
    field(at, "Scale length").set_value("640")
    send(at, "Start this job")
    (made,) = find_jobs(store).rows
    details = job_view(store, made.id).details
    assert (details.customer, details.contact, details.asked_for) == ("my Customer", "my How to reach", "my Asked for")
    assert (details.instrument.name, details.instrument.scale_length) == ("my Instrument", 640.0)


def test_the_jobs_page_asks_all_the_rest(store, job):
    every = fields_of(job_view(store, job).details)
    at = open_page("job.py", job=job, fold="details")
    labels = [w.label for w in (*at.text_input, *at.number_input, *at.text_area, *at.checkbox, *at.date_input)]
    assert len(labels) == len(every)
    assert all(f"{f.label}, mm" in labels for f in LENGTHS)


def test_every_wrong_field_says_so_beneath_itself(store, job):
    at = open_page("job.py", job=job, fold="details")
    field(at, "Customer").set_value(" ")
    field(at, "Scale length").set_value("25.5")
    field(at, "Board radius").set_value("round")
    send(at, "Keep these details")
    assert "has no customer" in beneath(at, "Customer")
    assert "25\\.5 mm is not possible" in beneath(at, "Scale length")
    assert "is not a length" in beneath(at, "Board radius")
    assert len(at.error) == 3
    assert job_view(store, job).details.customer == "Harbour Street Music School"


def test_details_survive_the_form_of_fields(store, job):
    details = job_view(store, job).details
    assert details_of(fields_of(details)) == details
    with pytest.raises(OptionError) as refused:
        details_of(fields_of(details) | {"radius_last": 300.0})
    assert refused.value.of == "radius_last"


def test_an_inch_job_is_typed_in_inches_and_what_is_not_typed_stays_to_the_last_digit(store, job):
    put_setting(store, "length", {"unit": "inch"})
    before = job_view(store, job)
    odd = dataclasses.replace(before.details.instrument, spread_nut=35.123456, crown_height=1.1)
    update_job(store, job, dataclasses.replace(before.details, instrument=odd))
    at = open_page("job.py", job=job, fold="details")
    assert field(at, "Crown height when new").label == "Crown height when new, thou"
    assert field(at, "Scale length").value == "25.1969 in"
    field(at, "Scale length").set_value("25 1/2")
    send(at, "Keep these details")
    of = job_view(store, job).details.instrument
    assert of.scale_length == pytest.approx(647.7)
    assert (of.spread_nut, of.crown_height) == (35.123456, 1.1)


def test_the_shops_limits_and_wire_are_typed_in_thousandths(store):
    put_setting(store, "length", {"unit": "inch"})
    at = open_page("shop.py")
    lengths = [e for e in shop_limits(store).entries if e.unit == "mm"]
    assert lengths
    for e in lengths:
        assert field(at, e.text).label == f"{e.text}, thou"
        assert field(at, e.text).value == pytest.approx(e.value / 0.0254, rel=1e-4)
    field(at, lengths[0].text).set_value(10.0)
    send(at, "Keep these limits")
    kept = shop_limits(store)
    assert kept[lengths[0].key].value == pytest.approx(0.254)
    assert [kept[e.key].value for e in lengths[1:]] == [e.value for e in lengths[1:]]
    assert not [w.label for w in at.number_input if w.label.endswith(", mm")]


@pytest.mark.slow
def test_heights_after_the_work_are_typed_in_thousandths(store, job):
    add_photo(store, job, noise_jpeg(7), "after.jpg", "plan", "after")
    write_fret_heights(store, job, {1: 0.951}, "after")
    put_setting(store, "length", {"unit": "inch"})
    at = open_page("after_work.py", job=job)
    heights = field(at, "Fret and height in thou")
    assert heights.value == "1: 37.4409"
    heights.set_value(heights.value + ", 12: 36.5")
    send(at, "Keep these heights")
    known = fret_heights(store, job, "after")
    assert known[1].value == 0.951
    assert known[12].value == pytest.approx(36.5 * 0.0254)
    field(at, "Fret and height in thou").set_value("1: 9000")
    send(at, "Keep these heights")
    assert "is not possible" in beneath(at, "Fret and height")
    assert "mm" not in beneath(at, "Fret and height")


@pytest.mark.slow
def test_what_came_off_is_refused_at_its_field(store, job, measured):
    at = open_page("options.py", job=job, fold="work")
    field(at, "Came off the tops").set_value("4")
    send(at, "Write it down")
    assert "can't have come off" in beneath(at, "Came off the tops")
    field(at, "Frets").set_value("one")
    field(at, "Came off the tops").set_value("0.1")
    send(at, "Write it down")
    assert "not a fret" in beneath(at, "Frets")
    assert fret_work(store, job) == ()
