"""How far readings are off on photos of known geometry, every figure of every view, as a page and as Markdown.

    python -m tests.benchmarks.accuracy [NAME=]FOLDER ... [--out FOLDER] [--bounds]

Folders hold photos with truth files (see `tests.benchmarks.against_truth`); a name sets one apart in the breakdown,
such as ``phone=FOLDER`` for photos that went through a phone's processing. Written are ``accuracy.md`` and
``accuracy.html``: n, bias, RMS error, worst, share inside U, wrong (off by more than twice U), the plain reading
beside, and all of it by how the photos were taken. ``--bounds`` adds the scatter of the edge finders beside the
Cramer-Rao bound (a minute more); ``--lens`` measures with a lens profile as good as one made from photos of the board.
"""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

from tests.benchmarks.accuracy_pages import as_html, as_markdown
from tests.benchmarks.against_truth import Score, score
from tests.benchmarks.edge_bounds import bounds


def main():
    """Measure, write both files, print the summary."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("folders", nargs="+", metavar="[NAME=]FOLDER")
    options.add_argument("--out", type=Path, default=Path("accuracy"))
    options.add_argument("--bounds", action="store_true")
    options.add_argument("--lens", action="store_true")
    given = options.parse_args()
    every = Score()
    for text in given.folders:
        name, _, folder = text.rpartition("=")
        one = score(name or Path(folder).name, Path(folder), given.lens)
        every.rows += one.rows
        every.missed += one.missed
        every.declined += one.declined
        every.refused += one.refused
        every.photos += one.photos
    found = bounds() if given.bounds else []
    on = datetime.now(UTC).date()
    given.out.mkdir(parents=True, exist_ok=True)
    text = as_markdown(every, found, on)
    (given.out / "accuracy.md").write_text(text)
    (given.out / "accuracy.html").write_text(as_html(every, found, on))
    print(text.partition("\n## By")[0])


if __name__ == "__main__":
    main()
