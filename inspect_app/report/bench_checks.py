"""What the shop found of its own measuring, as rows of the measurement record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any, Protocol

from inspect_app.report.number_format import NumberFormat
from shared.measured import Measured

__all__ = ["bench_check_rows"]


class Check(Protocol):
    """What is kept of a known thing or a repeat study."""

    @property
    def kind(self) -> str:
        """``known thing`` or ``repeat study``."""

    @property
    def view(self) -> str:
        """Which view."""

    @property
    def result(self) -> Mapping[str, Any]:
        """As the commands write it."""

    @property
    def created(self) -> datetime:
        """When it was kept."""

    @property
    def retired(self) -> bool:
        """Whether it stands no longer."""


def bench_check_rows(checks: Iterable[Check], writing: NumberFormat) -> list[list[str]]:
    """Day, view, what, and what was found, of all that stand, the newest first."""
    return [
        [writing.day(c.created.date().isoformat()), c.view, *_result_row(c, writing)] for c in checks if not c.retired
    ]  # fmt: skip


def _result_row(c: Check, writing: NumberFormat) -> tuple[str, str]:
    if c.kind == "known thing":
        expected, read = (Measured.from_dict(c.result[k]) for k in ("expected", "read"))
        verdict = "agrees" if c.result["agrees"] else "does not agree"
        said = f"expected {writing.value(expected)}, read {writing.value(read)}, E_n {c.result['e_n']:+.2f}: {verdict}"
        return f"Known thing, {c.result['what']}", said
    photos = c.result["photos"]
    people = len({p["by"] for p in photos})
    what = f"Repeat study, {len(photos)} photos" + (f" by {people} people" if people > 1 else "")
    return what, "; ".join(
        f"{q['quantity']} ± {writing.plain(q['own_u'], q['unit'])}" for q in c.result["quantities"]
    ) + " (standard deviation; in U for this view)"  # fmt: skip
