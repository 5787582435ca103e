"""The pages from options to handover, driven from the entry script on a job with known readings."""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import inspect_app.ui
from inspect_app.options import Kind
from inspect_app.services import open_store
from inspect_app.services.deciding import decide, wires
from inspect_app.services.estimating import estimates
from inspect_app.ui import server
from tests.inspect_app.deciding_case import make_job, put_elevation

APP = Path(inspect_app.ui.__file__).parent / "app.py"
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")


@pytest.fixture
def store(tmp_path, monkeypatch):
    opened = open_store(tmp_path / "data")
    monkeypatch.setattr(server, "store", lambda: opened)
    yield opened
    opened.close()


@pytest.fixture
def job(store, monkeypatch):
    made = make_job(store)
    put_elevation(store, monkeypatch, made, 1, [0.15] * 6)
    return made


def open_page(file, job):
    at = AppTest.from_file(str(APP), default_timeout=30)
    at.query_params["job"] = str(job)
    at.session_state["job"] = str(job)
    at.run()
    at.switch_page(f"app_pages/{file}").run()
    assert not at.exception, at.exception
    return at


def words(at):
    return " ".join(m.value for m in [*at.markdown, *at.title, *at.info, *at.caption, *at.error])


def press(at, label):
    next(b for b in at.button if b.label == label).click()
    at.run()
    assert not at.exception, at.exception


def test_options_page_recommends_and_shows_every_option(store, job):
    at = open_page("options.py", job)
    assert "Recommended: level, crown and polish" in words(at)
    assert len(at.expander) == len(Kind)


def test_overruling_without_a_reason_is_said(store, job):
    at = open_page("options.py", job)
    next(s for s in at.selectbox if s.label == "Option").set_value(str(Kind.REFRET))
    press(at, "Keep this")
    assert "needs a note" in words(at)
    assert decide(store, job).kind == Kind.LEVEL


def test_a_job_without_scale_length_says_what_to_do(store):
    at = open_page("options.py", make_job(store, scale_length=None))
    assert "scale length" in words(at)


def test_from_draft_to_accepted(store, job):
    at = open_page("options.py", job)
    press(at, "Draft the estimate")
    at = open_page("estimate.py", job)
    press(at, "Issue it")
    assert estimates(store, job)[0].status == "issued"
    press(at, "Accepted")
    assert estimates(store, job)[0].status == "accepted"


def test_estimate_page_without_one_points_to_the_options(store, job):
    assert "no estimate yet" in words(open_page("estimate.py", job))


def test_after_work_page_asks_for_photos_then_shows_verdicts(store, job, monkeypatch):
    assert "No photos were taken after" in words(open_page("after_work.py", job))
    put_elevation(store, monkeypatch, job, 2, [0.0] * 6, visit="after")
    at = open_page("after_work.py", job)
    assert "within" in words(at)


def test_shop_page_keeps_wire_and_refuses_a_nameless_one(store, job):
    at = open_page("shop.py", job)
    press(at, "Put it on the list")
    assert "no label" in words(at)
    next(t for t in at.text_input if t.label == "Label").set_value("drawer 2")
    press(at, "Put it on the list")
    assert [w.stock.label for w in wires(store)] == ["drawer 2"]
