"""``inspect-app check``: everything stored compared with its hash."""

from __future__ import annotations

import argparse

from inspect_app.services import check_store, open_store

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Print what was found; 0 if everything stored is whole, 1 if not."""
    store = open_store(options.data)
    found = check_store(store, options.tidy)
    store.close()
    print(f"{found.data_dir}: {found.jobs} jobs, {found.photos} photo files")
    for word, items in (("missing", found.missing), ("changed", found.damaged), ("database", found.problems)):
        for item in items:
            print(f"  {word}: {item}")
    if found.unclaimed:
        print(f"  {len(found.unclaimed)} files belong to no photo; harmless, --tidy deletes those over a day old")
    print("Everything stored is whole." if found.sound else "Restore what is missing or changed from a backup.")
    return 0 if found.sound else 1
