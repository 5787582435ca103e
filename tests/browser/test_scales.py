"""Scales from the pages: a sheet is printed, its check bar entered, and what is measured then follows it."""

import re

import pytest
from playwright.sync_api import expect

from inspect_app.services import job_view, open_store, prints
from sample_images import photos
from tests.browser.at_rest import settled
from tests.browser.conftest import ANSWER_MS, new_job, served, window
from tests.browser.drawn import board_photo
from tests.browser.test_whole_job import drop

pytestmark = [pytest.mark.browser, pytest.mark.slow]
BAR_MM = 99.2  # of 100: a printer that scales by a little, beyond what paper does by itself
NO_PRINT = "No print has been measured yet"


@pytest.fixture
def fresh(chromium, tmp_path):
    """A window on the pages of a shop that has entered nothing yet, and its data folder."""
    data = tmp_path / "data"
    with served(data, "--real") as address, window(chromium, address) as page:
        page.address = address
        yield page, data


def span_measured(page, data):
    """A new job with one photo of a board, measured by the recipe itself: from its first fret to its last, mm."""
    sample = next(s for s in photos() if s.path.stem == "intake-plan-6")
    job = new_job(data)
    page.goto(f"{page.address}/photos?job={job}")
    drop(page, (sample.path.name, sample.path.read_bytes()))
    page.get_by_role("button", name="Measure 1 photo").click()
    page.get_by_text("Measured (1)").wait_for()
    settled(page)
    store = open_store(data)
    frets = job_view(store, job).photos[0].inspection.answer.frets
    store.close()
    return abs(frets[-1].position.value - frets[0].position.value)


def scales_page(page):
    page.goto(f"{page.address}/shop?part=Scales")
    page.get_by_role("button", name="Keep this print").wait_for()
    settled(page)


def test_a_check_bar_that_is_entered_stands_in_what_is_measured(fresh):
    page, data = fresh
    before = span_measured(page, data)
    scales_page(page)
    expect(page.get_by_text(re.compile(NO_PRINT))).to_be_visible()
    page.get_by_role("textbox", name=re.compile("^Its check bar")).fill(str(BAR_MM))
    page.get_by_role("textbox", name="With").fill("calliper no. 2")
    page.get_by_role("button", name="Keep this print").click()
    row = page.get_by_role("row").filter(has_text="strip")
    expect(row).to_contain_text(f"{BAR_MM:g} mm of 100 mm", timeout=ANSWER_MS)
    expect(row).to_contain_text(re.compile(r"-0.80 %.*\d{4}-\d\d-\d\d, calliper no. 2"))
    expect(page.get_by_text(re.compile(NO_PRINT))).to_have_count(0)
    settled(page)
    assert span_measured(page, data) / before == pytest.approx(BAR_MM / 100.0, abs=5e-4)


def test_a_print_nobody_measured_is_said_before_photos_are_measured_with_it(fresh):
    page, data = fresh
    page.goto(f"{page.address}/photos?job={new_job(data)}")
    drop(page, ("board.jpg", board_photo()))
    expect(page.get_by_text(re.compile("The check bar of the strip was not measured"))).to_be_visible(timeout=ANSWER_MS)


def test_a_numbered_sheet_comes_as_a_paper_and_waits_for_its_bar(fresh):
    page, data = fresh
    scales_page(page)
    with page.expect_download() as paper:
        page.get_by_role("button", name="Sheet on A4 (PDF)").click()
    assert paper.value.path().read_bytes().startswith(b"%PDF")
    store = open_store(data)
    assert [(p.kind, p.verified) for p in prints(store)] == [("tongue", False), ("backdrop", False), ("strip", False)]
    store.close()
    scales_page(page)
    expect(page.get_by_role("combobox", name=re.compile("Which scale"))).to_have_value("The sheet with no. 1, 2 and 3")
    page.get_by_role("textbox", name=re.compile("^Its check bar")).fill("50")
    page.get_by_role("button", name="Keep this print").click()
    expect(page.get_by_role("alert").filter(has_text="can't be right")).to_be_visible(timeout=ANSWER_MS)
    page.get_by_role("textbox", name=re.compile("^Its check bar")).fill("100.1")
    page.get_by_role("button", name="Keep this print").click()
    expect(page.get_by_role("row").filter(has_text="No. 1, strip")).to_contain_text("100.1 mm", timeout=ANSWER_MS)
    store = open_store(data)
    assert {p.id: p.bar_measured for p in prints(store) if p.verified} == {1: 100.1, 2: 100.1, 3: 100.1}
    store.close()
