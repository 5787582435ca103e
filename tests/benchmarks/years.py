"""Years of use: ``python -m tests.benchmarks.years [--jobs N]``: 10,000 jobs with ten photos each, and what pages take.

Prints the server's processor time of every page of a job among them, of the lists, of commands from their start, of a
job with 300 photos that wait, and the memory after many page loads. Targets: a page 0.5 s, a command's start 1 s.
"""

import argparse
import os
import random
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

os.environ["INSPECT_APP_APART"] = "0"

import pytest
from streamlit.testing.v1 import AppTest

from inspect_app import services
from inspect_app.jobs import seals
from inspect_app.jobs.store import DATABASE
from inspect_app.ui import server
from tests.benchmarks.job_search import FIRST, KINDS, LAST
from tests.inspect_app.conftest import noise_jpeg
from tests.inspect_app.promises.conftest import fill

APP = Path(server.__file__).parent / "app.py"
PAGES = (
    "jobs",
    "job",
    "photos",
    "readings",
    "wear_map",
    "options",
    "estimate",
    "after_work",
    "by_hand",
    "findings",
    "shop",
)
PHOTOS = 10
RUNS = 5
ANSWER = (
    '{"format":1,"view":"plan","version":"0","options":{},"flags":[],"not_measured":[],"frets":[],'
    '"photo":{"name":"a.jpg","sha256":"%s","width_px":4000,"height_px":3000}}'
)


JOB = [
    "id",
    "number",
    "revision",
    "search_text",
    "customer",
    "contact",
    "instrument_name",
    "instrument_kind",
    "board_wood",
    "radius_nut",
    "binding",
    "nibs",
    "present_wire",
    "asked_for",
    "created",
    "updated",
]
PHOTO = [
    "id",
    "job_id",
    "visit_id",
    "sha256",
    "suffix",
    "size_bytes",
    "width_px",
    "height_px",
    "name",
    "view",
    "note",
    "category",
    "added",
]
INSPECTION = ["id", "photo_id", "ask", "answer", "version", "reading_count", "created"]
JUDGEMENT = ["id", "inspection_id", "reading", "verdict", "reason", "at"]


def add_years(connection, jobs):
    """Jobs beside the ones that are there, each with ten photos, eight of them measured, half of those judged."""
    rng, at = random.Random(7), "2026-01-01 10:00:00.000000"
    for n in range(1000, 1000 + jobs):
        name, kind = f"{rng.choice(FIRST)} {rng.choice(LAST)} {n}", rng.choice(KINDS)
        born = f"20{16 + n % 10}-0{1 + n % 9}-11 10:00:00.{n:06d}"
        search = f"#{n}\n{name.lower()}\n\n\n{kind}\nebony\nbuzzes\n{born[:10]}\n"
        values = (n, n, 1, search, name, "", "", kind, "ebony", 305.0, 0, 0, "", "buzzes", born, born)
        _insert(connection, "jobs", JOB, values)
        _insert(connection, "visits", ("id", "job_id", "label", "date"), (n, n, "intake", born[:10]))
        for k in range(PHOTOS):
            photo, sha = n * PHOTOS + k, f"{n * PHOTOS + k:064x}"
            _insert(connection, "photos", PHOTO, (photo, n, n, sha, ".jpg", 1, 4000, 3000, "a.jpg", "plan", "", "", at))
            if k < 8:
                values = (photo, photo, '{"view":"plan"}', ANSWER % sha, "0", 40, at)
                _insert(connection, "inspections", INSPECTION, values)
            if k < 4:
                _insert(connection, "judgements", JUDGEMENT, (photo, photo, "fret 1, length", "accept", "", at))


def _insert(connection, table, columns, values):
    marks = ", ".join("?" * len(values))
    connection.execute(f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})", values)


def waiting_job(store, photos):
    """A job whose photos all wait to be measured."""
    job = services.create_job(store, services.JobDetails("W. Waiting"))
    for n in range(photos):
        services.add_photo(store, job, noise_jpeg(5000 + n), f"{n}.jpg")
    return job


def page_ms(page, job):
    """Milliseconds of processor time of several loads of a page, the first left out."""
    at = AppTest.from_file(APP, default_timeout=120)
    if page not in ("jobs", "shop"):
        at.query_params["job"] = at.session_state["job"] = str(job)
    at.run()
    at.switch_page(f"app_pages/{page}.py")
    taken = []
    for _ in range(RUNS + 1):
        begun = time.process_time()
        at.run()
        taken.append(1000.0 * (time.process_time() - begun))
        assert not at.exception, at.exception
    return taken[1:]


def command_s(*words):
    taken = []
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, "-m", "inspect_app.cli", *words], check=False, capture_output=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        taken.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(taken)


def resident_mb():
    with open("/proc/self/statm") as f:
        return int(f.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def tell(name, taken):
    print(f"{name:34}{statistics.median(taken):8.0f} ms, worst {max(taken):.0f}", flush=True)


def timed(f):
    begun = time.process_time()
    f()
    return 1000.0 * (time.process_time() - begun)


def lists(store):
    """The list of jobs as the page asks for it."""
    asks = {
        "list": {},
        "list, last page": {"offset": 9_900},
        "list, what waits for the bench": {"waits_for": "bench", "archived": False},
        "list, what waits for nobody": {"waits_for": "nobody", "archived": False},
        "list, promised first": {"order": "promised"},
        "search, many": {"query": "guitar ebony"},
        "search, none": {"query": "nobody at all"},
    }
    for name, how in asks.items():
        tell(name, [timed(lambda how=how: services.find_jobs(store, **how)) for _ in range(RUNS)])


def main():
    options = argparse.ArgumentParser()
    options.add_argument("--jobs", type=int, default=10_000)
    options.add_argument("--loads", type=int, default=100, help="page loads over which memory is watched")
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder) / "data"
        store = services.open_store(data)
        with pytest.MonkeyPatch.context() as m:
            job = fill(store, m)
        waiting = waiting_job(store, 300)
        with closing(store.engine.raw_connection()) as raw:
            driver = raw.driver_connection
            driver.execute("BEGIN IMMEDIATE")
            add_years(driver, given.jobs)
            seals.renew(driver)
            driver.execute("COMMIT")
        size = (data / DATABASE).stat().st_size / 1e6
        print(f"{given.jobs} jobs, {given.jobs * PHOTOS} photos, {size:.0f} MB; load {os.getloadavg()[0]:.1f}")
        server.store = lambda: store
        lists(store)
        for page in PAGES:
            tell(f"page {page}", page_ms(page, job))
        tell("page photos, 300 waiting", page_ms("photos", waiting))
        tell("page job, 300 waiting", page_ms("job", waiting))
        before = resident_mb()
        at = AppTest.from_file(APP, default_timeout=120)
        at.query_params["job"] = at.session_state["job"] = str(job)
        at.run()
        for n in range(given.loads):
            at.switch_page(f"app_pages/{PAGES[n % len(PAGES)]}.py").run()
            if n == given.loads // 3:
                before = resident_mb()
        print(f"memory over {given.loads} page loads: {before:.0f} MB after a third, {resident_mb():.0f} MB at the end")
        store.close()
        for words in (("--version",), ("jobs",), ("prints",), ("estimate", "1"), ("remeasure", "--dry-run", "999")):
            print(f"inspect-app {' '.join(words):22}{command_s(*words, '--data', str(data)):8.2f} s")


if __name__ == "__main__":
    main()
