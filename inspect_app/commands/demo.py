"""``inspect-app demo``: the sample photos as a finished-looking job, then the pages."""

from __future__ import annotations

import argparse

from inspect_app.commands import pages
from inspect_app.demo import load_demo
from inspect_app.services import open_store

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Load the demo job, once however often it is asked for, and open the pages."""
    store = open_store(options.data)
    try:
        load_demo(store)
    finally:
        store.close()
    return pages.run(options)
