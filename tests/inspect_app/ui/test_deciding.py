"""The pages from options to handover, driven from the entry script on a job with known readings."""

import pytest

from inspect_app.decide.estimate import totals
from inspect_app.decide.options import Kind
from inspect_app.instrument.wire import WireStock
from inspect_app.jobs.store import reading
from inspect_app.services import put_setting
from inspect_app.services.deciding import add_wire, decide, fret_heights, shop_prices, wires
from inspect_app.services.estimating import draft, estimates, issue_estimate
from inspect_app.services.heights import earlier_job, fret_work
from tests.inspect_app.deciding_case import make_job, put_elevation
from tests.inspect_app.ui.conftest import open_page, send

pytestmark = [pytest.mark.filterwarnings("ignore::DeprecationWarning"), pytest.mark.usefixtures("served")]


@pytest.fixture
def job(worn_job):
    return worn_job


def words(at):
    return " ".join(m.value for m in [*at.markdown, *at.title, *at.info, *at.caption, *at.error])


def test_options_page_recommends_and_shows_every_option(store, job):
    at = open_page("options.py", job)
    assert "Recommended: level, crown and polish" in words(at)
    assert len([e for e in at.expander if e.label.split(" · ")[0].removeprefix("● ").lower() in list(Kind)]) == len(
        Kind
    )


@pytest.mark.slow
def test_the_options_page_speaks_in_the_shops_unit(store, job):
    in_mm = words(open_page("options.py", job))
    assert "thou" not in in_mm
    put_setting(store, "length", {"unit": "inch"})
    in_inches = words(open_page("options.py", job)).replace("\\", "")
    assert "5.9 ± " in in_inches  # 0.15 mm
    assert " mm" not in in_inches


@pytest.mark.slow
def test_overruling_without_a_reason_is_said(store, job):
    at = open_page("options.py", job)
    next(s for s in at.selectbox if s.label == "Option").set_value(str(Kind.REFRET))
    send(at, "Keep wire, bevel and option")
    assert "needs a note" in words(at)
    assert decide(store, job).kind == Kind.LEVEL


def test_a_job_without_scale_length_says_what_to_do(store):
    at = open_page("options.py", make_job(store, scale_length=None))
    assert "scale length" in words(at)


@pytest.mark.slow
def test_from_draft_to_accepted(store, job):
    at = open_page("options.py", job)
    send(at, "Draft the estimate")
    at = open_page("estimate.py", job)
    send(at, "Issue it …")
    assert estimates(store, job)[0].status == "draft"
    assert "does not change" in words(at)
    send(at, "Not yet")
    assert estimates(store, job)[0].status == "draft"
    send(at, "Issue it …")
    send(at, "Issue this")
    assert estimates(store, job)[0].status == "issued"
    next(t for t in at.text_input if t.label == "Answered by").set_value("Her brother")
    send(at, "Accepted")
    view = estimates(store, job)[0]
    assert (view.status, view.answer.by, view.answer.how) == ("accepted", "Her brother", "signed")
    assert "Accepted by Her brother" in words(at)
    send(at, "Undo this answer")
    assert estimates(store, job)[0].status == "issued"


def test_what_is_typed_is_what_is_issued(store, job):
    draft(store, job)
    at = open_page("estimate.py", job)
    next(t for t in at.text_input if t.label == "Tax, %").set_value("8").run()
    next(t for t in at.text_area if t.label == "Note to the customer").set_value("school price").run()
    shown = [str(v).replace("\\", "") for column in at.table[0].value.to_dict("list").values() for v in column]
    assert "**292.14 USD**" in shown  # 270.50 and 8 %: 21.64
    send(at, "Issue it …")
    assert "292.14" in words(at).replace("\\", "")
    send(at, "Issue this")
    e = estimates(store, job)[0].estimate
    assert (totals(e).total, e.note) == (29214, "school price")


def test_a_percentage_that_is_none_is_said_and_not_kept(store, job):
    draft(store, job)
    at = open_page("estimate.py", job)
    next(t for t in at.text_input if t.label == "Discount, %").set_value("much").run()
    assert "not possible" in words(at)
    assert estimates(store, job)[0].estimate.discount_percent == "0"
    assert next(t for t in at.text_input if t.label == "Discount, %").value == "0"


@pytest.mark.slow
def test_the_reason_can_be_put_in_own_words_and_given_back(store, job):
    draft(store, job)
    at = open_page("estimate.py", job)
    field = next(t for t in at.text_area if t.label.startswith("Why"))
    proposed = field.value
    assert "grooves out" in proposed
    field.set_value("Because she asked.").run()
    assert estimates(store, job)[0].estimate.why == "Because she asked."
    next(t for t in at.text_area if t.label.startswith("Why")).set_value("").run()
    assert estimates(store, job)[0].estimate.why == ""
    assert next(t for t in at.text_area if t.label.startswith("Why")).value == proposed


@pytest.mark.slow
def test_the_e_mail_is_ready_to_paste(store, job):
    view = draft(store, job)
    issue_estimate(store, view.id)
    at = open_page("estimate.py", job)
    assert not at.code  # set when it is asked for
    at.session_state[f"mail-{view.id}"] = True
    at.run()
    assert any("I accept estimate 1" in c.value for c in at.code)


def test_estimate_page_without_one_points_to_the_options(store, job):
    assert "no estimate yet" in words(open_page("estimate.py", job))


@pytest.mark.slow
def test_after_work_page_asks_for_photos_then_shows_verdicts(store, job, monkeypatch):
    assert "No photos were taken after" in words(open_page("after_work.py", job))
    put_elevation(store, monkeypatch, job, 2, [0.0] * 6, visit="after")
    at = open_page("after_work.py", job)
    assert "within" in words(at)


@pytest.mark.slow
def test_heights_typed_after_the_work_are_held_against_the_forecast(store, job, monkeypatch):
    issue_estimate(store, draft(store, job).id)
    put_elevation(store, monkeypatch, job, 2, [0.0] * 6, visit="after")
    at = open_page("after_work.py", job)
    field = next(t for t in at.text_input if t.label.startswith("Fret and height"))
    field.set_value("1: 0.95; 2 0.9")
    send(at, "Keep these heights")
    assert "not a fret and its height" in words(at)
    next(t for t in at.text_input if t.label.startswith("Fret and height")).set_value("1: 0.95, 2: 0,6 mm")
    send(at, "Keep these heights")
    assert {n: q.value for n, q in fret_heights(store, job, "after").items()} == {1: 0.95, 2: 0.6}
    rows = {str(r["Check"]): str(r["Verdict"]) for r in at.table[0].value.to_dict("records")}
    assert rows["fret 1, crown height"] == "✓ within"
    assert rows["fret 2, crown height"] == "✕ beyond"


def test_options_of_the_visit_after_the_work_get_an_answer(store, job, monkeypatch):
    put_elevation(store, monkeypatch, job, 2, [0.0] * 6, visit="after")
    at = open_page("options.py", job)
    at.button_group(key=f"options-visit-{job}").set_value("after").run()
    assert not at.exception, at.exception
    assert "Nothing can be recommended yet" in words(at)
    assert "calliper" in words(at)


@pytest.mark.slow
def test_limits_are_set_for_one_instrument(store, job):
    at = open_page("options.py", job, fold="limits")
    at.number_input(key=f"limits-{job}-0-crown_height-mm").set_value(0.95)
    send(at, "Keep for this instrument")
    kept = decide(store, job).terms.limits["crown_height"]
    assert (kept.value, kept.source) == (0.95, "set for this instrument")
    assert decide(store, make_job(store)).terms.limits["crown_height"].value == 0.70


@pytest.mark.slow
def test_work_on_the_frets_is_written_down_and_taken_back(store, job, monkeypatch):
    put_elevation(store, monkeypatch, job, 2, [0.0] * 6, visit="after")
    at = open_page("after_work.py", job, fold="work")
    next(t for t in at.text_input if t.label == "Frets").set_value("1-3, x")
    send(at, "Write it down")
    assert "not a fret or a run" in words(at)
    next(t for t in at.text_input if t.label == "Frets").set_value("1-3")
    next(t for t in at.text_input if t.label == "Came off the tops, mm").set_value("0,15")
    send(at, "Write it down")
    (work,) = fret_work(store, job)
    assert (work.kind, work.frets, work.off.value) == ("levelled", (1, 2, 3), 0.15)
    send(at, "Take back")
    assert fret_work(store, job) == ()


@pytest.mark.slow
def test_a_job_goes_on_from_an_earlier_one(store, job):
    later = make_job(store)
    at = open_page("options.py", later, fold="work")
    field = next(n for n in at.number_input if n.label.startswith("This instrument was here before"))
    field.set_value(77)
    send(at, "Go on from that job")
    assert "no job no" in words(at)
    next(n for n in at.number_input if n.label.startswith("This instrument was here before")).set_value(1)
    send(at, "Go on from that job")
    with reading(store) as session:
        assert earlier_job(session, later).id == job


def test_an_issued_estimate_can_not_be_changed_from_a_page_opened_before(store, job):
    draft(store, job)
    stale = open_page("estimate.py", job)
    issued = issue_estimate(store, estimates(store, job)[0].id)
    next(t for t in stale.text_area if t.label == "Note to the customer").set_value("cheaper").run()
    assert not stale.exception
    assert "was issued and does not change" in words(stale)
    assert estimates(store, job) == (issued,)
    fresh = open_page("estimate.py", job)
    assert "Issue it …" not in {b.label for b in fresh.button}
    assert not [t for t in fresh.text_input if t.label == "Discount, %"]


@pytest.mark.slow
def test_options_page_shows_cost_wire_likeness_and_whose_limits(store, job):
    add_wire(store, WireStock("drawer 2", "stainless", 2.6, 1.4))
    draft(store, job)
    put_setting(store, "limits", decide(store, job).terms.limits.with_value("crown_height", 0.8).to_dict())
    at = open_page("options.py", job)
    assert "Labour 3.5 h, 262.50 USD; material 8.00 USD" in words(at).replace("\\", "")
    send(at, "Use the shop's present ones")
    assert decide(store, job).terms.limits["crown_height"].value == 0.8


@pytest.mark.slow
def test_shop_page_keeps_wire_and_refuses_a_nameless_one(store, job):
    at = open_page("shop.py", job)
    send(at, "Put it on the list")
    assert "no label" in words(at)
    next(t for t in at.text_input if t.label == "Label").set_value("drawer 2")
    send(at, "Put it on the list")
    assert [w.stock.label for w in wires(store)] == ["drawer 2"]


@pytest.mark.slow
def test_shop_page_changes_currency_with_its_own_decimals(store, job):
    at = open_page("shop.py", job)
    next(t for t in at.text_input if t.label.startswith("Currency")).set_value("jpy")
    hours = {n.label for n in at.number_input if n.label.endswith(", hours")}
    named = {work.replace("_", " ").capitalize() + ", hours" for work in shop_prices(store).hours}
    assert len(hours) == len(named)
    assert hours.isdisjoint(named)  # each has words of its own, not its name in the table
    next(n for n in at.number_input if n.label == "Labour an hour").set_value(9000.0)
    send(at, "Keep these prices")
    book = shop_prices(store)
    assert (book.currency, book.minor_digits, book.rates["labour_per_hour"]) == ("JPY", 0, 9000)
    assert any("No amount was converted" in w.value for w in at.warning)
    at = open_page("shop.py", job)
    next(t for t in at.text_input if t.label.startswith("Currency")).set_value("abc")
    send(at, "Keep these prices")
    assert "no currency" in words(at)
    assert shop_prices(store) == book
