"""What was acknowledged is kept: through kills at any moment and at any call, through power cuts, and bits that flip.

Shortened forms of sweeps that go as far as one likes by command: `tests.sweeps.kills` and `tests.sweeps.flips`.
"""

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="sees calls as Linux tells of them"),
]
IN_MEMORY = Path("/dev/shm")
"""Kills need no disk that is slow to sync."""


def run(*words):
    folder = str(IN_MEMORY) if os.access(IN_MEMORY, os.W_OK) else tempfile.gettempdir()
    env = {**os.environ, "TMPDIR": folder}
    return subprocess.run([sys.executable, *words], capture_output=True, text=True, env=env)


def test_nothing_acknowledged_is_lost_by_kills_and_power_cuts():
    ran = run("-m", "tests.sweeps.kills", "--random", "6", "--calls", "30", "--replays", "30")
    assert ran.returncode == 0, ran.stdout + ran.stderr
    lines = ran.stdout.splitlines()
    assert [line.rpartition("; ")[2] for line in lines if "acknowledged facts" in line] == ["0 lost"] * 3
    hit = int(re.search(r"30 kills at calls \((\d+) hit", ran.stdout)[1])
    assert hit > 27  # a run may end some calls sooner than the one whose calls were counted


@pytest.mark.parametrize(
    "weaker",
    [
        "from inspect_app.jobs import photo_files; photo_files.sync_folder = lambda folder: None",
        "import inspect_app.jobs.opening as o; from sqlalchemy import event; c = o.connect\n"
        "def weak(database):\n"
        "    engine = c(database)\n"
        "    event.listen(engine, 'connect', lambda at, _: at.execute('PRAGMA synchronous = OFF'))\n"
        "    return engine\n"
        "o.connect = weak",
    ],
    ids=["photo folders not synced", "database not synced"],
)
def test_power_cuts_show_what_was_not_synced(weaker):
    ran = run("-c", f"{weaker}\nimport sys; from tests.sweeps.kills import main; sys.exit(main(['--replays', '12']))")
    assert ran.returncode == 1, ran.stdout + ran.stderr
    assert int(re.search(r"(\d+) lost", ran.stdout)[1]) > 0


def test_flipped_bits_are_found():
    ran = run("-m", "tests.sweeps.flips", "--count", "60")
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "60 found" in ran.stdout
