"""The runnable examples in docstrings do what they say."""

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def modules_with_examples():
    for package in ("shared", "calib", "inspect_app"):
        for path in sorted((ROOT / package).rglob("*.py")):
            if ">>> " in path.read_text(encoding="utf-8"):
                yield ".".join(path.relative_to(ROOT).with_suffix("").parts)


MODULES = list(modules_with_examples())


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    found = doctest.testmod(importlib.import_module(name))
    assert found.attempted > 0
    assert found.failed == 0


def test_what_others_build_on_has_an_example():
    assert {
        "calib.edges",
        "calib.lines",
        "calib.photo",
        "calib.plane",
        "calib.pose_fit",
        "inspect_app.instrument.crown",
        "inspect_app.instrument.details",
        "inspect_app.instrument.fretboard",
        "shared.units",
    } <= set(MODULES)
