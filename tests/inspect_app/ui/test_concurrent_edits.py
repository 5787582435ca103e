"""Two windows on the same form: what each typed is kept, and what both changed is a person's choice."""

import dataclasses

import pytest
from streamlit.testing.v1 import AppTest

from inspect_app.services import get_setting, job_view, put_setting, update_job
from inspect_app.services.deciding import shop_limits
from inspect_app.ui.concurrent_edits import MergedEdit, merge
from tests.inspect_app.ui.conftest import APP, send

pytestmark = [pytest.mark.filterwarnings("ignore::DeprecationWarning"), pytest.mark.usefixtures("served")]
BASE = {"a": 1, "b": 1}


@pytest.mark.parametrize(
    ("mine", "now", "expected"),
    [
        ({"a": 2, "b": 1}, BASE, MergedEdit({"a": 2, "b": 1}, (), ())),
        (BASE, {"a": 1, "b": 3}, MergedEdit({"a": 1, "b": 3}, ("b",), ())),
        ({"a": 2, "b": 1}, {"a": 1, "b": 3}, MergedEdit({"a": 2, "b": 3}, ("b",), ())),
        ({"a": 2, "b": 1}, {"a": 3, "b": 1}, MergedEdit({"a": 2, "b": 1}, (), ("a",))),
        ({"a": 2, "b": 1}, {"a": 2, "b": 1}, MergedEdit({"a": 2, "b": 1}, (), ())),
    ],
    ids=["mine alone", "theirs alone", "both, apart", "both, the same field", "both, to the same"],
)
def test_two_changes_of_the_same_fields(mine, now, expected):
    assert merge(BASE, mine, now) == expected


def open_at(file, **params):
    at = AppTest.from_file(APP, default_timeout=60)
    for name, value in params.items():
        at.query_params[name] = value
    if "job" in params:
        at.session_state[f"details-of-{params['job']}"] = True  # the fold with the form is open
    at.run()
    at.switch_page(f"app_pages/{file}").run()
    assert not at.exception, at.exception
    return at


def fill(at, label, value):
    next(w for w in (*at.text_input, *at.number_input, *at.text_area) if w.label == label).set_value(value)


def elsewhere(store, job, **changes):
    """Another window saves the job."""
    view = job_view(store, job)
    update_job(store, job, dataclasses.replace(view.details, **changes), view.revision)


def test_a_second_save_of_a_job_keeps_both_changes(store, job):
    at = open_at("job.py", job=str(job))
    elsewhere(store, job, contact="side door")
    fill(at, "Asked for", "a dress")
    send(at, "Keep these details")
    details = job_view(store, job).details
    assert (details.contact, details.asked_for) == ("side door", "a dress")


@pytest.mark.slow
@pytest.mark.parametrize(("answer", "kept"), [("Keep what was typed here", "mine"), ("Keep the other", "theirs")])
def test_a_field_that_both_changed_is_asked_with_both_versions(store, job, answer, kept):
    at = open_at("job.py", job=str(job))
    elsewhere(store, job, contact="theirs")
    fill(at, "How to reach them", "mine")
    send(at, "Keep these details")
    assert job_view(store, job).details.contact == "theirs"
    assert "choose which to keep" in at.warning[0].value
    shown = at.table[-1].value.to_string()
    assert "mine" in shown
    assert "theirs" in shown
    send(at, answer)
    assert job_view(store, job).details.contact == kept


def test_limits_saved_in_two_windows_are_both_kept(store):
    at = open_at("shop.py")
    entries = shop_limits(store).entries[:2]
    put_setting(store, "limits", shop_limits(store).with_value(entries[0].key, 0.111).to_dict())
    second = next(w for w in at.number_input if w.label.startswith(entries[1].text))
    second.set_value(0.222)
    send(at, "Keep these limits")
    kept = shop_limits(store)
    assert (kept[entries[0].key].value, kept[entries[1].key].value) == (0.111, 0.222)


def test_a_letterhead_both_changed_is_asked(store):
    at = open_at("shop.py")
    put_setting(store, "shop", {"name": "North bench", "lines": []})
    fill(at, "Name on the papers", "South bench")
    send(at, "Keep this name and address")
    assert (get_setting(store, "shop") or {})["name"] == "North bench"
    send(at, "Keep what was typed here")
    assert (get_setting(store, "shop") or {})["name"] == "South bench"


@pytest.mark.slow
def test_prices_kept_say_so(store):
    at = open_at("shop.py")
    fill(at, "Tax, %", 12.0)
    send(at, "Keep these prices")
    assert any("Prices kept" in s.value for s in at.success)
    assert (get_setting(store, "prices") or {})["rates"]["tax_percent"] == "12"
