"""The estimate on the page: what is typed is what is issued, an answer can be undone, no column is off the screen."""

import re

import pytest
from playwright.sync_api import expect

from inspect_app.decide.estimate import totals
from inspect_app.services import open_store
from inspect_app.services.estimating import draft, estimates, issue_estimate
from tests.browser.at_rest import settled
from tests.browser.conftest import WIDTHS, keep_picture, window
from tests.browser.test_axe import findings

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture
def drafted(demo):
    """A draft on the demo job, the earlier revisions left: address, job, data folder."""
    address, job, data = demo
    store = open_store(data)
    draft(store, job)
    store.close()
    return address, job, data


def newest(data, job):
    store = open_store(data)
    found = estimates(store, job)[0]
    store.close()
    return found


def open_estimate(page, address, job):
    page.goto(f"{address}/estimate?job={job}")
    page.get_by_role("heading", name="Estimate", exact=True).wait_for()
    settled(page)


def test_what_is_typed_is_what_is_issued_and_an_answer_is_undone(chromium, drafted):
    address, job, data = drafted
    with window(chromium, address) as page:
        open_estimate(page, address, job)
        page.get_by_label("Tax, %").fill("8")
        page.get_by_label("Note to the customer").fill("school price")  # leaves the field above, is left by the click
        page.get_by_role("button", name="Issue it …").click()
        expect(page.get_by_text(re.compile("Issue revision"))).to_contain_text("292.14")
        keep_picture(page, "estimate-issue")
        page.get_by_role("button", name="Issue this").click()
        page.get_by_role("button", name="Accepted").wait_for()
        settled(page)
        issued = newest(data, job)
        assert (issued.status, totals(issued.estimate).total, issued.estimate.note) == ("issued", 29214, "school price")
        page.get_by_label("Answered by").fill("Her brother")
        page.get_by_role("button", name="Accepted").click()
        page.get_by_text(re.compile("Accepted by Her brother")).wait_for()
        settled(page)
        assert newest(data, job).status == "accepted"
        keep_picture(page, "estimate-accepted")
        page.get_by_role("button", name="Undo this answer").click()
        page.get_by_role("button", name="Declined").wait_for()
        assert newest(data, job).status == "issued"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_draft_and_issued_have_no_serious_finding(chromium, drafted, scheme):
    address, job, data = drafted
    with window(chromium, address, color_scheme=scheme) as page:
        open_estimate(page, address, job)
        page.get_by_role("button", name="Issue it …").click()
        page.get_by_role("button", name="Not yet").wait_for()
        settled(page)
        assert findings(page) == []
        store = open_store(data)
        issue_estimate(store, estimates(store, job)[0].id)
        store.close()
        open_estimate(page, address, job)
        page.get_by_role("button", name="Accepted").wait_for()
        settled(page)
        assert findings(page) == []


def test_no_field_of_a_line_is_off_the_screen_and_no_work_is_cut(chromium, drafted):
    address, job, _ = drafted
    with window(chromium, address) as page:
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 900})
            open_estimate(page, address, job)
            page.get_by_role("img", name=re.compile("Draft of estimate")).first.wait_for()
            settled(page)
            row = page.locator('[class*="st-key-lines-row-"]').first
            fields = row.locator("textarea, input, button").all()
            assert len(fields) >= 5
            keep_picture(page, f"estimate-{width}")
            for box in (f.bounding_box() for f in fields):
                assert box["x"] >= 0
                assert box["x"] + box["width"] <= width
            work = row.locator("textarea").first
            assert work.evaluate("e => e.scrollHeight - e.clientHeight") <= 1
            assert page.evaluate("document.documentElement.scrollWidth") <= width
