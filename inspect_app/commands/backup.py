"""``inspect-app backup``: everything stored in one zip file."""

from __future__ import annotations

import argparse

from inspect_app.services import back_up, open_store

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Write the backup and say where it is and how to use it."""
    store = open_store(options.data)
    path = back_up(store, options.file)
    store.close()
    print(f"{path} holds everything. Unpacked into a folder, it is a data folder again: inspect-app --data FOLDER")
    return 0
