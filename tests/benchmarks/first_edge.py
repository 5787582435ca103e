"""How long a person waits from a measured photo to the answer to the first edge they move:
python tests/benchmarks/first_edge.py

The demo's first plan, elevation, end and section photo, each in a store of its own: taken in, measured, then at once
an edge moved by a pixel, and moved again. Wall seconds, and processor seconds beside them: on a machine that is busy
with other work, these tell.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from inspect_app import services
from inspect_app.demo import ask_of
from inspect_app.reading.ask import HandEdge
from inspect_app.services import JobDetails
from inspect_app.ui.handles import edges_of
from sample_images import Sample, photos

T = TypeVar("T")
VIEWS = ("plan", "elevation", "end", "section")


def timed(action: Callable[[], T]) -> tuple[T, str]:
    """What an action gives, and the wall and processor seconds it took."""
    wall, processor = time.perf_counter(), time.process_time()
    made = action()
    return made, f"{time.perf_counter() - wall:7.2f} ({time.process_time() - processor:5.2f})"


def moved(store: services.Store, job: int, by: float) -> HandEdge:
    """The first edge of the first reading that has any, so many pixels from where it is shown."""
    edge = next(e for r in services.readings(store, job) for e in edges_in(store, r))
    return HandEdge(edge.key, tuple((x + by, y) for x, y in edge.points))


def edges_in(store: services.Store, at: services.ReadingView) -> tuple:
    """The edges that a reading may be moved by."""
    inspection = services.photo_view(store, at.photo_id).inspection
    return edges_of(inspection.answer, at.reading)


def row(sample: Sample, folder: Path) -> str:
    """One photo's times: taken in, measured, first edge, second edge."""
    store = services.open_store(folder)
    job = services.create_job(store, JobDetails("benchmark"))
    data = sample.path.read_bytes()
    added, taking_in = timed(lambda: services.add_photo(store, job, data, sample.path.name, sample.view))
    at, measuring = timed(lambda: services.measure_photo(store, added.photo.id, ask_of(sample)))
    edges = [moved(store, job, by) for by in (1.0, 2.0)]
    at, first = timed(lambda: services.place_edge(store, at.id, edges[0]))
    _, second = timed(lambda: services.place_edge(store, at.id, edges[1]))
    store.close()
    return f"{sample.path.name:28}{taking_in}{measuring}{first}{second}"


def main() -> int:
    """Print a row a view."""
    print(f"{'wall s (processor s)':28}{'taken in':>15}{'measured':>15}{'first edge':>15}{'second edge':>15}")
    for view in VIEWS:
        with tempfile.TemporaryDirectory() as folder:
            print(row(next(s for s in photos() if s.view == view), Path(folder)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
