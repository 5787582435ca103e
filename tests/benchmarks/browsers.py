"""Memory over many windows: ``python -m tests.benchmarks.browsers [--windows 8] [--minutes 10]``, on the demo job.

Every window goes from page to page, loads some anew, looks through the readings of the job, and is closed and opened
again now and then, as it is on a bench. Prints the memory of the pages' process and of its workers each half minute,
then how much the former grew a minute over the last two thirds. Sessions are let go two minutes after their window
has gone: give it five at least.
"""

import argparse
import os
import random
import statistics
import tempfile
import time
from pathlib import Path

import psutil
from playwright.sync_api import Error as BrowserError
from playwright.sync_api import sync_playwright

from inspect_app.demo import load_demo
from inspect_app.services import job_view, open_store
from tests.benchmarks.pages import served_by
from tests.benchmarks.years import PAGES
from tests.browser.at_rest import script_has_run
from tests.browser.conftest import ANSWER_MS, CHROMIUM, QUIET, served

SAID_EVERY_S = 30.0


def megabytes(pid):
    """Resident memory of the pages' process, and of all its workers together."""
    pages = psutil.Process(pid)
    return pages.memory_info().rss / 1e6, sum(c.memory_info().rss for c in pages.children(recursive=True)) / 1e6


def opened(browser):
    page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
    page.set_default_timeout(ANSWER_MS)
    return page


def turn(page, address, job, photos, rng):
    """One thing that someone does in a window."""
    name = rng.choice(PAGES)
    if rng.random() < 0.3 and page.url.startswith(address):
        page.reload()
        shown(page)
    elif name in ("readings", "by_hand"):
        look(page, f"{address}/{name}?job={job}&photo={rng.choice(photos)}")
    else:
        look(page, f"{address}/{'' if name == 'jobs' else name}?job={job}")


def look(page, at):
    page.goto(at)
    shown(page)


def shown(page):
    page.get_by_role("heading").first.wait_for()
    script_has_run(page)


def growth(told):
    """Megabytes a minute over the last two thirds of (minute, megabytes)."""
    late = told[len(told) // 3 :]
    return statistics.linear_regression([m for m, _ in late], [mb for _, mb in late]).slope


def main():
    options = argparse.ArgumentParser()
    options.add_argument("--windows", type=int, default=8)
    options.add_argument("--minutes", type=float, default=10.0)
    given = options.parse_args()
    rng = random.Random(1)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as p:
        data = Path(folder) / "data"
        store = open_store(data)
        job = load_demo(store)
        photos = [photo.id for photo in job_view(store, job).photos]
        store.close()
        with served(data, "--real") as address:
            pid, browser = served_by(address), p.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
            windows = [opened(browser) for _ in range(given.windows)]
            for photo in photos:  # decoded photos are kept up to a bound: what comes on top of them is asked here
                look(windows[0], f"{address}/by_hand?job={job}&photo={photo}")
                look(windows[0], f"{address}/readings?job={job}&photo={photo}")
            begun, told, turns, failed, said = time.monotonic(), [], 0, 0, 0.0
            print(f"{given.windows} windows, load of this machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
            while (now := time.monotonic() - begun) < 60.0 * given.minutes:
                at = turns % len(windows)
                try:
                    turn(windows[at], address, job, photos, rng)
                except BrowserError as error:
                    failed += 1
                    print(f"  {windows[at].url}: {str(error).splitlines()[0]}")
                if rng.random() < 0.05:
                    windows[at].context.close()
                    windows[at] = opened(browser)
                turns += 1
                pages, workers = megabytes(pid)
                told.append((now / 60.0, pages))
                if now - said > SAID_EVERY_S:
                    said = now
                    print(
                        f"{now / 60:5.1f} min {turns:5d} turns, pages {pages:5.0f} MB, workers {workers:5.0f} MB",
                        flush=True,
                    )
            print(f"{turns} turns, {failed} failed; the pages grew by {growth(told):+.1f} MB a minute")
            browser.close()


if __name__ == "__main__":
    main()
