"""The processes in which the pages and the services read strangers' photos: one or two, started when first needed."""

from __future__ import annotations

import atexit
import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import ParamSpec, TypeVar

from inspect_app.measure.one_photo import LIMITS, NEEDED
from shared.worker_processes import Runner, cores, runner

__all__ = ["pool", "start", "stop", "submit"]

P = ParamSpec("P")
T = TypeVar("T")
_MOST = 2
"""Two photos at a time: more would take the memory of a bench computer from the pages."""
_turn = threading.Lock()
_pool: Runner | None = None


def pool() -> Runner:
    """The workers, which all windows share."""
    global _pool
    with _turn:
        if _pool is None:
            _pool = runner(min(_MOST, cores()), LIMITS, NEEDED)
            atexit.register(stop)  # before the interpreter waits for its children to end by themselves
        return _pool


def submit(f: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
    """Begin a call in a worker; `shared.worker_processes.outcome` says what came of it."""
    return pool().submit(f, *args, **kwargs)


def start() -> None:
    """Begin to start the workers, so that the first photo need not wait for them."""
    submit(str)


def stop() -> None:
    """End the workers, whatever they do; they start again when needed."""
    global _pool
    with _turn:
        if _pool is not None:
            _pool.close()
        _pool = None
