"""``inspect-app demo``: the sample photos as a finished job and as one to try, then the pages."""

from __future__ import annotations

import argparse

from inspect_app.commands import pages
from inspect_app.demo import load_demo, load_finished
from inspect_app.services import open_store

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Load the demo jobs, once however often they are asked for, and open the pages."""
    store = open_store(options.data)
    try:
        load_demo(store)
        load_finished(store)  # last changed, so that the list shows it first
    finally:
        store.close()
    return pages.run(options)
