"""How long listing and searching 10,000 generated jobs takes: ``python tests/benchmarks/job_search.py``.

Prints the median of several runs for the list, for searches that hit few, many and none, and for one job's page.
"""

import random
import statistics
import tempfile
import time
from pathlib import Path

from inspect_app.jobs.models import InspectionRow, Job, Judgement, Photo, Visit
from inspect_app.jobs.search import search_text
from inspect_app.jobs.store import writing
from inspect_app.reading.key import parse_key
from inspect_app.services import Store, find_jobs, job_view, open_store
from inspect_app.services.rows import now

JOBS = 10_000
RUNS = 15
FIRST = ("Ada", "Bo", "Cleo", "Dag", "Eva", "Finn", "Gro", "Hal", "Ida", "Jon")
LAST = ("Berg", "Dahl", "Ek", "Falk", "Gran", "Holm", "Lind", "Moen", "Nord", "Sand")
KINDS = ("school guitar", "bass", "mandolin", "banjo", "parlour guitar")


def fill(store: Store, jobs: int = JOBS) -> None:
    """Jobs with two photos, one inspection and three judgements each."""
    rng = random.Random(7)
    with writing(store) as session:
        for n in range(1, jobs + 1):
            job = Job(number=n, created=now(), updated=now(), customer=f"{rng.choice(FIRST)} {rng.choice(LAST)} {n}")
            job.contact, job.instrument_name, job.instrument_kind = "", f"no. {rng.randrange(500)}", rng.choice(KINDS)
            job.board_wood, job.asked_for, job.present_wire, job.binding, job.nibs = "ebony", "buzzes", "", False, False
            job.search_text = search_text(job)
            visit = Visit(label="intake", date=now().date())
            job.visits = [visit]
            job.photos = [_photo(visit, n, k) for k in range(2)]
            session.add(job)


def _photo(visit: Visit, n: int, k: int) -> Photo:
    photo = Photo(visit=visit, sha256=f"{n:032x}{k:032x}", suffix=".jpg", size_bytes=1, width_px=4000, height_px=3000)
    photo.name, photo.view, photo.note, photo.category, photo.added = "a.jpg", "plan", "", "", now()
    if k == 0:
        said = [
            Judgement(reading=parse_key(f"fret {i}, length"), verdict="accept", reason="", at=now()) for i in range(3)
        ]
        empty = {
            "format": 1,
            "view": "plan",
            "version": "0",
            "options": {},
            "flags": [],
            "not_measured": [],
            "frets": [],
        }
        empty["photo"] = {"name": "a.jpg", "sha256": photo.sha256, "width_px": 4000, "height_px": 3000}
        row = InspectionRow(ask={"view": "plan"}, answer=empty, version="0", reading_count=40, created=now())
        row.judgements = said
        photo.inspections = [row]
    return photo


def main() -> None:
    """Fill a store in a temporary folder and print the times."""
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(Path(folder) / "data")
        fill(store)
        actions = {
            "first page of the list": lambda: find_jobs(store),
            "last page of the list": lambda: find_jobs(store, offset=JOBS - 50),
            "search, one job": lambda: find_jobs(store, f"#{JOBS // 2}"),
            "search, many jobs": lambda: find_jobs(store, "guitar ebony"),
            "search, none": lambda: find_jobs(store, "nobody at all"),
            "one job": lambda: job_view(store, JOBS // 2),
        }
        for name, action in actions.items():
            times = []
            for _ in range(RUNS):
                start = time.perf_counter()
                action()
                times.append(time.perf_counter() - start)
            print(f"{name:28}{1000 * statistics.median(times):8.1f} ms, worst {1000 * max(times):.1f}")
        store.close()


if __name__ == "__main__":
    main()
