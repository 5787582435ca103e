"""Heights of single frets, the work on them, and an instrument's way through visits and jobs."""

import sqlite3
from dataclasses import replace
from functools import partial

import pytest

from inspect_app.decide.estimate import NOTHING_BESIDES
from inspect_app.decide.limits import Verdict
from inspect_app.decide.options import Kind
from inspect_app.instrument.wire import WireStock
from inspect_app.services import job_view, open_store, update_job
from inspect_app.services.deciding import add_wire, change_terms, decide, rates, wear_of
from inspect_app.services.gauge_readings import gauge_readings, take_back_gauge_reading, write_gauge_reading
from inspect_app.services.heights import (
    fret_heights,
    fret_work,
    record_work,
    same_instrument,
    take_back_work,
    write_fret_heights,
)
from inspect_app.services.papers import proof_of
from shared.errors import OptionError
from tests.inspect_app.deciding_case import make_job, put_elevation


@pytest.fixture
def store(data_dir):
    opened = open_store(data_dir)
    yield opened
    opened.close()


@pytest.fixture
def put(store, monkeypatch):
    """Add a photo whose measuring gives a known answer."""
    return partial(put_elevation, store, monkeypatch)


@pytest.fixture
def job(store):
    return make_job(store)


def test_heights_read_with_a_calliper_count_for_their_fret_and_can_be_taken_back(store, job, put):
    put(job, 1, [0.15] * 6)
    write_fret_heights(store, job, {2: 0.8}, "intake")
    left = dict(decide(store, job).option(Kind.LEVEL).height_left)
    # fret 2 is 0.30 lower than the others: levelled with it, all come down to 0.80 - 0.15 - 0.02
    assert left[2].value == pytest.approx(0.63, abs=0.02)
    assert left[1].value == pytest.approx(0.63, abs=0.02)
    write_fret_heights(store, job, {2: None}, "intake")
    assert fret_heights(store, job) == {}
    for bad, why in (({9: 1.0}, "no fret 9"), ({1: 9.0}, "not possible")):
        with pytest.raises(OptionError, match=why):
            write_fret_heights(store, job, bad, "intake")
    with pytest.raises(OptionError, match="no visit"):
        write_fret_heights(store, job, {1: 1.0}, "after")


def on(store, visit, when):
    """Set a visit's date."""
    db = sqlite3.connect(store.data_dir / "jobs.sqlite")
    db.execute("UPDATE visits SET date = ? WHERE label = ?", (when, visit))
    db.commit()
    db.close()


def test_heights_read_after_the_work_hold_at_later_visits(store, job, put):
    put(job, 1, [0.15] * 6)
    put(job, 2, [0.0] * 6, visit="after")
    put(job, 3, [0.24, 0.1, 0.1, 0.1, 0.1, 0.1], visit="check")
    for visit, when in (("intake", "2020-01-01"), ("after", "2020-02-01"), ("check", "2024-02-01")):
        on(store, visit, when)
    write_fret_heights(store, job, dict.fromkeys(range(1, 7), 0.86), "after")
    level = decide(store, job, "check").option(Kind.LEVEL)
    # 0.86 - 0.24 - 0.02, not 1.10 - 0.26 as when the wire was new
    assert {round(s.value, 2) for _, s in level.height_left} == {0.60}
    assert level.verdict == Verdict.BEYOND
    assert decide(store, job, "intake").wear.crown_height.value == 1.1
    assert decide(store, job, "after").wear.crown_height is None


def test_one_height_read_after_levelling_tells_the_others_at_later_visits(store, job, put):
    put(job, 1, [0.15] * 6)
    put(job, 2, [0.0] * 6, visit="after")
    put(job, 3, [0.05] * 6, visit="check")
    for visit, when in (("intake", "2020-01-01"), ("after", "2020-02-01"), ("check", "2024-02-01")):
        on(store, visit, when)
    assert decide(store, job, "check").wear.crown_height is None
    write_fret_heights(store, job, {3: 0.86}, "after")
    wear = decide(store, job, "check").wear
    assert (wear.crown_height.value, wear.height_from) == (0.86, "as read with a calliper on other frets")
    assert [c.what for c in proof_of(store, job) if "crown height" in c.what] == ["fret 3, crown height"]


def test_a_kept_fret_that_grew_is_doubted_until_it_is_said_to_be_new(store, job, put):
    put(job, 1, [0.15] * 6)
    put(job, 2, [0.0] * 6, visit="after")
    write_fret_heights(store, job, {3: 1.4}, "after")

    def said():
        return next(c for c in proof_of(store, job) if c.what == "fret 3, crown height")

    assert said().verdict is Verdict.CANNOT_TELL
    assert "metal does not grow" in said().reason
    record_work(store, job, "after", "replaced", (3,))
    assert (said().verdict, said().reason) == (Verdict.WITHIN, "")


def test_no_rate_of_wear_across_work(store, job, put):
    put(job, 1, [0.15] * 6)
    put(job, 2, [0.0] * 6, visit="after")
    put(job, 3, [0.06] * 6, visit="check")
    for visit, when in (("intake", "2018-01-01"), ("after", "2020-01-01"), ("check", "2022-01-01")):
        on(store, visit, when)
    with pytest.raises(OptionError, match="worked on between"):
        rates(store, job, "intake", "check")
    # 0.06, less what could be missed on polished frets, in two years
    assert rates(store, job, "after", "check")[0].per_year.value == pytest.approx(0.03, abs=0.002)
    write_fret_heights(store, job, dict.fromkeys(range(1, 7), 0.95), "after")
    # 0.95 - 0.06 - 0.70 = 0.19 at 0.03 a year is 6.3 years; the first of six frets whose heights are not all as read
    assert 4.8 < decide(store, job, "check").option(Kind.LEAVE).years.median < 6.3


def test_an_instrument_carries_its_frets_history_to_the_next_job(store, job, put):
    put(job, 1, [0.15] * 6)
    put(job, 2, [0.0] * 6, visit="after")
    wire = add_wire(store, WireStock("drawer 4", "stainless", 2.6, 1.3))
    record_work(store, job, "after", "levelled", off=0.17)
    assert decide(store, job, "after").wear.crown_height.value == pytest.approx(0.93)
    record_work(store, job, "after", "replaced", (2, 3), wire_id=wire.id)
    limits = decide(store, job).terms.limits.with_value("crown_height", 0.6, "set for this instrument")
    change_terms(store, job, limits=limits)
    later = make_job(store)
    assert wear_of(store, later).crown_height.value == 1.1
    same_instrument(store, later, job)
    wear = wear_of(store, later)
    assert wear.unworn_height(1).value == pytest.approx(0.93)
    assert wear.unworn_height(2).value == pytest.approx(1.20)  # 1.30 less 0.05 to 0.15
    assert [(w.kind, w.frets, w.wire) for w in fret_work(store, later)] == [
        ("levelled", (), ""),
        ("replaced", (2, 3), "drawer 4"),
    ]
    assert decide(store, later).terms.limits["crown_height"].value == 0.6
    with pytest.raises(OptionError, match="before itself"):
        same_instrument(store, job, later)
    take_back_work(store, fret_work(store, later)[1].id)
    assert wear_of(store, later).unworn_height(2).value == pytest.approx(0.93)
    same_instrument(store, later, None)
    assert wear_of(store, later).crown_height.value == 1.1


@pytest.mark.parametrize(
    ("work", "said"),
    [
        ({"kind": "sanded"}, "no work called"),
        ({"kind": "levelled", "off": 4.0}, "can't have come off"),
        ({"kind": "levelled", "frets": (9,)}, "no fret 9"),
        ({"kind": "replaced", "wire_id": 7}, "no wire"),
    ],
)
def test_impossible_work_is_refused(store, job, work, said):
    with pytest.raises(OptionError, match=said):
        record_work(store, job, "intake", **work)


def test_a_reading_of_a_fret_that_there_is_no_more_can_be_taken_back(store, job, put):
    put(job, 1, [0.15] * 6)
    write_gauge_reading(store, job, "intake", "hollow depth", 0.2, 6)
    details = job_view(store, job).details
    update_job(store, job, replace(details, instrument=replace(details.instrument, frets=4)))
    with pytest.raises(OptionError, match="no fret 6"):
        write_gauge_reading(store, job, "intake", "hollow depth", 0.3, 6)
    (hollow,) = gauge_readings(store, job)
    take_back_gauge_reading(store, job, "intake", hollow, 0.2)
    assert gauge_readings(store, job) == {}


def test_readings_by_gauge_count_for_their_visit_and_can_be_taken_back(store, job, put):
    put(job, 1, [0.15] * 6)
    write_gauge_reading(store, job, "intake", "treble relief", 0.25)
    write_gauge_reading(store, job, "intake", "treble relief", 0.30)
    write_gauge_reading(store, job, "intake", "hollow depth", 0.2, 3)
    write_gauge_reading(store, job, "intake", "bass end lifted", 0.1, 2)
    found = decide(store, job)
    assert found.setup.values["treble relief"].value == 0.30
    assert found.besides.dress_board
    assert found.besides.seat_ends == 1
    assert any("bass end of fret 2" in b for b in found.option(Kind.LEVEL).brings)
    assert len(gauge_readings(store, job)) == 3
    for key, q in gauge_readings(store, job).items():
        take_back_gauge_reading(store, job, "intake", key, q.value)
    assert gauge_readings(store, job) == {}
    assert decide(store, job).besides == NOTHING_BESIDES
    for bad, why in (
        (("hollow depth", 0.2, 9), "no fret 9"),
        (("relief", 0.2), "by gauge"),
        (("treble relief", 9), "not p"),
        (("treble string height", 0.002), "0.002 mm is not possible. Give 0.3 mm to 10 mm"),  # 0.080 in, typed as thou
        (("treble relief", 0.0003), "Give 0, or 0.02 mm to 2 mm"),
    ):
        with pytest.raises(OptionError, match=why):
            write_gauge_reading(store, job, "intake", *bad)
    with pytest.raises(OptionError, match="no visit"):
        write_gauge_reading(store, job, "after", "treble relief", 0.2)


def test_a_newer_reading_is_not_taken_back_with_the_one_that_was_seen(store, job, put):
    put(job, 1, [0.15] * 6)
    write_gauge_reading(store, job, "intake", "treble relief", 0.25)
    (seen,) = gauge_readings(store, job).items()
    write_gauge_reading(store, job, "intake", "treble relief", 0.30)  # in another window
    with pytest.raises(OptionError, match=r"0\.3 mm, not 0\.25 mm"):
        take_back_gauge_reading(store, job, "intake", seen[0], seen[1].value)
    assert gauge_readings(store, job)[seen[0]].value == 0.30
