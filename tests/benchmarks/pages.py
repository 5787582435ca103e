"""How quick the pages are in headless Chromium: python -m tests.benchmarks.pages

Prints the time from letting go of a handle to the new authoritative value, from asking for the first page to its
heading, and the longest frame while a 24-megapixel photo is dragged about.
"""

import statistics
import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

from inspect_app.services import add_photo, open_store
from tests.browser.conftest import CHROMIUM, QUIET, new_job, served, window
from tests.browser.drawn import board_photo
from tests.browser.test_whole_job import measured_job, open_reading

FRAMES = """() => new Promise(done => {
  const gaps = []; let last = performance.now();
  const step = t => { gaps.push(t - last); last = t; gaps.length < 90 ? requestAnimationFrame(step) : done(gaps); };
  requestAnimationFrame(step);
})"""
WAIT = """async before => {
  const t0 = performance.now();
  while (![...document.querySelectorAll('h2')].some(h => h.innerText.includes('±') && h.innerText !== before))
    await new Promise(r => requestAnimationFrame(r));
  return performance.now() - t0;
}"""


def letting_go(page, times=12):
    """Milliseconds from a handle's release to the changed value, median and worst."""
    measured_job(page)
    open_reading(page)
    taken = []
    for k in range(times):
        box = page.locator(".viewer .handle").first.bounding_box()
        x, y = box["x"] + 22, box["y"] + 22
        before = page.locator("h2", has_text="±").first.inner_text()
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + (9 if k % 2 else -9), y, steps=2)
        page.mouse.up()
        taken.append(page.evaluate(WAIT, before))
        page.wait_for_timeout(400)
    return statistics.median(taken), max(taken)


def first_page(page):
    """Seconds to the first page's heading, warm."""
    page.goto(page.address)
    page.locator("h1").wait_for()
    start = time.perf_counter()
    page.goto(page.address)
    page.locator("h1").wait_for()
    return time.perf_counter() - start


def panning(page, data):
    """Milliseconds of the longest frame while a 24-megapixel photo is dragged."""
    store = open_store(data)
    add_photo(store, page.job, board_photo(size=(6000, 4000)), "large.jpg", "finding")
    store.close()
    page.goto(f"{page.address}/findings?job={page.job}")
    viewer = page.locator(".viewer").first
    viewer.wait_for()
    page.wait_for_timeout(3000)
    box = viewer.bounding_box()
    page.mouse.move(box["x"] + 200, box["y"] + 100)
    page.mouse.down()
    frames = page.evaluate_handle(f"() => ({{gaps: ({FRAMES})()}})")
    for k in range(60):
        page.mouse.move(box["x"] + 200 + 3 * (k % 30), box["y"] + 100 + 2 * (k % 20))
    page.mouse.up()
    return max(page.evaluate("h => h.gaps", frames))


def main():
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as p:
        data = Path(folder) / "data"
        with served(data) as address:
            browser = p.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
            with window(browser, address) as page:
                page.address, page.job = address, new_job(data)
                print(f"first page, warm: {first_page(page):.2f} s")
                median, worst = letting_go(page)
                print(f"handle let go to new value: median {median:.0f} ms, worst {worst:.0f} ms")
                print(f"longest frame dragging 24 megapixels: {panning(page, data):.0f} ms")
            browser.close()


if __name__ == "__main__":
    main()
