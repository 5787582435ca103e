"""``python -m tests.sweeps.flips --count N --seed S``: `check` finds any flipped bit of the database or of a photo.

Counted are flips that change something stored; those in bytes that hold nothing are told, and do not count. Ends with 1
if one was missed.
"""

import argparse
import os
import random
import shutil
import sys
import tempfile
from collections import Counter
from pathlib import Path

import pytest

from inspect_app import services
from inspect_app.jobs.store import DATABASE
from shared.errors import InspectError
from tests.inspect_app.promises.conftest import fill, stored_in

os.environ["INSPECT_APP_APART"] = "0"


def template(folder):
    """A data folder with something in every table, its database written out whole."""
    store = services.open_store(folder)
    with pytest.MonkeyPatch.context() as m:
        fill(store, m)
    with store.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    store.close()
    return folder


def checked(folder):
    """Whether the folder opens and is whole."""
    try:
        store = services.open_store(folder, make=False)
    except InspectError:
        return False
    try:
        return services.check_store(store).sound
    except InspectError:
        return False
    finally:
        store.close()


def flip(path, rng):
    """Turn one bit of a file over; where."""
    data = bytearray(path.read_bytes())
    at, bit = rng.randrange(len(data)), rng.randrange(8)
    data[at] ^= 1 << bit
    path.write_bytes(data)
    return f"byte {at}, bit {bit}"


def flips(made, work, count, seed):
    """Flips until so many have mattered; where each was, and what came of it."""
    rng = random.Random(seed)
    files = sorted(p.relative_to(made) for p in (made / "photos").rglob("*") if p.is_file())
    assert files
    before = stored_in(made / DATABASE)
    assert before is not None
    mattered = 0
    while mattered < count:
        folder = work / "flipped"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(made, folder)
        name = rng.choice((Path(DATABASE), Path(DATABASE), rng.choice(files)))
        where = flip(folder / name, rng)
        matters = name != Path(DATABASE) or stored_in(folder / DATABASE) != before
        found = not checked(folder)
        mattered += matters
        yield f"{name}: {where}", "found" if found else "missed" if matters else "holds nothing"


def main(words=None):
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--count", type=int, default=100)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args(words)
    with tempfile.TemporaryDirectory() as at:
        made = template(Path(at) / "made")
        outcomes = Counter()
        for where, outcome in flips(made, Path(at), given.count, given.seed):
            outcomes[outcome] += 1
            if outcome == "missed":
                print(f"  missed: {where}", flush=True)
        print(", ".join(f"{n} {outcome}" for outcome, n in sorted(outcomes.items())))
        return 1 if outcomes["missed"] else 0


if __name__ == "__main__":
    sys.exit(main())
