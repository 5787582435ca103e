"""Tables the person can change: limits, prices, wire sizes, cautions. Every entry names its source."""

from __future__ import annotations

import tomllib
from copy import deepcopy
from functools import cache
from importlib.resources import files
from typing import Any

__all__ = ["load_table", "COMMON_PRACTICE"]

COMMON_PRACTICE = "common practice, no source"


def load_table(name: str) -> dict[str, Any]:
    """The table ``shared/tables/<name>.toml`` as plain values.

    Raises
    ------
    FileNotFoundError
        If there is no such table.
    """
    return deepcopy(_read(name))


@cache
def _read(name: str) -> dict[str, Any]:
    return tomllib.loads(files(__name__).joinpath(f"{name}.toml").read_text("utf-8"))
