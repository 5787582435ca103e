"""The whole job without a pointer: Tab, Enter, arrows and the letters on the buttons."""

import re

import pytest
from playwright.sync_api import TimeoutError as Unanswered

from tests.browser.conftest import keep_picture, settled, window
from tests.browser.drawn import board_photo

pytestmark = [pytest.mark.browser, pytest.mark.slow]
MOST_TABS = 120
FOCUSED = """() => {
  let e = document.activeElement;
  while (e?.shadowRoot?.activeElement) e = e.shadowRoot.activeElement;
  return e ? (e.getAttribute("aria-label") || e.innerText || e.title || "").trim() : "";
}"""


def tab_to(page, wanted):
    """Press Tab until what has the focus is called so."""
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        if re.search(wanted, page.evaluate(FOCUSED)):
            return
    pytest.fail(f"no Tab leads to {wanted!r}")


def go(page, wanted):
    """Tab there and press Enter."""
    tab_to(page, wanted)
    page.keyboard.press("Enter")


def file_chooser(page):
    """Opened by Enter on the upload button; a rerun that comes in between takes the focus, then it is reached again."""
    for patience in (5_000, 10_000, 20_000):
        tab_to(page, "Upload")
        try:
            with page.expect_file_chooser(timeout=patience) as chosen:
                page.keyboard.press("Enter")
            return chosen.value
        except Unanswered:
            settled(page)
    raise AssertionError("the upload button does not open the chooser by Enter")


def test_from_a_new_job_to_the_wear_map_by_keyboard(chromium, bench):
    with window(chromium, bench[0]) as page:
        page.on("filechooser", lambda _: None)  # choosers are taken from now on; `expect_file_chooser` may ask too late
        page.goto(bench[0])
        page.locator("h1").wait_for()
        settled(page)
        if page.locator("details", has_text="New job").get_attribute("open") is None:
            go(page, "New job$")
        tab_to(page, "^Customer")
        page.keyboard.type("Keyboard Players")
        tab_to(page, "^Instrument")
        page.keyboard.type("Grey tenor")
        tab_to(page, "^Scale length")
        page.keyboard.type("640")
        go(page, "Start this job")
        page.get_by_role("heading", name="Grey tenor").wait_for()
        settled(page)
        go(page, "Add photos")
        page.get_by_role("heading", name="Add photos").wait_for()
        settled(page)
        chosen = file_chooser(page)
        chosen.set_files({"name": "board.jpg", "mimeType": "image/jpeg", "buffer": board_photo(seed=11)})
        page.get_by_role("button", name="Measure 1 photo").wait_for()
        assert page.get_by_text(re.compile("Scale found: .* pixels to the millimetre")).is_visible()
        settled(page)
        go(page, "Measure 1 photo")
        page.get_by_text("Measured (1)").wait_for()
        settled(page)
        page.goto(page.url.replace("/photos", "/readings") + "&reading=fret+2,+crown+width")
        page.locator(".viewer .handle").first.wait_for()
        settled(page)
        tab_to(page, "body side, point 1")
        page.keyboard.press("Shift+ArrowRight")
        page.get_by_role("button", name="Undo the last move").wait_for()
        settled(page)
        page.keyboard.press("n")  # what was placed by hand needs no second word
        page.wait_for_function("() => !document.querySelector('h2')?.innerText.startsWith('Fret 2, crown')")
        settled(page)
        go(page, "^Wear map")
        page.get_by_role("heading", name="Wear map").wait_for()
        settled(page)
        page.emulate_media(media="print")
        keep_picture(page, "print-wear-map")
