"""What is built holds everything the program reads at run time, and nothing of the tests."""

import os
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("calib", "inspect_app", "shared", "sample_images")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    from hatchling.build import build_wheel

    folder = tmp_path_factory.mktemp("wheel")
    with pytest.MonkeyPatch.context() as m:
        m.chdir(ROOT)
        built = folder / build_wheel(str(folder))
    return built


@pytest.fixture(scope="module")
def names(wheel):
    with zipfile.ZipFile(wheel) as z:
        return set(z.namelist())


def test_every_file_of_the_packages_is_in_the_wheel(names):
    made = re.compile(r"__pycache__|\.pyc$")
    files = {
        p.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for p in (ROOT / package).rglob("*")
        if p.is_file() and not made.search(p.as_posix())
    }
    assert files - names == set()


@pytest.mark.parametrize(
    "needed",
    ["inspect_app/jobs/migrations/env.py", "inspect_app/pyproject.toml"],
)
def test_what_is_read_at_run_time_is_named(names, needed):
    assert needed in names


def test_tests_stay_out(names):
    assert not [n for n in names if n.startswith("tests/")]


@pytest.fixture(scope="module")
def installed(wheel, tmp_path_factory):
    """The wheel installed by itself, its requirements being those of the tests."""
    target = tmp_path_factory.mktemp("installed")
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--target", str(target)]
    subprocess.run([*pip, str(wheel)], check=True, capture_output=True)
    return target


KNOWN = "known-thing SAMPLE --view section --expected 0.52 --within 0.01 --reading"


@pytest.mark.parametrize(
    "words",
    [
        ["--version"],
        ["schema"],
        ["print-scales", "--out", "scales.pdf"],
        ["prints", "--add", "strip", "--data", "data"],
        [*KNOWN.split(), "fret 1, tang width"],
    ],
    ids=lambda words: words[0],
)
def test_what_is_installed_runs_from_any_folder(installed, tmp_path, words):
    env = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "INSPECT_APP_APART")}
    sample = str(installed / "sample_images" / "intake-section.jpg")
    told = [sample if w == "SAMPLE" else w for w in words]
    code = "import sys; from inspect_app import cli; assert sys.argv.pop(1) in cli.__file__; sys.exit(cli.main())"
    command = [sys.executable, "-c", code, str(installed), *told]
    here = {**env, "PYTHONPATH": str(installed)}
    ran = subprocess.run(command, cwd=tmp_path, env=here, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout
