"""The demo as a newcomer finds it: a finished job whose every page has something on it, and a fresh one to try."""

import re

import pytest
from playwright.sync_api import expect

from inspect_app.decide.limits import Verdict
from inspect_app.demo import load_finished
from inspect_app.services import left_to_decide, open_store
from inspect_app.services.papers import proof_of
from tests.browser.at_rest import settled
from tests.browser.conftest import ANSWER_MS, window

pytestmark = [pytest.mark.browser, pytest.mark.slow]
SIGNS = ("✓ within", "✕ beyond", "? cannot tell")
SHOWS = {  # each page of the finished job, and what a page that is not empty has on it
    "job": ".st-key-standing",
    "photos": "[class*='st-key-card-'] img",
    "by_hand": "h2:has-text('Kept with this photo')",
    "findings": ".viewer",
    "readings": ".viewer",
    "wear_map": ".heat table",
    "options": "h2:has-text('Recommended')",
    "estimate": "text=/^Accepted by/",
    "after_work": "table >> text=✓ within",
}


@pytest.fixture(scope="module")
def finished(demo):
    """The finished demo job beside the one to try: address, its id, the other's id, the data folder."""
    address, fresh, data = demo
    store = open_store(data)
    job = load_finished(store)
    store.close()
    return address, job, fresh, data


def opened(page, path):
    page.goto(path)
    page.locator("h1").wait_for()
    settled(page)


@pytest.mark.parametrize("name", SHOWS)
def test_no_page_of_the_finished_job_is_empty(chromium, finished, name):
    address, job, *_ = finished
    with window(chromium, address) as page:
        opened(page, f"{address}/{name}?job={job}")
        expect(page.locator(SHOWS[name]).first).to_be_visible(timeout=ANSWER_MS)
        expect(page.get_by_role("alert").filter(has_text=re.compile("^(No|Nothing|There is no) "))).to_have_count(0)


def test_its_estimate_is_accepted_and_its_proof_says_something_of_every_item(chromium, finished):
    address, job, _, data = finished
    store = open_store(data)
    checks = proof_of(store, job)
    store.close()
    with window(chromium, address) as page:
        opened(page, f"{address}/estimate?job={job}")
        expect(page.get_by_text(re.compile("^Revision 1, accepted"))).to_be_visible(timeout=ANSWER_MS)
        opened(page, f"{address}/after_work?job={job}")
        verdicts = page.get_by_role("cell").filter(has_text=re.compile(f"^({'|'.join(map(re.escape, SIGNS))})$"))
        expect(verdicts).to_have_count(len(checks), timeout=ANSWER_MS)
        expect(verdicts.filter(has_text=SIGNS[0])).to_have_count(len(checks))
    assert len(checks) > 10
    assert all(c.verdict is Verdict.WITHIN for c in checks)


def test_one_doubtful_reading_is_left_and_a_fresh_job_stands_beside(chromium, finished):
    address, job, fresh, data = finished
    store = open_store(data)
    assert left_to_decide(store, job).features == 1
    store.close()
    with window(chromium, address) as page:
        opened(page, address)
        for each in (job, fresh):
            expect(page.locator(f'a[href$="job={each}"]').first).to_be_visible(timeout=ANSWER_MS)
        opened(page, f"{address}/readings?job={job}")
        expect(page.get_by_text(re.compile(r"^1 of \d+ to decide"))).to_be_visible(timeout=ANSWER_MS)
        opened(page, f"{address}/readings?job={fresh}")
        expect(page.get_by_text(re.compile(r"^(\d\d+|[2-9]) of \d+ to decide"))).to_be_visible(timeout=ANSWER_MS)
