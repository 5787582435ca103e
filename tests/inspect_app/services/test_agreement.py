"""What the customer answered: what stands, what is refused, what goes out to the books; old stores taken over."""

import csv
import io
import json
import sqlite3
from dataclasses import replace
from datetime import date
from functools import partial

import pytest

from inspect_app.decide.estimate import Line
from inspect_app.decide.options import Kind
from inspect_app.instrument.wire import WireStock
from inspect_app.services import open_store, put_setting
from inspect_app.services.agreements import agreement_of
from inspect_app.services.deciding import add_wire, change_terms, shop_prices
from inspect_app.services.estimating import (
    accept_estimate,
    change_estimate,
    decline_estimate,
    draft,
    estimates,
    issue_estimate,
    take_back,
)
from inspect_app.services.exporting import accepted_csv, accepted_json
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


@pytest.fixture
def two_revisions(store, job, put):
    """The first accepted, the second issued with other lines."""
    put(job, 1, [0.15] * 6)
    first = accept_estimate(store, issue_estimate(store, draft(store, job).id).id)
    second = draft(store, job)
    change_estimate(store, second.id, lines=(Line("Everything", "1", "lot", 30000),))
    return first, issue_estimate(store, second.id)


def test_what_was_accepted_stands_until_another_is_accepted(store, job, two_revisions):
    first, second = two_revisions
    assert [e.status for e in estimates(store, job)] == ["issued", "accepted"]
    assert agreement_of(store, job).estimate.revision == 1
    decline_estimate(store, second.id)
    assert [e.status for e in estimates(store, job)] == ["declined", "accepted"]
    assert agreement_of(store, job).estimate == first.estimate
    take_back(store, second.id)
    accept_estimate(store, second.id)
    assert [e.status for e in estimates(store, job)] == ["accepted", "superseded"]
    assert agreement_of(store, job).estimate.revision == 2


def test_an_answer_taken_back_leaves_what_stood_before(store, job, two_revisions):
    first, second = two_revisions
    accept_estimate(store, second.id)
    take_back(store, second.id)
    assert [e.status for e in estimates(store, job)] == ["issued", "accepted"]
    take_back(store, first.id)
    assert agreement_of(store, job) is None
    with pytest.raises(OptionError, match="not answered"):
        take_back(store, first.id)
    with pytest.raises(OptionError, match="stands accepted"):
        accepted_csv(store, job)


def test_the_customer_is_who_answers_where_nobody_is_named(store, job, two_revisions):
    assert two_revisions[0].answer.by == "A. Customer"


def test_an_acceptance_after_the_validity_needs_a_note(store, job, put):
    put(job, 1, [0.15] * 6)
    made = draft(store, job)
    change_estimate(store, made.id, valid_until="2020-01-01")
    issued = issue_estimate(store, made.id)
    with pytest.raises(OptionError, match="held until 2020-01-01"):
        accept_estimate(store, issued.id)
    assert estimates(store, job)[0].status == "issued"
    assert accept_estimate(store, issued.id, note="the price still holds").status == "accepted"


def test_an_answer_is_kept_as_it_was_given(store, job, two_revisions):
    db = sqlite3.connect(store.data_dir / "jobs.sqlite")
    for sql in ('UPDATE answers SET "by" = "x"', "DELETE FROM answers", "UPDATE answers SET accepted = 0"):
        with pytest.raises(sqlite3.IntegrityError, match="kept as it was given"):
            db.execute(sql)
    db.close()


def test_answers_given_before_they_were_kept_are_taken_over(store, job, two_revisions):
    """A store as the version before left it: the first accepted and pushed aside, the second declined."""
    first, second = two_revisions
    db = sqlite3.connect(store.data_dir / "jobs.sqlite")
    later = ("zero_fret", "lacquered", "multi_scale", "courses")
    db.executescript("".join(f"ALTER TABLE jobs DROP COLUMN {c};" for c in later))
    db.executescript(
        "DROP TABLE gauge_readings;"
        "DROP TABLE fret_work; DROP TABLE same_instrument; DROP TABLE bench_checks; DROP TABLE lens_profiles;"
        "DROP TABLE answers; DROP TABLE seals; DROP TABLE actions; DROP TABLE print_bars; DROP TABLE gauges;"
        "ALTER TABLE prints DROP COLUMN verified; ALTER TABLE prints DROP COLUMN retired;"
        "ALTER TABLE fret_heights DROP COLUMN gauge_id;"
        "ALTER TABLE wires DROP COLUMN currency; UPDATE alembic_version SET version_num = '0003';"
        f"UPDATE estimates SET status = 'superseded', decided_on = '2026-05-05' WHERE id = {first.id};"
        f"UPDATE estimates SET status = 'declined', decided_on = '2026-05-07' WHERE id = {second.id};"
    )
    db.close()
    again = open_store(store.data_dir)
    assert [e.status for e in estimates(again, job)] == ["declined", "accepted"]
    agreement = agreement_of(again, job)
    assert (agreement.estimate.revision, agreement.answer.on) == (1, date(2026, 5, 5))
    assert agreement.answer.pdf_sha256 == first.pdf_sha256
    again.close()


def test_accepted_lines_go_out_as_csv_and_json(store, job, put):
    put(job, 1, [0.15] * 6)
    made = draft(store, job)
    rows = (Line("=Everything", "1", "lot", 5020),)
    change_estimate(store, made.id, lines=rows, discount_percent="12.5", tax_percent="19")
    accept_estimate(store, issue_estimate(store, made.id).id, by="A. Customer", how="by mail")
    table = list(csv.DictReader(io.StringIO(accepted_csv(store, job))))
    said = {r["kind"]: (r["amount"], r["currency"]) for r in table}
    assert said["line"] == ("50.20", "USD")
    assert (said["net"][0], said["tax"][0], said["total"][0]) == ("43.92", "8.34", "52.26")
    assert table[0]["text"] == "'=Everything"  # no spreadsheet takes it for a formula
    data = json.loads(accepted_json(store, job))
    assert data["totals"]["tax"] == 834
    assert data["accepted"]["how"] == "by mail"
    assert len(data["accepted"]["pdf_sha256"]) == 64


def test_a_draft_that_changed_since_it_was_shown_is_not_issued(store, job, put):
    put(job, 1, [0.15] * 6)
    shown = draft(store, job)
    change_estimate(store, shown.id, discount_percent="10")
    with pytest.raises(OptionError, match="another window"):
        issue_estimate(store, shown.id, shown=shown.content_hash)
    assert estimates(store, job)[0].status == "draft"


def test_a_wire_keeps_the_currency_of_its_price(store, job, put):
    put(job, 1, [0.3] * 6)
    wire = add_wire(store, WireStock("drawer 2", "nickel silver", 2.6, 1.3, price=220))
    assert wire.stock.currency == "USD"
    yen = replace(shop_prices(store), currency="JPY", minor_digits=0)
    put_setting(store, "prices", yen.to_dict())
    change_terms(store, job, wire_id=wire.id, prices=yen)
    row = next(r for r in draft(store, job, kind=Kind.REFRET).estimate.lines if "wire" in r.text)
    assert row.unit_price == yen.materials["wire_per_fret"]
    assert "the wire's own is in USD" in row.text
