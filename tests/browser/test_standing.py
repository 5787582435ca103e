"""Where a job stands follows what is done; a job is closed, put away and found again; an answer can be taken back."""

import re

import pytest
from playwright.sync_api import expect

from inspect_app.services import JobDetails, create_job, open_store
from inspect_app.services.estimating import draft, estimates, issue_estimate
from tests.browser.at_rest import settled
from tests.browser.conftest import ANSWER_MS, window
from tests.browser.test_whole_job import measured_job

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def opened(page, path):
    page.goto(f"{page.address}/{path}")
    page.locator("h1").wait_for()
    settled(page)


def stands(page):
    """What the job's page says of where it stands."""
    return page.locator(".st-key-standing").get_by_role("heading", level=2)


def shown_as(page, choice):
    """The list narrowed down so; the line of the job whose customer nobody else has."""
    page.get_by_role("radio", name=choice, exact=True).click()
    expect(page.get_by_role("radio", name=choice, exact=True)).to_be_checked(timeout=ANSWER_MS)
    settled(page)
    return page.get_by_role("link", name=re.compile("Tidewater Banjo Circle"))


@pytest.fixture
def own(desk, bench):
    """The desk on a job whose customer no other job has."""
    store = open_store(bench[1])
    desk.job = create_job(store, JobDetails("Tidewater Banjo Circle"), "standing")
    store.close()
    return desk


def test_once_its_readings_are_accepted_a_job_no_longer_waits_for_that(desk):
    measured_job(desk)
    opened(desk, f"job?job={desk.job}")
    expect(stands(desk)).to_have_text("Readings to review")
    opened(desk, f"readings?job={desk.job}")
    desk.get_by_role("button", name=re.compile("Accept all .* sure ones")).click()
    title, done = desk.get_by_role("heading", level=2).first, desk.get_by_text("Nothing left here")
    for _ in range(12):  # the doubtful ones, one by one
        expect(title.or_(done).first).to_be_visible(timeout=ANSWER_MS)
        settled(desk)
        if done.is_visible():
            break
        name = title.inner_text()
        desk.locator(".st-key-accept button").click()
        expect(title.filter(has_text=re.compile(f"^{re.escape(name)}$"))).to_have_count(0, timeout=ANSWER_MS)
    expect(done).to_be_visible()
    opened(desk, f"job?job={desk.job}")
    expect(stands(desk)).to_have_text("Measured")
    opened(desk, "")
    line = desk.locator('[data-testid="stVerticalBlock"]', has=desk.locator(f'a[href$="job={desk.job}"]')).last
    expect(line).to_contain_text("Measured")
    expect(line).not_to_contain_text("Readings to review")


def test_a_closed_job_waits_for_nobody_and_an_archived_one_is_found_in_the_archive(own):
    opened(own, f"job?job={own.job}")
    own.get_by_role("combobox", name=re.compile("It stands at")).click()
    own.get_by_role("option", name="Closed").click()
    expect(stands(own)).to_have_text("Closed", timeout=ANSWER_MS)
    settled(own)
    opened(own, "")
    expect(shown_as(own, "All but the archive")).to_be_visible()
    expect(shown_as(own, "Waits for the bench")).to_have_count(0)
    opened(own, f"job?job={own.job}")
    own.get_by_role("button", name="Archive this job").click()
    back = own.get_by_role("button", name="Take it out of the archive")
    expect(back).to_be_visible(timeout=ANSWER_MS)
    settled(own)
    opened(own, "")
    expect(shown_as(own, "All but the archive")).to_have_count(0)
    found = shown_as(own, "Archive")
    expect(found).to_be_visible()
    own.get_by_role("textbox", name="Search").fill("tidewater")
    own.get_by_role("textbox", name="Search").press("Enter")
    own.wait_for_url(re.compile("jobs-query=tidewater"))
    settled(own)
    expect(found).to_be_visible()
    found.click()
    expect(stands(own)).to_have_text("Closed", timeout=ANSWER_MS)  # the page of that job
    back.click()
    expect(own.get_by_role("button", name="Archive this job")).to_be_visible(timeout=ANSWER_MS)
    settled(own)
    opened(own, "")
    expect(shown_as(own, "Archive")).to_have_count(0)
    expect(shown_as(own, "All but the archive")).to_be_visible()


def test_an_answer_moves_the_job_on_and_ctrl_z_brings_it_and_the_status_back(chromium, demo):
    address, job, data = demo
    store = open_store(data)
    issue_estimate(store, draft(store, job).id)
    store.close()

    def answered():
        store = open_store(data)
        found = estimates(store, job)[0].status
        store.close()
        return found

    with window(chromium, address) as page:
        page.address = address
        opened(page, f"job?job={job}")
        expect(stands(page)).to_have_text("Estimate sent")
        opened(page, f"estimate?job={job}")
        page.get_by_role("button", name="Accepted", exact=True).click()
        expect(page.get_by_text(re.compile("^Accepted by"))).to_be_visible(timeout=ANSWER_MS)
        settled(page)
        page.locator(".st-key-steps").get_by_role("link", name=re.compile("^Job")).click()
        expect(stands(page)).to_have_text(re.compile("Estimate accepted|In work"), timeout=ANSWER_MS)
        settled(page)
        page.locator(".st-key-steps").get_by_role("link", name=re.compile("^Estimate")).click()
        expect(page.get_by_role("heading", name="Estimate", exact=True)).to_be_visible()
        settled(page)
        page.keyboard.press("Control+z")
        expect(page.get_by_role("button", name="Accepted", exact=True)).to_be_visible(timeout=ANSWER_MS)
        settled(page)
        assert answered() == "issued"
        page.locator(".st-key-steps").get_by_role("link", name=re.compile("^Job")).click()
        expect(stands(page)).to_have_text("Estimate sent", timeout=ANSWER_MS)
        settled(page)
