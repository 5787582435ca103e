"""What the next press will want, begun while a person looks at the page before it: modules, fonts, a decision."""

from __future__ import annotations

import pkgutil
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from importlib import import_module
from pathlib import Path
from typing import TypeVar

from shared.errors import InspectError

__all__ = ["begin", "glance", "load_the_rest"]

T = TypeVar("T")
ENTRY = f"{__package__}.app"
"""The page itself: loading it would draw it."""
_WORK = ThreadPoolExecutor(max_workers=1, thread_name_prefix="ahead")
"""One thing at a time: two would take longer each, and the page in view is drawn meanwhile."""


def begin(work: Callable[[], T]) -> Future[T]:
    """Begin `work`; its result, or error, is the future's."""
    return _WORK.submit(work)


def glance(work: Callable[..., object], *given: object) -> None:
    """As `begin`, for what is kept where it is worked out: what goes wrong is said where somebody asks for it."""

    def quietly() -> None:
        try:
            work(*given)
        except InspectError:
            return

    _WORK.submit(quietly)


def load_the_rest(then: Callable[[], None]) -> None:
    """Load what no first page needs: the modules of all pages, and the typesetter's fonts; `then` ends it."""

    def load() -> None:
        for found in pkgutil.iter_modules([str(Path(__file__).parent)], f"{__package__}."):
            if found.name != ENTRY:
                import_module(found.name)
        import_module("inspect_app.report.pdf").look_for_fonts()
        then()

    _WORK.submit(load)
