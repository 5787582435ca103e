"""From stored readings to a frozen estimate: nothing that was issued can change, by any path."""

import csv
import hashlib
import io
import json
import sqlite3
import zipfile
from dataclasses import replace
from datetime import date
from functools import partial

import pytest
from PIL import Image
from pypdf import PdfReader

from inspect_app.cli import OPTIONS, main
from inspect_app.decide.agreement import Answer
from inspect_app.decide.estimate import Line, totals
from inspect_app.decide.limits import Verdict
from inspect_app.decide.options import Kind
from inspect_app.instrument.wire import WireStock
from inspect_app.jobs.details import JobDetails
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import FretReading, Inspection, PhotoSummary
from inspect_app.reading.key import parse_key
from inspect_app.services import add_photo, create_job, job_view, judge, measure_photo, open_store, put_setting
from inspect_app.services.deciding import (
    add_wire,
    change_terms,
    decide,
    rates,
    remove_wire,
    wear_of,
    wire_matches,
    wires,
    write_fret_heights,
)
from inspect_app.services.estimating import (
    accept_estimate,
    change_estimate,
    decline_estimate,
    draft,
    estimate_pdf,
    estimates,
    issue_estimate,
)
from inspect_app.services.exporting import export_bytes, export_job
from inspect_app.services.papers import bench_paper, handover_paper, picture_of, proof_of
from inspect_app.services.pictures import caption_of, photo_pairs
from shared.errors import OptionError, StoreError
from tests.inspect_app.conftest import measure_with
from tests.inspect_app.deciding_case import elevation, jpeg, make_job, mm, put_elevation


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


def test_readings_become_a_recommendation(store, job, put):
    put(job, 1, [0.15, 0.14, 0.0, 0.1, 0.0, 0.0])
    decision = decide(store, job)
    assert decision.kind == Kind.LEVEL
    assert decision.wear.height_from == "as written down for this wire"


def test_a_rejected_reading_does_not_count(store, job, put):
    inspection = put(job, 1, [0.15, 0.0, 0.0, 0.0, 0.0, 0.0])
    judge(store, inspection.id, parse_key("fret 1, divots 1, depth"), "reject", "a scratch, not a divot")
    assert wear_of(store, job).fret(1).spots == ()
    assert decide(store, job).kind == Kind.LEAVE


def test_without_a_scale_length_the_job_says_what_is_missing(store):
    bare = create_job(store, JobDetails("B"))
    with pytest.raises(OptionError, match="scale length"):
        decide(store, bare)


def test_overruling_needs_a_note_and_is_kept(store, job, put):
    put(job, 1, [0.15] * 6)
    with pytest.raises(OptionError, match="note"):
        change_terms(store, job, choice=Kind.REFRET)
    change_terms(store, job, choice=Kind.REFRET, note="The customer wants stainless frets.")
    assert decide(store, job).kind == Kind.REFRET
    change_terms(store, job, choice="")
    assert decide(store, job).kind == Kind.LEVEL


def test_a_job_keeps_the_limits_it_was_judged_by(store, job, put):
    put(job, 1, [0.15] * 6)
    limits = decide(store, job).terms.limits.with_value("crown_height", 0.97)
    change_terms(store, job, limits=limits)
    assert decide(store, job).option(Kind.LEVEL).verdict == Verdict.BEYOND


def test_wire_in_stock_gives_the_height_and_price_of_new_frets(store, job, put):
    put(job, 1, [0.3] * 6)
    wire = add_wire(store, WireStock("shop no. 3", "nickel silver", 2.6, 1.3, 0.52, 1.6, 220))
    change_terms(store, job, wire_id=wire.id)
    refret = decide(store, job).option(Kind.REFRET)
    assert dict(refret.height_left)[1].value == pytest.approx(1.20, abs=0.001)  # less 0.05 to 0.15
    row = next(r for r in draft(store, job, kind=Kind.REFRET).estimate.lines if "wire" in r.text)
    assert (row.text, row.unit_price, row.quantity) == ("Fret wire, shop no. 3", 220, "6")
    remove_wire(store, wire.id)
    assert wires(store) == ()
    assert decide(store, job).terms.wire.stock.label == "shop no. 3"


def test_estimate_goes_from_draft_to_accepted(store, job, put):
    put(job, 1, [0.15] * 6)
    first = draft(store, job)
    assert (first.status, first.estimate.revision) == ("draft", 1)
    changed = change_estimate(store, first.id, discount_percent="5", note="school discount")
    assert changed.estimate.discount_percent == "5"
    issued = issue_estimate(store, first.id)
    assert PdfReader(io.BytesIO(estimate_pdf(store, first.id))).pages[0].extract_text().startswith("Estimate 1")
    today = date.fromisoformat(issued.estimate.made_on)
    accepted = accept_estimate(store, issued.id, today, "Her brother", "by word", "on the telephone")
    assert (accepted.status, accepted.decided_on) == ("accepted", today)
    paper = hashlib.sha256(estimate_pdf(store, issued.id)).hexdigest()
    assert accepted.answer == Answer(True, "Her brother", "by word", today, "on the telephone", paper)


def test_an_issued_estimate_does_not_change_through_the_services(store, job, put):
    put(job, 1, [0.15] * 6)
    issued = issue_estimate(store, draft(store, job).id)
    before = estimate_pdf(store, issued.id)
    for act in (
        lambda: change_estimate(store, issued.id, note="cheaper"),
        lambda: issue_estimate(store, issued.id),
    ):
        with pytest.raises(OptionError, match="issued"):
            act()
    put(job, 2, [0.4] * 6)  # later readings make a new revision, not a changed one
    second = draft(store, job)
    assert second.estimate.revision == 2
    assert estimate_pdf(store, issued.id) == before
    assert estimates(store, job)[1] == issued
    issue_estimate(store, second.id)
    assert [e.status for e in estimates(store, job)] == ["issued", "superseded"]
    with pytest.raises(OptionError, match="superseded"):
        accept_estimate(store, issued.id)


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE estimates SET content = '{}'",
        "UPDATE estimates SET content_hash = 'x'",
        "UPDATE estimates SET pdf = x'00'",
        "UPDATE estimates SET revision = 9",
        "UPDATE estimates SET status = 'draft'",
        "DELETE FROM estimates",
    ],
)
def test_an_issued_estimate_does_not_change_through_the_database(store, job, put, sql):
    put(job, 1, [0.15] * 6)
    issue_estimate(store, draft(store, job).id)
    db = sqlite3.connect(store.data_dir / "jobs.sqlite")
    with pytest.raises(sqlite3.IntegrityError, match="issued estimate"):
        db.execute(sql)
    db.close()


def test_a_draft_made_twice_stays_one_draft(store, job, put):
    put(job, 1, [0.15] * 6)
    draft(store, job)
    draft(store, job)
    assert len(estimates(store, job)) == 1


def test_declined_estimates_are_answered_once(store, job, put):
    put(job, 1, [0.15] * 6)
    issued = issue_estimate(store, draft(store, job).id)
    decline_estimate(store, issued.id)
    with pytest.raises(OptionError, match="declined"):
        accept_estimate(store, issued.id)


def test_nothing_measured_gives_no_estimate(store, job):
    with pytest.raises(OptionError, match="nothing to estimate"):
        draft(store, job)


def test_lines_can_be_rewritten_while_a_draft(store, job, put):
    put(job, 1, [0.15] * 6)
    made = draft(store, job)
    changed = change_estimate(store, made.id, lines=(Line("Everything", "1", "lot", 30000),))
    assert changed.estimate.lines[0].amount == 30000
    assert changed.content_hash != made.content_hash


def test_bench_sheet_names_what_comes_off(store, job, put):
    put(job, 1, [0.15] * 6)
    words = PdfReader(io.BytesIO(bench_paper(store, job).data)).pages[0].extract_text()
    assert "Comes off" in words
    assert "0.1" in words


def test_after_the_work_the_same_views_prove_it(store, job, put):
    put(job, 1, [0.15] * 6)
    put(job, 2, [0.0] * 6, visit="after", bevel=30.3)
    checks = {c.what: c.verdict for c in proof_of(store, job)}
    assert checks["fret 1, bevel, treble end"] == Verdict.WITHIN
    assert checks["fret 1, deepest divot"] == Verdict.WITHIN
    assert checks["crown height"] == Verdict.CANNOT_TELL  # what was written down held before the work only
    pdf = PdfReader(io.BytesIO(handover_paper(store, job).data))
    words = " ".join(" ".join(p.extract_text() for p in pdf.pages).split())
    assert "Before" in words
    assert "within" in words


def test_pictures_of_an_end_are_paired_with_the_same_end(store, job, put, monkeypatch):
    measure_with(monkeypatch, lambda photo, ask: replace(elevation(photo, [0.0]), view="end"))
    for seed, end, visit in ((1, "treble", "intake"), (2, "bass", "intake"), (3, "bass", "after")):
        photo = add_photo(store, job, jpeg(seed), f"{seed}.jpg", "end", visit, note=f"no. {seed}").photo
        measure_photo(store, photo.id, Ask("end", end=end))
    pairs = photo_pairs(job_view(store, job), "intake", "after")
    assert [caption_of(old) for old, _ in pairs] == ["end, bass, fret 1, no. 2"]


def test_rate_of_wear_between_visits(store, job, put):
    put(job, 1, [0.05] * 6)
    put(job, 2, [0.10] * 6, visit="check")
    with pytest.raises(OptionError, match="same day"):
        rates(store, job, "intake", "check")
    db = sqlite3.connect(store.data_dir / "jobs.sqlite")
    db.execute("UPDATE visits SET date = '2020-01-01' WHERE label = 'intake'")
    db.commit()
    db.close()
    assert all(r.per_year.value > 0 for r in rates(store, job, "intake", "check"))
    with pytest.raises(OptionError, match="two such visits"):
        rates(store, job, "intake", "never")


def test_options_tell_the_years_left_once_two_visits_tell_a_rate(store, job, put):
    put(job, 1, [0.05] * 6)
    put(job, 2, [0.10] * 6, visit="check")
    assert all(o.years is None for o in decide(store, job, "check").options)  # both on one day
    db = sqlite3.connect(store.data_dir / "jobs.sqlite")
    db.execute("UPDATE visits SET date = date(date, '-2 years') WHERE label = 'intake'")
    db.commit()
    db.close()
    # height 1.1 - 0.1 now, 0.70 must be left: 0.30 mm at 0.025 mm a year, six frets alike: about 12 years or less
    assert 8.0 < decide(store, job, "check").option(Kind.LEAVE).years.median < 12.1
    assert decide(store, job).option(Kind.LEAVE).years is None


def test_drafting_gives_the_job_its_own_limits_and_prices(store, job, put):
    put(job, 1, [0.15] * 6)
    first = draft(store, job)
    put_setting(store, "limits", decide(store, job).terms.limits.with_value("crown_height", 1.05).to_dict())
    assert decide(store, job).terms.limits["crown_height"].value == 0.70
    assert draft(store, job).estimate.lines == first.estimate.lines
    other = make_job(store)
    assert decide(store, other).terms.limits["crown_height"].value == 1.05


def test_height_left_is_proved_against_the_estimates_forecast(store, job, put):
    put(job, 1, [0.15] * 6)
    issued = issue_estimate(store, draft(store, job).id)
    assert dict((n, v) for n, v, _ in issued.estimate.forecast)[1] == pytest.approx(0.93, abs=0.02)
    put(job, 2, [0.0] * 6, visit="after", bevel=30.3)
    write_fret_heights(store, job, {1: 0.95, 2: 0.60}, "after")
    checks = {c.what: c for c in proof_of(store, job)}
    assert "expected 0.93" in checks["fret 1, crown height"].target
    assert checks["fret 1, crown height"].verdict == Verdict.WITHIN
    assert checks["fret 2, crown height"].verdict == Verdict.BEYOND


def test_a_choice_of_an_option_there_is_no_more_is_none(store, job, put):
    put(job, 1, [0.15] * 6)
    change_terms(store, job, choice=Kind.REFRET, note="wanted")
    db = sqlite3.connect(store.data_dir / "jobs.sqlite")
    db.execute("UPDATE terms SET choice = 'something else'")
    db.commit()
    db.close()
    assert decide(store, job).kind == Kind.LEVEL


def test_the_visit_after_the_work_gets_an_answer_by_command(store, job, put, capsys):
    put(job, 1, [0.15] * 6)
    put(job, 2, [0.0] * 6, visit="after")
    assert main(["estimate", "1", "--visit", "after", "--data", str(store.data_dir)]) == 2
    assert "nothing to estimate yet" in capsys.readouterr().err
    write_fret_heights(store, job, dict.fromkeys(range(1, 7), 0.95), "after")
    assert main(["estimate", "1", "--visit", "after", "--data", str(store.data_dir)]) == 0
    assert "leave" in capsys.readouterr().out


def test_wire_in_stock_is_matched_to_the_wire_on_the_board(store, job, monkeypatch):
    assert wire_matches(store, job) == ()
    add_wire(store, WireStock("taller", "stainless", 2.6, 1.35, 0.60))
    add_wire(store, WireStock("as now", "nickel silver", 2.6, 1.1, 0.52))
    cut = FretReading(1, crown_width=mm(2.6), crown_height=mm(1.1), tang_width=mm(0.52))
    who = PhotoSummary("s.jpg", "0" * 64, 160, 120)
    measure_with(monkeypatch, lambda *_: Inspection("section", who, "t", {}, (cut,)))
    photo = add_photo(store, job, jpeg(3), "s.jpg", "section").photo
    measure_photo(store, photo.id, Ask("section"))
    found = wire_matches(store, job)
    assert [(m.wire.label, m.relation) for m in found] == [("as now", "same"), ("taller", "taller")]
    assert found[0].warnings == ()
    assert "0.08 mm wider" in " ".join(found[1].warnings)


def test_the_wire_chosen_is_priced_alike_in_option_and_estimate_and_can_be_taken_off(store, job, put):
    put(job, 1, [0.3] * 6)
    wire = add_wire(store, WireStock("costly", "stainless", 2.6, 1.3, price=900))
    change_terms(store, job, wire_id=wire.id)
    price = decide(store, job).option(Kind.REFRET).price
    assert totals(draft(store, job, kind=Kind.REFRET).estimate).lines == price
    assert change_terms(store, job, wire_id=0).wire is None


@pytest.mark.slow
def test_export_holds_papers_pictures_and_readings_and_no_location(store, job, put, tmp_path):
    put(job, 1, [0.15] * 6)
    issue_estimate(store, draft(store, job).id)
    one = export_job(store, job, tmp_path / "one.zip").read_bytes()
    assert one == export_job(store, job, tmp_path / "two.zip").read_bytes() == export_bytes(store, job)
    with zipfile.ZipFile(io.BytesIO(one)) as z:
        names = z.namelist()
        rows = list(csv.DictReader(io.StringIO(z.read("readings.csv").decode())))
        answers = json.loads(z.read("readings.json"))
        picture = next(n for n in names if n.startswith("pictures/"))
        exif = Image.open(io.BytesIO(z.read(picture))).getexif()
    assert {"estimate-1.pdf", "bench-sheet.pdf", "record-intake.pdf"} <= set(names)
    folder = export_job(store, job, tmp_path / "as-folder")
    assert sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()) == sorted(names)
    with pytest.raises(OptionError, match="something already"):
        export_job(store, job, folder)
    assert next(r for r in rows if r["reading"] == "fret 1, divots 1, depth")["unit"] == "mm"
    assert answers[0]["view"] == "elevation"
    assert not exif
    with pytest.raises(OptionError):
        export_job(store, job, tmp_path / "x.zip", longest=5)
    with pytest.raises(StoreError):
        export_job(store, job, tmp_path / "none" / "x.zip")


@pytest.mark.slow
def test_papers_by_command(store, job, put, tmp_path, capsys):
    put(job, 1, [0.15] * 6)
    put(job, 2, [0.0] * 6, visit="after")
    data = ["--data", str(store.data_dir)]
    for words in (
        ["estimate", "1", "--issue", "--out", str(tmp_path / "e.pdf"), "--paper", "letter"],
        ["report", "1", "--kind", "bench", "--out", str(tmp_path / "b.pdf")],
        ["report", "1", "--kind", "handover", "--out", str(tmp_path / "h.pdf")],
        ["report", "1", "--kind", "record", "--out", str(tmp_path / "r.pdf")],
        ["report", "1", "--kind", "record", "--visit", "after", "--out", str(tmp_path / "s.pdf")],
        ["export", "1", "--out", str(tmp_path / "j.zip"), "--pixels", "400"],
    ):
        assert main([*words, *data]) == 0
    assert "level, crown and polish" in capsys.readouterr().out
    assert all((tmp_path / n).read_bytes()[:4] == b"%PDF" for n in ("e.pdf", "b.pdf", "h.pdf", "r.pdf", "s.pdf"))
    assert main(["estimate", "77", *data]) == 2
    assert "no job #77" in capsys.readouterr().err


def test_the_command_offers_every_option_there_is():
    assert list(OPTIONS) == [str(k) for k in Kind]


def test_pictures_are_no_larger_than_asked(store, job, put):
    put(job, 1, [0.1] * 6)
    photo = add_photo(store, job, jpeg(1, gps=True), "e1.jpg", "elevation").photo
    size = Image.open(io.BytesIO(picture_of(store, photo, 100))).size
    assert max(size) == 100
    assert Image.open(io.BytesIO(picture_of(store, replace(photo, inspection=None), 1000))).size == (160, 120)
