"""``inspect-app backup|restore``: everything stored into one zip file, and out of it into a new data folder."""

from __future__ import annotations

import argparse

from inspect_app.services import Backup, back_up, open_store, restore

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Write the backup, or restore one; 0 if it is whole, 1 if it lacks something."""
    return {"backup": _back_up, "restore": _restore}[options.way](options)


def _back_up(options: argparse.Namespace) -> int:
    store = open_store(options.data, make=False)
    try:
        made = back_up(store, options.file)
    finally:
        store.close()
    if made.lacks:
        print(f"{made.path} holds what can still be read, and lacks:")
        return _words_on_missing(made)
    print(f"{made.path} holds everything, {made.photos} photos; it was read back and compared.")
    print(f"To make a data folder of it: inspect-app restore {made.path} FOLDER")
    return 0


def _restore(options: argparse.Namespace) -> int:
    made = restore(options.file, options.folder)
    if made.lacks:
        print(f"{made.path} was restored, and lacks:")
        return _words_on_missing(made)
    print(f"{made.path} was restored whole, {made.photos} photos. Open it with: inspect-app --data {made.path}")
    return 0


def _words_on_missing(made: Backup) -> int:
    for what in made.lacks:
        print(f"  {what}")
    print("Look for an earlier backup that is whole, and keep it.")
    return 1
