"""``inspect-app import``: a job that `export --whole` wrote, back into a data folder."""

from __future__ import annotations

import argparse

from inspect_app.services import open_store
from inspect_app.services.importing import import_job

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Take the job in, or say that it is here already."""
    store = open_store(options.data)
    try:
        made = import_job(store, options.file)
    finally:
        store.close()
    if made.already_there:
        print(f"This job is here already, as #{made.number}; nothing was changed.")
        return 0
    moved = f" Its number #{made.number_was} was taken." if made.number != made.number_was else ""
    print(f"Job #{made.number} was taken in with {made.photos} photos.{moved}")
    return 0
