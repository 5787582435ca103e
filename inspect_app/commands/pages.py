"""``inspect-app``: serve the pages until stopped."""

from __future__ import annotations

import argparse

from inspect_app.ui import run as serve

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Open the pages on the data folder."""
    serve(options.data, options.port, not options.no_browser, options.lan, options.passcode)
    return 0
