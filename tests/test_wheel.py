"""What is built holds everything the program reads at run time, and nothing of the tests."""

import re
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("calib", "inspect_app", "shared", "sample_images")


@pytest.fixture(scope="module")
def names(tmp_path_factory):
    from hatchling.build import build_wheel

    folder = tmp_path_factory.mktemp("wheel")
    with pytest.MonkeyPatch.context() as m:
        m.chdir(ROOT)
        built = folder / build_wheel(str(folder))
    with zipfile.ZipFile(built) as z:
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
