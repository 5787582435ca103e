"""Speed of the decision and of the paper. Run by hand: ``python tests/benchmarks/deciding.py``.

Targets: options for 24 frets by 6 strings with 10,000 draws in 0.5 s; a paper with 12 photos in 1 s after start-up and
under 5 MB.
"""

import io
import time
from datetime import date

import numpy as np
from PIL import Image

from inspect_app.decide.estimate import PriceBook, cost_of, draft_estimate, option_lines
from inspect_app.decide.limits import Limits
from inspect_app.decide.options import Kind, recommend, work_out_options
from inspect_app.decide.wear import FretWear, Spot, WearMap
from inspect_app.instrument.details import Instrument
from inspect_app.report.content import Heading, Picture, ReadingRow, estimate_content
from inspect_app.report.pdf import PAPERS, render_pdf
from shared.measured import Measured


def mm(value, u=0.01):
    return Measured.of(value, "mm", reading=u)


def full_board():
    rng = np.random.default_rng(1)
    frets = tuple(
        FretWear(
            n,
            tuple(Spot(mm(4.0 + 7 * s), s, mm(float(rng.uniform(0.03, 0.25)))) for s in range(1, 7)),
            mm(44.0), mm(2.6), None, 0.01,
        )
        for n in range(1, 25)
    )  # fmt: skip
    return WearMap(Instrument(648.0, frets=24), frets, mm(1.2, 0.02), "section photo")


def photo(seed):
    """A picture as compressible as a real one: smooth, with some grain."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:1200, 0:1600]
    smooth = 128 + 60 * np.sin(x / 97.0 + seed) * np.cos(y / 61.0)
    grain = smooth[..., None] + rng.normal(0, 6, (1200, 1600, 3))
    out = io.BytesIO()
    Image.fromarray(np.clip(grain, 0, 255).astype(np.uint8)).save(out, "JPEG", quality=85)
    return out.getvalue()


def best(action, times=5):
    spent = []
    for _ in range(times):
        t = time.perf_counter()
        action()
        spent.append(time.perf_counter() - t)
    return min(spent)


def main():
    wear, book = full_board(), PriceBook.default()
    options = work_out_options(wear, Limits.default(), lambda k, d, r: cost_of(book, k, d, r), mm(1.3))
    t = best(lambda: work_out_options(wear, Limits.default(), lambda k, d, r: cost_of(book, k, d, r), mm(1.3)))
    print(f"options, 24 frets x 6 strings, 10,000 draws: {t:.3f} s (target 0.5)")
    said = recommend(wear, options)
    pictures = [Picture(f"p{i}.jpg", f"Picture {i}", "a worn fret") for i in range(12)]
    files = {p.file: photo(i) for i, p in enumerate(pictures)}
    rows = [ReadingRow(n, "crown width", mm(2.6), "p") for n in range(1, 25)]
    kind = said.kind or Kind.REFRET
    e = draft_estimate("1", kind, option_lines(kind, 24, 0, book), book, date(2026, 1, 1), said.reason)
    heading = Heading("Bench", (), "1", "A. Customer", "24-fret board", "", PAPERS["a4"])
    data = estimate_content(heading, e, wear, said, options, (rows, [], pictures), (), lambda q: f"{q.value:.2f}")
    pdf = render_pdf("estimate", data, files, e.made_on)
    t = best(lambda: render_pdf("estimate", data, files, e.made_on))
    print(f"estimate with 12 photos: {t:.3f} s (target 1), {len(pdf.data) / 1e6:.2f} MB (target 5)")


if __name__ == "__main__":
    main()
