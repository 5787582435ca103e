"""A command that asks for little starts at once: what it loads is held, not its seconds."""

import subprocess
import sys

import pytest

from tests.conftest import rest_slow
from tests.inspect_app.deciding_case import make_job, put_elevation

LISTS = ("numpy", "scipy", "cv2", "PIL", "streamlit", "typst", "alembic", "skimage")
"""Not loaded by what looks into the store alone."""
DECIDES = ("streamlit", "alembic", "skimage")
"""Not loaded by what decides and writes a paper."""


@pytest.fixture
def data(store, monkeypatch):
    """A data folder with one job, whose frets 1 to 6 are worn."""
    job = make_job(store)
    put_elevation(store, monkeypatch, job, 1, [0.15, 0.2, 0.0, 0.1, 0.0, 0.0])
    return store.data_dir


def loaded_by(words):
    """Libraries and packages that a command has loaded when it ends."""
    code = (
        "import sys; from inspect_app.cli import main; ended = main(sys.argv[1:]); print(*sys.modules); sys.exit(ended)"
    )
    ran = subprocess.run([sys.executable, "-c", code, *map(str, words)], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    return {name.split(".")[0] for name in ran.stdout.splitlines()[-1].split()}


@pytest.mark.parametrize("command", rest_slow(["jobs", "check", "prints", "gauges"]))
def test_a_list_loads_no_numerical_library(data, command):
    found = loaded_by([command, "--data", data])
    assert "sqlalchemy" in found
    assert found.isdisjoint(LISTS)


PAPERS = [["report", "1", "--out", "r.pdf"], ["estimate", "1"], ["estimate", "1", "--out", "e.pdf"]]


@pytest.mark.parametrize("words", rest_slow(PAPERS))
def test_a_decision_loads_what_it_reckons_with(data, words, tmp_path):
    words = [tmp_path / w if w.endswith(".pdf") else w for w in words]
    found = loaded_by([*words, "--data", data])
    assert "numpy" in found
    assert found.isdisjoint(DECIDES)


@pytest.mark.parametrize("command", rest_slow(["measure", "estimate", "jobs", "check", "lens"]))
def test_help_loads_nothing_but_the_words(command):
    code = "import sys; from inspect_app.cli import parser; p = parser()\n"
    code += "try: p.parse_args(sys.argv[1:])\nexcept SystemExit: print(); print(*sys.modules)"
    ran = subprocess.run([sys.executable, "-c", code, command, "--help"], capture_output=True, text=True, check=True)
    found = {name.split(".")[0] for name in ran.stdout.splitlines()[-1].split()}
    assert "argparse" in found
    assert found.isdisjoint((*LISTS, "sqlalchemy"))
