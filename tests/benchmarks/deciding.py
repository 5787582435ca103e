"""Speed of the decision and of the papers. Run by hand: ``python tests/benchmarks/deciding.py``.

Targets: options for 24 frets by 6 strings with 10,000 draws in 0.5 s; the demo's estimate, handover and bench sheet
in 1 s each after start-up and under 3 MB. The record draws every photo of the visit: 2 s on a busy machine.
"""

import tempfile
import time
from pathlib import Path

import numpy as np

from inspect_app.decide.estimate import PriceBook, cost_of
from inspect_app.decide.limits import Limits
from inspect_app.decide.options import work_out_options
from inspect_app.decide.wear import FretWear, WearMap, WornSpot
from inspect_app.demo import load_demo
from inspect_app.instrument.details import Instrument
from inspect_app.services import open_store
from inspect_app.services.estimating import draft, estimate_pdf
from inspect_app.services.papers import bench_paper, handover_paper, record_paper
from shared.measured import Measured


def mm(value, u=0.01):
    return Measured.of(value, "mm", reading=u)


def full_board():
    rng = np.random.default_rng(1)
    frets = tuple(
        FretWear(
            n,
            tuple(WornSpot(mm(4.0 + 7 * s), s, mm(float(rng.uniform(0.03, 0.25)))) for s in range(1, 7)),
            mm(44.0), mm(2.6), None, 0.01,
        )
        for n in range(1, 25)
    )  # fmt: skip
    return WearMap(Instrument(648.0, frets=24), frets, mm(1.2, 0.02), "section photo")


def best(action, times=5):
    spent = []
    for _ in range(times):
        t = time.perf_counter()
        action()
        spent.append(time.perf_counter() - t)
    return min(spent)


def main():
    wear, book = full_board(), PriceBook.default()
    t = best(lambda: work_out_options(wear, Limits.default(), lambda k, d, r: cost_of(book, k, d, r), mm(1.3)))
    print(f"options, 24 frets x 6 strings, 10,000 draws: {t:.3f} s (target 0.5)")
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(Path(folder) / "data")
        papers(store, load_demo(store))
        store.close()


def papers(store, job):
    """The demo job's papers, their photos decoded before, as they are when a page shows them."""
    made = draft(store, job)
    for name, paper in (
        ("estimate", lambda: estimate_pdf(store, made.id)),
        ("handover", lambda: handover_paper(store, job).data),
        ("bench sheet", lambda: bench_paper(store, job).data),
        ("record", lambda: record_paper(store, job).data),
    ):
        size = len(paper()) / 1e6
        print(f"{name}: {best(paper):.3f} s (target 1), {size:.2f} MB (target 3)")


if __name__ == "__main__":
    main()
