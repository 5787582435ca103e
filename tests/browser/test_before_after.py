"""Before and after in one viewer: laid on each other, the line between them by finger and by key, one zoom for both."""

import re

import numpy as np
import pytest
from playwright.sync_api import expect

from inspect_app.demo import load_finished
from inspect_app.services import job_view, open_store
from inspect_app.services.before_after import same_places
from tests.browser.at_rest import rested, settled
from tests.browser.conftest import keep_picture, window

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def finished(demo):
    """The finished demo job in the demo's store: its address, its id, what it shows before and after."""
    address, _, data = demo
    store = open_store(data)
    job = load_finished(store)
    places = same_places(store, job)
    assert [p.visit.label for p in job_view(store, job).photos].count("after") > 2
    store.close()
    return address, job, places


def left_edge(page):
    """The share of the viewer at which the photo after the work begins, once the page is at rest."""
    settled(page)
    cut = page.locator(".second").evaluate("e => e.style.clipPath")
    return float(re.search(r"([\d.]+)%\)", cut)[1])


def on_screen(page, layer):
    """Where the top left corner of a layer's picture lies in the viewer, once the page is at rest."""
    settled(page)
    box = page.locator(".viewer").bounding_box()
    at = page.locator(f"{layer} img").first.bounding_box()
    return np.array([at["x"] - box["x"], at["y"] - box["y"]])


def opened(page, finished):
    address, job, _ = finished
    page.goto(f"{address}/after_work?job={job}")
    page.locator(".viewer").wait_for()
    settled(page)
    page.wait_for_function(
        "[...document.querySelectorAll('*')].some(e => e.shadowRoot?.querySelector('.second img')?.complete)"
    )


@pytest.mark.parametrize("width", [1440, 390])
def test_the_line_moves_by_key_and_by_finger_and_zoom_is_one(chromium, finished, width):
    address, _, places = finished
    with window(chromium, address, viewport={"width": width, "height": 844}) as page:
        opened(page, finished)
        line = page.get_by_role("slider", name="Line between before and after")
        assert left_edge(page) == 50
        line.focus()
        for _ in range(10):
            page.keyboard.press("ArrowLeft")
        assert left_edge(page) == 40
        expect(line).to_have_attribute("aria-valuetext", "40 % before")
        viewer = page.locator(".viewer")
        viewer.scroll_into_view_if_needed()
        settled(page)
        box = viewer.bounding_box()
        y = box["y"] + box["height"] * 0.3
        page.mouse.move(box["x"] + 0.4 * box["width"], y)
        page.mouse.down()
        page.mouse.move(box["x"] + 0.7 * box["width"], y, steps=5)
        page.mouse.up()
        assert left_edge(page) == pytest.approx(70, abs=2)
        before = [on_screen(page, layer) for layer in (".stage", ".second")]
        viewer.focus()
        page.keyboard.press("ArrowRight")
        moved = [on_screen(page, layer) - at for layer, at in zip((".stage", ".second"), before, strict=True)]
        assert moved[0] == pytest.approx([-60, 0], abs=0.5)
        assert moved[1] == pytest.approx(moved[0], abs=8)  # perspective moves a far corner a little differently
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        keep_picture(page, f"before-after-{width}")
    assert places[0].spot is not None


def test_it_opens_on_the_worst_spot_and_place_and_zoom_stand_in_the_address(chromium, finished):
    address, _, places = finished
    with window(chromium, address) as page:
        opened(page, finished)
        expect(page.get_by_role("button", name="Show the worst spot")).to_be_visible()
        page.wait_for_url(re.compile(r"[?&]at="))
        rested(page)
        x, y = map(float, re.search(r"at=\w+\.(\d+)\.(\d+)\.", page.url).groups())
        assert (x, y) == pytest.approx(places[0].window.middle, abs=2)
        page.locator(".viewer").focus()
        page.keyboard.press("+")
        page.keyboard.press("ArrowDown")
        rested(page)
        kept = re.search(r"at=[\w.]+", page.url)[0]
        page.reload()
        page.locator(".viewer").wait_for()
        rested(page)
        assert re.search(r"at=[\w.]+", page.url)[0] == kept
        page.get_by_text(places[1].caption, exact=True).click()
        page.wait_for_url(re.compile(f"pair={places[1].before.id}-{places[1].after.id}"))
        settled(page)
        page.reload()
        expect(page.locator(".viewer")).to_have_attribute(
            "aria-label", re.compile(f"^{re.escape(places[1].caption)}, before and after")
        )
