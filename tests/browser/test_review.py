"""Going through readings: by letters, undone, found again after a reload; on a phone, photo and buttons in sight."""

import re

import pytest
from playwright.sync_api import expect

from inspect_app.services import features, open_store
from tests.browser.at_rest import settled
from tests.browser.conftest import WIDTHS, keep_picture
from tests.browser.test_whole_job import measured_job, open_reading

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def cards(bench, job):
    store = open_store(bench[1])
    found = features(store, job)
    store.close()
    return found


def title(page):
    return page.get_by_role("heading", level=2).first


def swipe_up(page, x, y, by):
    """A finger put down at (x, y) and moved up so many pixels."""
    touch = page.context.new_cdp_session(page)
    touch.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    for k in range(1, 11):
        touch.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x, "y": y - by * k / 10}]})
        page.evaluate("() => new Promise(requestAnimationFrame)")  # the browser scrolls once in each frame
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def test_letters_decide_ctrl_z_takes_back_and_a_reload_shows_the_same_feature(desk, bench):
    measured_job(desk)
    desk.goto(f"{desk.address}/readings?job={desk.job}")
    title(desk).wait_for()
    desk.locator(".viewer").wait_for()  # it listens for letters
    settled(desk)
    first = title(desk).inner_text()
    desk.keyboard.press("r")
    desk.get_by_role("button", name=re.compile("Glare or shadow")).wait_for()
    settled(desk)
    desk.keyboard.press("2")
    expect(title(desk)).not_to_have_text(first)
    settled(desk)
    rejected = [f for f in cards(bench, desk.job) if f.verdict == "reject"]
    assert [f.readings[0].reason for f in rejected] == ["Glare or shadow"]
    second = title(desk).inner_text()
    desk.keyboard.press("a")
    expect(title(desk)).not_to_have_text(second)
    settled(desk)
    for back_to in (second, first):
        desk.keyboard.press("Control+z")
        expect(title(desk)).to_have_text(back_to)
        settled(desk)
    assert all(f.verdict == "open" for f in cards(bench, desk.job))
    desk.keyboard.press("n")
    expect(title(desk)).to_have_text(second)
    settled(desk)
    desk.reload()
    expect(title(desk)).to_have_text(second)


def test_on_a_phone_photo_and_buttons_are_in_sight_and_a_swipe_scrolls_past_the_photo(phone):
    measured_job(phone)
    for width in [w for w in WIDTHS if w < 1000]:
        phone.set_viewport_size({"width": width, "height": 800})
        open_reading(phone)
        viewer, accept = phone.locator(".viewer"), phone.locator(".st-key-accept button")
        viewer.evaluate("e => e.scrollIntoView({block: 'start'})")
        settled(phone)
        seen, button = viewer.bounding_box(), accept.bounding_box()
        assert seen["y"] >= -1
        assert seen["y"] + seen["height"] <= button["y"] or button["x"] >= seen["x"] + seen["width"]
        assert button["y"] + button["height"] <= 800
        keep_picture(phone, f"review-{width}")
        tabs = [a.bounding_box()["y"] for a in phone.locator(".st-key-steps a").all()]
        assert max(tabs) - min(tabs) < 10
        phone.locator("[data-testid=stMain]").evaluate("e => e.scrollTo(0, 0)")
        settled(phone)
        before, seen = phone.locator("h1").bounding_box()["y"], viewer.bounding_box()
        swipe_up(phone, seen["x"] + 20, (seen["y"] + min(740, seen["y"] + seen["height"])) / 2, 150)
        phone.wait_for_function("at => document.querySelector('h1').getBoundingClientRect().y < at", arg=before - 60)
