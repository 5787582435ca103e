"""Set up and run from a checkout, with nothing but Python 3.11 or later: `python3 inspect_app/bootstrap.py demo`.

``demo`` opens the pages with the demo job, ``test`` runs the tests; anything else goes to ``inspect-app``. The first
run makes ``.venv`` in the checkout with the pinned versions of ``.ci/constraints.txt``; later runs use it as it is
until those or ``pyproject.toml`` change. This file uses the standard library alone.
"""

import hashlib
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
CONSTRAINTS = ROOT / ".ci" / "constraints.txt"
STAMP = VENV / "set-up.sha256"
OLDEST = (3, 11)
ALL_TESTS = ["-n", "3", "--dist", "loadfile", "--no-loadscope-reorder"]
"""All tests go through three processes, a file to each at a time, in the order that `tests/conftest.py` puts them: most
files share one slow picture among their tests, and tests in a browser wait for half their time, so that two processes
would hardly fill two cores."""


def main(words: list[str]) -> int:
    """Set up if needed, then run what was asked for; returns its exit status."""
    if sys.version_info < OLDEST:
        print("Python {}.{} or later is needed; this is {}.".format(*OLDEST, sys.version.split()[0]), file=sys.stderr)
        return 2
    try:
        set_up()
    except (subprocess.CalledProcessError, OSError) as error:
        print(f"Setting up did not finish: {error}. Run the same command again; see the lines above.", file=sys.stderr)
        return 1
    return subprocess.call(command_for(words), cwd=ROOT if words[:1] == ["test"] else None)


def command_for(words: list[str]) -> list[str]:
    """What to run in the environment for the words given."""
    if words[:1] == ["test"]:
        return [str(python()), "-m", "pytest", *(words[1:] or ALL_TESTS)]
    return [str(python()), "-m", "inspect_app.cli", *words]


def python() -> Path:
    """The environment's own Python."""
    return VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def fingerprint() -> str:
    """Changes when the environment must be made anew: other requirements, another Python, a moved checkout."""
    parts = [(ROOT / "pyproject.toml").read_bytes(), CONSTRAINTS.read_bytes(), sys.version.encode(), bytes(VENV)]
    return hashlib.sha256(b"\0".join(parts)).hexdigest()


def set_up() -> None:
    """Make the environment, unless it is there and up to date."""
    if STAMP.is_file() and python().exists() and STAMP.read_text() == fingerprint():
        return
    print(f"Setting up in {VENV}; this takes a few minutes the first time.", file=sys.stderr, flush=True)
    venv.create(VENV, with_pip=True, clear=VENV.exists(), symlinks=os.name != "nt")  # as `python -m venv` does
    pip = [str(python()), "-m", "pip", "--disable-pip-version-check", "install", "--quiet", "-c", str(CONSTRAINTS)]
    # the build back-end first, pinned like the rest, so that building the checkout fetches nothing of its own
    subprocess.run([*pip, "hatchling", "editables"], check=True, stdout=sys.stderr)
    subprocess.run([*pip, "--no-build-isolation", "-e", f"{ROOT}[test]"], check=True, stdout=sys.stderr)
    STAMP.write_text(fingerprint())


if __name__ == "__main__":
    try:
        raise SystemExit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        raise SystemExit(130) from None
