"""One drop of mixed views: each told from its photo, the first fret proposed, a queue that outlives its page."""

import re
import time

import pytest
from playwright.sync_api import expect

from inspect_app.services import InstrumentDetails, JobDetails, create_job, job_view, open_store
from sample_images import SCENARIO, photos
from tests.browser.at_rest import settled
from tests.browser.bench import HELD
from tests.browser.conftest import WIDTHS, keep_picture, window
from tests.browser.test_whole_job import drop

pytestmark = [pytest.mark.browser, pytest.mark.slow]
MIXED = ("intake-elevation-2.jpg", "intake-end-2-treble.jpg", "intake-plan-6.jpg", "intake-section.jpg")


def new_job(data):
    store = open_store(data)
    instrument = InstrumentDetails("loan no. 7", scale_length=SCENARIO.scale_length, frets=SCENARIO.frets, strings=6)
    made = create_job(store, JobDetails("Harbour Street Music School", instrument=instrument))
    store.close()
    return made


def photos_of(data, job):
    store = open_store(data)
    found = {p.name: p for p in job_view(store, job).photos}
    store.close()
    return found


def card(page, photo):
    return page.locator("[data-testid=stVerticalBlock]", has=page.locator(f".st-key-first-{photo.id}")).last


def dropped(page, address, job):
    """The page of a job's photos with the sample photos of four views dropped at once."""
    files = {s.path.name: s.path.read_bytes() for s in photos()}
    page.goto(f"{address}/photos?job={job}")
    page.locator("h1").wait_for()
    settled(page)
    drop(page, *((name, files[name]) for name in MIXED))
    page.get_by_text(f"To measure ({len(MIXED)})").wait_for()
    settled(page)


def test_views_are_told_and_the_first_fret_proposed_beside_its_picture(chromium, demo):
    address, _, data = demo
    job = new_job(data)
    with window(chromium, address) as page:
        dropped(page, address, job)
        found = photos_of(data, job)
        assert {name: p.view for name, p in found.items()} == {
            name: re.search("elevation|end|plan|section", name)[0] for name in MIXED
        }
        plan, along = found["intake-plan-6.jpg"], found["intake-elevation-2.jpg"]
        expect(page.locator(f".st-key-first-{plan.id} input")).to_have_value("6")
        expect(page.get_by_text("Proposed from the spacing: frets 6 to 11.")).to_be_visible()
        numbered = page.get_by_role("img", name="intake-plan-6.jpg, frets numbered 6 to 11")
        expect(page.locator(f".st-key-first-{along.id} input")).to_have_value("")  # never guessed
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 844})
            numbered.scroll_into_view_if_needed()
            settled(page)
            assert numbered.bounding_box()["width"] > 200
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            keep_picture(page, f"taking-in-{width}")
        pills = page.locator(f".st-key-shows-{along.id}-elevation")
        pills.get_by_text("Across the neck").click()
        page.locator(f".st-key-shows-{along.id}-side").wait_for()
        settled(page)
        assert photos_of(data, job)[along.name].view == "side"


def test_a_queue_goes_on_when_its_page_is_left_and_can_be_stopped_and_gone_on_with(chromium, demo):
    address, _, data = demo
    job = new_job(data)
    with window(chromium, address) as page:
        dropped(page, address, job)
        found = photos_of(data, job)
        for name in ("intake-elevation-2.jpg", "intake-end-2-treble.jpg"):
            page.locator(f".st-key-first-{found[name].id} input").fill("2")
            page.keyboard.press("Tab")
            settled(page)
        page.locator(".st-key-steps").get_by_role("link", name=re.compile("^Wear map")).click()
        page.get_by_role("heading", name="Wear map", exact=True).wait_for()
        settled(page)
        page.locator(".st-key-steps").get_by_role("link", name=re.compile("^Photos")).click()
        page.get_by_role("heading", name="Photos", exact=True).wait_for()
        settled(page)
        for name in ("intake-elevation-2.jpg", "intake-end-2-treble.jpg"):  # what was typed is there again
            expect(page.locator(f".st-key-first-{found[name].id} input")).to_have_value("2")
        (data / HELD).touch()  # no photo is measured before the queue is stopped
        page.get_by_role("button", name=f"Measure {len(MIXED)} photos").click()
        page.locator(".st-key-queue").get_by_text(re.compile(r"^Measuring \S")).wait_for()
        page.get_by_role("button", name="Stop after these").click()
        page.get_by_text(re.compile(r"^Stopped\. \d photos? not measured yet\.$")).wait_for()
        (data / HELD).unlink()
        settled(page)
        stopped = [p for p in photos_of(data, job).values() if p.inspection is None]
        assert 0 < len(stopped) < len(MIXED)
        page.get_by_role("button", name="Go on", exact=True).click()
        page.goto(f"{address}/wear_map?job={job}")
        page.locator("h1").wait_for()
        wait_until(lambda: all(p.inspection for p in photos_of(data, job).values()))
        page.goto(f"{address}/photos?job={job}")
        page.get_by_text(f"Measured ({len(MIXED)})").wait_for()
        assert {f.number for f in photos_of(data, job)["intake-plan-6.jpg"].inspection.answer.frets} == set(
            range(6, 12)
        )


def wait_until(done, seconds=300.0):
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, "not in time"
        time.sleep(0.2)
