"""``inspect-app schema``: the JSON schema of the answers, for programs that read them."""

from __future__ import annotations

import argparse
import json

from inspect_app.reading.schema import answer_schema

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Print it."""
    print(json.dumps(answer_schema(), indent=1))
    return 0
