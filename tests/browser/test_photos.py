"""Photos on their page: opened full size, the link to its own readings, the visit they are added to."""

import re

import pytest
from playwright.sync_api import expect

from inspect_app.services import add_visit, job_view, open_store
from tests.browser.at_rest import rested, settled
from tests.browser.conftest import WIDTHS, keep_picture
from tests.browser.drawn import board_photo
from tests.browser.test_whole_job import drop

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def photos_of(bench, job):
    store = open_store(bench[1])
    found = job_view(store, job).photos
    store.close()
    return found


def test_a_small_picture_opens_full_size_and_its_readings_are_its_own(desk, bench):
    desk.goto(f"{desk.address}/photos?job={desk.job}")
    drop(desk, ("one.jpg", board_photo(1)), ("two.jpg", board_photo(2)))
    desk.get_by_role("button", name="Open two.jpg").click()
    desk.locator(".viewer").wait_for()
    expect(desk.locator(".st-key-full-size")).to_contain_text("two.jpg")
    settled(desk)
    assert desk.locator(".viewer").bounding_box()["width"] > 900
    desk.reload()
    expect(desk.locator(".st-key-full-size")).to_contain_text("two.jpg")
    settled(desk)
    keep_picture(desk, "photo-full-size")
    desk.get_by_role("button", name="Close").click()
    expect(desk.locator(".viewer")).to_have_count(0)
    settled(desk)
    one, two = photos_of(bench, desk.job)
    desk.locator(f".st-key-first-{two.id} input").fill("5")
    desk.keyboard.press("Tab")
    settled(desk)
    desk.get_by_role("button", name="Measure 2 photos").click()
    desk.get_by_text("Measured (2)").wait_for()
    settled(desk)
    for photo, fret in ((two, 5), (one, 1), (two, 5)):  # back and forth: what was looked at before is not in the way
        desk.goto(f"{desk.address}/photos?job={desk.job}")
        card = desk.locator("[data-testid=stVerticalBlock]", has_text=photo.name).last
        card.wait_for()
        settled(desk)
        desk.locator(f'a[href*="photo={photo.id}"]', has_text=re.compile("Its readings")).first.click()
        desk.get_by_role("heading", name=re.compile(f"^Fret {fret}, ")).wait_for()
        desk.wait_for_url(re.compile(rf"[?&]photo={photo.id}(&|$)"))


def test_photos_after_the_work_are_added_to_that_visit(desk, bench):
    desk.goto(f"{desk.address}/after_work?job={desk.job}")
    desk.get_by_role("link", name=re.compile("Add photos")).click()
    desk.get_by_role("heading", name="Photos", exact=True).wait_for()
    settled(desk)
    drop(desk, ("after.jpg", board_photo(3)))
    desk.get_by_role("button", name="Measure 1 photo").wait_for()
    assert [p.visit.label for p in photos_of(bench, desk.job)] == ["after"]
    store = open_store(bench[1])
    add_visit(store, desk.job, "second look")
    store.close()
    desk.reload()
    desk.get_by_role("button", name="Measure 1 photo").wait_for()
    settled(desk)
    desk.get_by_text("Change what is asked").first.click()
    settled(desk)
    desk.get_by_label("It belongs to visit").click()
    desk.get_by_role("option", name="Second look").click()
    desk.get_by_text(re.compile("is now: from above, visit second look")).wait_for()
    assert [p.visit.label for p in photos_of(bench, desk.job)] == ["second look"]


def test_a_zoomed_photo_shows_where_it_is_and_a_reload_shows_the_same_piece(desk):
    desk.goto(f"{desk.address}/photos?job={desk.job}")
    drop(desk, ("one.jpg", board_photo(1)))
    desk.get_by_role("button", name="Open one.jpg").click()
    viewer, small = desk.locator(".viewer"), desk.locator(".viewer .map")
    viewer.wait_for()
    settled(desk)
    for width in WIDTHS:
        desk.set_viewport_size({"width": width, "height": 844})
        desk.get_by_role("button", name="Show the whole photo").click()
        expect(small).to_be_hidden()
        for _ in range(3):
            desk.get_by_role("button", name="Zoom in").click()
        expect(small).to_be_visible()
        settled(desk)
        box = small.bounding_box()
        desk.mouse.click(box["x"] + 0.25 * box["width"], box["y"] + 0.25 * box["height"])
        desk.wait_for_url(re.compile(r"[?&]at="))
        rested(desk)
        _, x, y, across = re.search(r"at=(\w+)\.(\d+)\.(\d+)\.(\d+)", desk.url).groups()
        assert (int(x), int(y)) == pytest.approx((0.25 * 1600, 0.25 * 1100), abs=30)
        desk.reload()
        viewer.wait_for()
        rested(desk)
        assert re.search(r"at=\w+\.(\d+)\.(\d+)\.(\d+)", desk.url).groups() == (x, y, across)
        keep_picture(desk, f"photo-zoomed-{width}")
        assert desk.evaluate("document.documentElement.scrollWidth") <= width
