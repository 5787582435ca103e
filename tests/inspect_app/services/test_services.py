"""User actions on a job: photos in, readings out, judged, corrected, taken back; nothing lost, nothing doubled."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

import inspect_app.services.measuring as measuring
from inspect_app import services
from inspect_app.jobs.decision_models import EstimateRow
from inspect_app.jobs.store import writing
from inspect_app.reading.ask import Ask, HandEdge, ScaleAsk
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.key import parse_key
from inspect_app.services import Stage
from inspect_app.services.rows import now
from shared.errors import OptionError, PhotoError, ScaleError
from shared.measured import Measured
from tests.inspect_app.conftest import measure_with

EDGE = HandEdge(parse_key("fret 3, crown nut side"), ((10.0, 20.0), (10.0, 90.0)))


@pytest.fixture
def photo(store, job, make_jpeg):
    return services.add_photo(store, job, make_jpeg(1), "a.jpg").photo


@pytest.fixture
def measured(store, photo, fake_measuring):
    return services.measure_photo(store, photo.id, services.suggested_ask(store, photo.id))


def test_the_same_photo_twice_is_kept_once(store, job, make_jpeg):
    first = services.add_photo(store, job, make_jpeg(1), "a.jpg", note="first")
    again = services.add_photo(store, job, make_jpeg(1), "b.jpg", note="second")
    assert (first.already_there, again.already_there) == (False, True)
    assert again.photo == first.photo
    assert len(services.job_view(store, job).photos) == 1


def test_two_jobs_may_hold_the_same_photo(store, job, make_jpeg):
    other = services.create_job(store, services.JobDetails("B"))
    a = services.add_photo(store, job, make_jpeg(1), "a.jpg").photo
    b = services.add_photo(store, other, make_jpeg(1), "a.jpg").photo
    assert services.photo_path(store, a.sha256) == services.photo_path(store, b.sha256)
    assert services.check_store(store).photos == 1


def test_two_windows_adding_one_photo_keep_it_once(store, job, make_jpeg):
    with ThreadPoolExecutor(4) as pool:
        added = list(pool.map(lambda _: services.add_photo(store, job, make_jpeg(1), "a.jpg"), range(4)))
    assert sorted(a.already_there for a in added) == [False, True, True, True]
    assert len(services.job_view(store, job).photos) == 1


@pytest.mark.parametrize(
    ("given", "kept"),
    [("a.jpg", "a.jpg"), ("/etc/passwd", "passwd"), ("..\\..\\a.jpg", "a.jpg"), ("", "photo"), ("..", "photo")],
)
def test_a_photos_name_is_a_name_and_no_path(store, job, make_jpeg, given, kept):
    assert services.add_photo(store, job, make_jpeg(1), given).photo.name == kept


def test_an_unknown_view_is_refused_before_anything_is_stored(store, job, make_jpeg):
    with pytest.raises(OptionError, match="can't show 'beside'"):
        services.add_photo(store, job, make_jpeg(1), "a.jpg", "beside")
    assert services.check_store(store).unclaimed == ()


@pytest.mark.parametrize("action", ["job_view", "photo_view", "inspection_view"])
def test_a_number_that_does_not_exist_is_said(store, action):
    with pytest.raises(OptionError, match=r"There is no .* 77 in this data folder"):
        getattr(services, action)(store, 77)


def test_an_unknown_hash_is_said(store):
    with pytest.raises(PhotoError, match="no such photo"):
        services.photo_path(store, "../../etc/passwd")


def test_what_is_said_about_a_photo_can_change(store, photo):
    services.add_visit(store, photo.job_id, "After", date(2026, 12, 1))
    changed = services.update_photo(store, photo.id, view="finding", visit="after", note=" chip ", category="binding")
    assert (changed.view, changed.visit.label) == ("finding", "after")
    assert (changed.note, changed.category) == ("chip", "binding")
    assert services.categories(store) == ("binding",)
    assert services.update_photo(store, photo.id, note="x").category == "binding"
    assert [v.label for v in services.job_view(store, photo.job_id).visits] == ["intake", "after"]


def test_a_visit_is_made_once(store, job):
    assert services.add_visit(store, job, "after").id == services.add_visit(store, job, " AFTER ").id
    with pytest.raises(OptionError, match="no name"):
        services.add_visit(store, job, " ")


def test_a_hidden_photo_comes_back_whole(store, photo, measured):
    services.judge(store, measured.id, parse_key("fret 3, crown width"), "accept")
    services.remove_photo(store, photo.id)
    seen = services.job_view(store, photo.job_id)
    assert (seen.photos, len(seen.removed)) == ((), 1)
    assert services.readings(store, photo.job_id) == ()
    services.restore_photo(store, photo.id)
    verdicts = {r.reading.key: r.verdict for r in services.readings(store, photo.job_id)}
    assert verdicts[parse_key("fret 3, crown width")] == "accept"


def test_adding_a_hidden_photo_again_brings_it_back(store, photo, measured, make_jpeg):
    services.remove_photo(store, photo.id)
    again = services.add_photo(store, photo.job_id, make_jpeg(1), "a.jpg")
    assert again.already_there
    assert again.photo.inspection.id == measured.id


def test_the_first_question_comes_from_the_job(store, photo):
    ask = services.suggested_ask(store, photo.id)
    assert (ask.view, ask.scale.kind, ask.scale_length) == ("plan", "strip", 640.0)


def test_the_crown_the_plan_measured_goes_into_the_elevations_question(store, job, measured, make_jpeg):
    elevation = services.add_photo(store, job, make_jpeg(2), "e.jpg", "elevation").photo
    ask = services.suggested_ask(store, elevation.id)
    width = measured.answer.frets[0].crown_width.value
    assert (ask.view, ask.scale.kind, ask.crown_width) == ("elevation", "backdrop", width)


def test_the_last_question_is_suggested_again(store, photo, fake_measuring):
    ask = Ask("plan", ScaleAsk("coin", diameter_mm=24.26), scale_length=640.0, first_fret=5)
    services.measure_photo(store, photo.id, ask)
    assert services.suggested_ask(store, photo.id) == ask


def test_a_finding_has_no_question(store, job, make_jpeg):
    photo = services.add_photo(store, job, make_jpeg(2), "f.jpg", "finding").photo
    with pytest.raises(OptionError, match="not measured by itself"):
        services.suggested_ask(store, photo.id)


def test_an_inspection_keeps_all_that_is_needed_to_repeat_it(store, photo, measured):
    kept = services.inspection_view(store, measured.id)
    assert kept.answer.photo.sha256 == photo.sha256
    assert kept.answer.photo.name == "a.jpg"
    assert Ask.from_dict(kept.answer.options) == kept.ask
    assert kept.version == kept.answer.version
    assert kept.answer == measured.answer


def test_the_same_question_is_measured_once_by_each_version(store, photo, monkeypatch, fake_measuring):
    ask = services.suggested_ask(store, photo.id)
    monkeypatch.setattr(measuring, "__version__", "0.1.0")  # the version the fake answers as
    first = services.measure_photo(store, photo.id, ask)
    assert services.measure_photo(store, photo.id, ask).id == first.id
    assert services.measure_photo(store, photo.id, replace(ask, first_fret=2)).id != first.id
    monkeypatch.setattr(measuring, "__version__", "0.2.0")
    newest = services.measure_photo(store, photo.id, replace(ask, first_fret=2))
    assert newest.earlier == 2
    assert len(fake_measuring) == 3


def test_measuring_again_on_purpose_supersedes(store, photo, measured):
    again = services.measure_photo(store, photo.id, measured.ask, again=True)
    assert again.id != measured.id
    assert again.earlier == 1
    assert not services.inspection_view(store, measured.id).current
    assert [i.id for i in services.earlier_inspections(store, photo.id)] == [again.id, measured.id]


def test_a_refusal_is_kept_with_its_reason(store, photo):
    kept = services.measure_photo(store, photo.id, services.suggested_ask(store, photo.id))
    assert kept.answer.frets == ()
    assert "strip" in kept.answer.not_measured[0].reason
    assert services.job_view(store, photo.job_id).stage is Stage.RETAKE


def test_a_fault_in_measuring_keeps_nothing(store, photo, monkeypatch, fake_measuring):
    def fails(*_):
        raise RuntimeError("a fault")

    measure_with(monkeypatch, fails)
    with pytest.raises(RuntimeError):
        services.measure_photo(store, photo.id, Ask("plan"))
    assert services.photo_view(store, photo.id).inspection is None


@pytest.mark.slow
def test_a_job_says_where_it_stands(store, job, make_jpeg, fake_measuring):
    def stage():
        (row,) = services.find_jobs(store).rows
        assert row.stage is services.job_view(store, job).stage
        listed = [t for t in ("bench", "customer", "nobody") if services.find_jobs(store, waits_for=t).rows]
        assert listed == [row.stage.waits_for]
        return row.stage

    assert stage() is Stage.EMPTY

    assert stage() is Stage.EMPTY
    services.add_photo(store, job, make_jpeg(9), "f.jpg", "finding")
    assert stage() is Stage.EMPTY
    photo = services.add_photo(store, job, make_jpeg(1), "a.jpg").photo
    assert stage() is Stage.UNMEASURED
    measured = services.measure_photo(store, photo.id, Ask("plan"))
    assert stage() is Stage.REVIEW
    keys = [r.reading.key for r in services.readings(store, job)]
    for key in keys:
        services.judge(store, measured.id, key, "accept")
    assert stage() is Stage.MEASURED
    services.judge(store, measured.id, keys[0], "open")
    assert stage() is Stage.REVIEW
    assert all(s.next_step.endswith(".") for s in Stage)


def test_doubtful_readings_come_first(store, job, photo, monkeypatch, fake_measuring, make_answer):
    def reading(value, u, *flags):
        return Measured.of(value, "mm", flags, edge=u)

    def measure(photo, ask):
        answer = make_answer(photo.name, photo.sha256, ask, frets=(1,))
        fret = replace(
            answer.frets[0],
            **{f: None for f in answer.frets[0].__dataclass_fields__ if f not in ("number", "outlines")},
        )
        fret = replace(
            fret,
            flats=(),
            divots=(),
            length=reading(45.0, 0.1),
            crown_width=reading(2.0, 0.4),
            tang_width=reading(0.5, 0.001, "GLARE", "BLURRED"),
            tang_depth=reading(1.5, 0.001, "GLARE"),
            overhang=reading(0.4, 0.001, "BY_HAND"),
            position=reading(0.01, 0.5),
        )
        return replace(answer, frets=(fret,), flags=())

    measure_with(monkeypatch, measure)
    services.measure_photo(store, photo.id, Ask("plan"))
    found = services.readings(store, job)
    assert [r.reading.quantity for r in found[:3]] == ["tang width", "tang depth", "crown width"]
    sure = {r.reading.quantity: r.sure for r in found}
    assert sure == {
        "tang width": False,
        "tang depth": False,
        "crown width": False,
        "length": True,
        "overhang": True,
        "position": True,
    }


def test_a_doubt_about_the_photo_is_a_doubt_about_each_reading(store, job, measured):
    assert all("FOCAL_ASSUMED" in r.flags and not r.sure for r in services.readings(store, job))


def test_judgements_are_kept_in_order(store, photo, measured):
    key = parse_key("fret 3, crown width")
    services.judge(store, measured.id, key, "reject", "shadow, not the edge")
    services.judge(store, measured.id, key, "open")
    services.judge(store, measured.id, key, "accept")
    said = services.history(store, photo.id, key)
    assert [(j.verdict, j.reason) for j in said] == [("reject", "shadow, not the edge"), ("open", ""), ("accept", "")]
    assert said[0].value == measured.answer.frets[0].crown_width
    (found,) = [r for r in services.readings(store, photo.job_id) if r.reading.key == key]
    assert found.verdict == "accept"


def test_decided_readings_come_last(store, job, measured):
    services.judge(store, measured.id, services.readings(store, job)[0].reading.key, "accept")
    assert [r.verdict for r in services.readings(store, job)][-2:] == ["open", "accept"]


@pytest.mark.parametrize(
    ("key", "verdict", "reason", "says"),
    [
        (parse_key("fret 3, crown width"), "reject", " ", "needs a reason"),
        (parse_key("fret 3, crown width"), "maybe", "", "can't be judged 'maybe'"),
        (parse_key("fret 9, crown width"), "accept", "", "There is no reading “fret 9, crown width”"),
    ],
)
def test_judgements_that_make_no_sense_are_refused(store, measured, key, verdict, reason, says):
    with pytest.raises(OptionError, match=says):
        services.judge(store, measured.id, key, verdict, reason)


def test_a_replaced_reading_can_not_be_judged(store, photo, measured):
    services.measure_photo(store, photo.id, measured.ask, again=True)
    with pytest.raises(OptionError, match="measured again meanwhile"):
        services.judge(store, measured.id, parse_key("fret 3, crown width"), "accept")


def test_accepting_the_sure_ones_leaves_the_doubtful(store, job, photo, monkeypatch, fake_measuring, make_answer):
    measure_with(monkeypatch, lambda p, ask: replace(make_answer(p.name, p.sha256, ask), flags=()))
    services.measure_photo(store, photo.id, Ask("plan"))
    sure = {(r.reading.key) for r in services.readings(store, job) if r.sure}
    assert services.accept_sure(store, job) == len(sure) > 0
    assert services.accept_sure(store, job) == 0
    after = services.readings(store, job)
    assert {r.reading.key for r in after if r.verdict == "accept"} == sure
    assert {r.reading.key for r in after if not r.sure and r.verdict == "open"}


def test_accepting_keeps_what_a_person_rejected(store, job, photo, monkeypatch, fake_measuring, make_answer):
    measure_with(monkeypatch, lambda p, ask: replace(make_answer(p.name, p.sha256, ask), flags=()))
    at = services.measure_photo(store, photo.id, Ask("plan"))
    services.judge(store, at.id, parse_key("fret 3, length"), "reject", "wrong end")
    services.accept_sure(store, job)
    (found,) = [r for r in services.readings(store, job) if r.reading.key == parse_key("fret 3, length")]
    assert (found.verdict, found.reason) == ("reject", "wrong end")


def test_many_windows_at_once_lose_nothing(store, job, make_jpeg, fake_measuring):
    photos = [services.add_photo(store, job, make_jpeg(i), f"{i}.jpg").photo for i in range(6)]
    with ThreadPoolExecutor(6) as pool:
        done = list(pool.map(lambda p: services.measure_photo(store, p.id, Ask("plan")), photos))
    assert len({d.id for d in done}) == 6
    shown = services.job_view(store, job)
    assert all(p.inspection.answer.photo.sha256 == p.sha256 for p in shown.photos)


def test_prints_keep_their_factor(store):
    made = services.add_print(store, "strip", 100.2, note="laser, tray 2")
    assert made.factor == pytest.approx(1.002)
    services.add_print(store, "backdrop", 99.9)
    assert [p.kind for p in services.prints(store)] == ["backdrop", "strip"]
    with pytest.raises(OptionError, match="can't be right"):
        services.add_print(store, "strip", 94.0 / 2)
    with pytest.raises(OptionError, match="no printed scale"):
        services.add_print(store, "rule", 100.0)


def test_choices_of_the_shop_are_kept(store):
    assert services.get_setting(store, "units") is None
    services.put_setting(store, "units", {"length": "inch"})
    services.put_setting(store, "units", {"length": "mm"})
    assert services.get_setting(store, "units") == {"length": "mm"}


def test_not_a_number_never_reaches_the_store(store):
    with pytest.raises(Exception, match="JSON"):
        services.put_setting(store, "x", {"value": float("nan")})
    assert services.get_setting(store, "x") is None


def test_nothing_of_the_database_leaks(store, photo, measured):
    from inspect_app.jobs.models import Base

    seen = [services.job_view(store, photo.job_id), *services.readings(store, photo.job_id), measured]

    def walk(thing):
        assert not isinstance(thing, Base)
        for name in getattr(thing, "__dataclass_fields__", ()):
            walk(getattr(thing, name))
        if isinstance(thing, tuple):
            for item in thing:
                walk(item)

    for thing in seen:
        walk(thing)
    assert isinstance(measured.answer, Inspection)


class TestByHand:
    """Hand measurements on a photo of the strip: 8 px to the millimetre, its corner at (40, 300)."""

    @pytest.fixture
    def strip(self, store, job, strip_png):
        return services.add_photo(store, job, strip_png, "strip.png", "finding").photo

    def test_a_distance_on_the_strip_is_its_length(self, store, strip):
        ends = ((39.5, 360.0), (39.5 + 124.0 * 8.0, 360.0))
        found = services.measure_by_hand(store, strip.id, "distance", ends)
        assert abs(found.value - 124.0) <= found.expanded
        assert found.by_hand
        sources = {c.source for c in found.contributions}
        assert sources == {"placement", "pose and lens", "level with the scale", "scale"}

    def test_it_is_kept_hidden_and_brought_back(self, store, strip):
        points = ((100.0, 400.0), (180.0, 400.0))
        kept = services.keep_hand_measure(store, strip.id, "distance", points, "the chip")
        assert services.hand_measures(store, strip.id) == (kept,)
        assert kept.result.value == pytest.approx(10.0, abs=0.05)
        services.remove_hand_measure(store, kept.id)
        assert services.hand_measures(store, strip.id) == ()
        services.restore_hand_measure(store, kept.id)
        assert services.hand_measures(store, strip.id) == (kept,)

    @pytest.mark.slow
    def test_without_a_scale_there_are_no_millimetres(self, store, job, make_jpeg):
        photo = services.add_photo(store, job, make_jpeg(5), "x.jpg", "finding").photo
        with pytest.raises(ScaleError):
            services.measure_by_hand(store, photo.id, "distance", ((1.0, 1.0), (50.0, 50.0)))

    def test_a_span_may_be_the_scale(self, store, job, make_jpeg):
        photo = services.add_photo(store, job, make_jpeg(5, (900, 1200)), "x.jpg", "finding").photo
        span = ScaleAsk("span", span_px=(100.0, 100.0, 1100.0, 100.0), span_mm=100.0)
        found = services.measure_by_hand(store, photo.id, "distance", ((200.0, 110.0), (700.0, 110.0)), span)
        assert abs(found.value - 50.0) <= found.expanded
        assert np.isfinite(found.u)


def test_a_job_moves_on_with_its_estimate_and_a_persons_word_stands_above_that(store, job, make_jpeg):
    def stage():
        (row,) = services.find_jobs(store).rows
        assert row.stage is services.job_view(store, job).stage
        return row.stage

    with writing(store) as session:
        of = {"content": {}, "content_hash": "", "created": now(), "updated": now()}
        session.add(EstimateRow(job_id=job, revision=1, status="issued", **of))
    assert stage() is Stage.SENT
    with writing(store) as session:
        session.add(EstimateRow(job_id=job, revision=2, status="accepted", **of))
    assert stage() is Stage.ACCEPTED
    services.add_photo(store, job, make_jpeg(2), "b.jpg", "plan", services.AFTER)
    assert stage() is Stage.IN_WORK
    services.choose_stage(store, job, services.ChosenStage(Stage.CLOSED))
    assert stage() is Stage.CLOSED
    services.choose_stage(store, job, services.ChosenStage())
    assert stage() is Stage.IN_WORK
    with pytest.raises(OptionError, match="worked out"):
        services.choose_stage(store, job, services.ChosenStage(Stage.MEASURED))


def test_the_list_leaves_out_the_archive_and_is_narrowed_and_sorted(store, job):
    late, soon, none = (
        services.create_job(store, services.JobDetails(c, promised=d))
        for c, d in (("late", date(2026, 12, 24)), ("soon", date(2026, 12, 1)), ("none", None))
    )
    services.choose_stage(store, job, services.ChosenStage(archived=True))
    services.choose_stage(store, soon, services.ChosenStage(Stage.HANDED_OVER))

    def found(**narrowed):
        rows = services.find_jobs(store, **narrowed)
        assert rows.total == len(rows.rows)
        return [r.id for r in rows.rows]

    assert found(archived=True) == [job]
    assert found(archived=False, order="promised") == [soon, late, none]
    assert found(archived=False, order="number") == [none, soon, late]
    assert found(waits_for="customer") == [soon]
    assert set(found(waits_for="bench")) == {job, late, none}
    assert len(found()) == 4
