"""``inspect-app``: serve the pages until stopped."""

from __future__ import annotations

import argparse
import os
import re
import sys

from inspect_app.ui import run as serve

__all__ = ["run"]

_PASSCODE = re.compile(r"--pa[a-z]*(=.*)?", re.DOTALL)
"""The option, cut short too, as `argparse` understands it."""


def run(options: argparse.Namespace) -> int:
    """Open the pages on the data folder."""
    unnamed = without_passcode(sys.argv)
    if options.lan and unnamed != sys.argv and hasattr(os, "execve"):
        _restart_without_passcode(unnamed, options.passcode)
    serve(options.data, options.port, not options.no_browser, options.lan, options.passcode)
    return 0


def without_passcode(words: list[str]) -> list[str]:
    """The words of a command without the passcode, which every user of this machine could read in its list of
    processes."""
    kept, skip = [], False
    for word in words:
        named = _PASSCODE.fullmatch(word) is not None and not skip
        if not skip and not named:
            kept.append(word)
        skip = named and "=" not in word
    return kept


def _restart_without_passcode(words: list[str], passcode: str) -> None:
    """Take this process's place with one that gets the passcode through its environment, which is its user's alone."""
    os.execve(
        sys.executable,
        [sys.executable, "-m", "inspect_app.cli", *words[1:]],
        {**os.environ, "INSPECT_APP_PASSCODE": passcode},
    )
