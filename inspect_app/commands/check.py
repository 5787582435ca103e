"""``inspect-app check``: everything stored compared with its hash."""

from __future__ import annotations

import argparse

from inspect_app.services import check_store, open_store

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Print what was found; 0 if everything stored is whole, 1 if not."""
    store = open_store(options.data, make=False)
    try:
        found = check_store(store, options.tidy)
    finally:
        store.close()
    print(f"{found.data_dir}: {found.jobs} jobs, {found.photos} photo files")
    for word, items in (("missing", found.missing), ("changed", found.damaged), ("database", found.problems)):
        for item in items:
            print(f"  {word}: {item}")
    if found.lost:
        print(f"  {len(found.lost)} whole photos belong to no job: an action was cut short, or the database is older.")
        print("  Keep them; what is missing of a job may be among them.")
    elif found.unclaimed and found.sound:
        print(f"  {len(found.unclaimed)} unfinished files; --tidy moves those over a day old to the folder set-aside")
    print(_closing_line(found.sound))
    return 0 if found.sound else 1


def _closing_line(sound: bool) -> str:
    if sound:
        return "Everything the database names is whole."
    return "Leave this folder as it is, and restore the last backup that is whole: inspect-app restore BACKUP FOLDER"
