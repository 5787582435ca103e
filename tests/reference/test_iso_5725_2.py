"""Repeatability and reproducibility by ISO 5725-2:1994, B.1; the numbers stand in iso5725_2.toml."""

import tomllib
from pathlib import Path

import pytest

from inspect_app.decide.precision import precision

ISO_5725 = tomllib.loads((Path(__file__).parent / "iso5725_2.toml").read_text("utf-8"))["level"]


@pytest.mark.parametrize("level", ISO_5725, ids=lambda level: f"{level['mean']}")
def test_sulfur_in_coal_iso_5725_2_b1(level):
    """ISO 5725-2:1994, B.1; from memory, each printed digit follows from the data."""
    p = precision(level["groups"])
    assert [round(v, 3) for v in (p.mean, p.repeatability, p.reproducibility)] == [
        level["mean"],
        level["s_r"],
        level["s_R"],
    ]
