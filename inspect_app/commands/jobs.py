"""``inspect-app jobs``: the list of jobs as lines of text."""

from __future__ import annotations

import argparse

from inspect_app.services import JobRow, find_jobs, open_store

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Print the jobs that hold every word asked for."""
    store = open_store(options.data, make=False)
    found = find_jobs(store, " ".join(options.query), options.limit)
    store.close()
    for row in found.rows:
        print(_line(row))
    if found.total > len(found.rows):
        print(f"{found.total - len(found.rows)} more; narrow the search or raise --limit.")
    if not found.rows:
        print("No job holds all these words." if options.query else "There are no jobs yet: `inspect-app` makes one.")
    return 0


def _line(row: JobRow) -> str:
    promised = f", promised {row.promised.isoformat()}" if row.promised else ""
    return f"#{row.number}  {row.customer}  {row.instrument}  {row.photos} photos  {row.stage.value}{promised}"
