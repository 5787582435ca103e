"""Results kept with what they were worked out from: a page asks for the same decision several times over."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from threading import Lock
from typing import Generic, TypeVar

__all__ = ["ResultCache"]

T = TypeVar("T")


class ResultCache(Generic[T]):
    """The last `most` results of a pure function; the same inputs, compared by value, give the same result again.

    >>> squares = ResultCache[int](2)
    >>> squares.of((3,), lambda: 9), squares.of((3,), lambda: 0)
    (9, 9)
    """

    def __init__(self, most: int) -> None:
        self._held: deque[tuple[tuple[object, ...], Future[T]]] = deque(maxlen=most)
        self._lock = Lock()

    def of(self, given: tuple[object, ...], work_out: Callable[[], T]) -> T:
        """The result for these inputs: worked out where it is not held, waited for where another thread is at it."""
        with self._lock:
            held = next((result for inputs, result in reversed(self._held) if inputs == given), None)
            if held is None:
                mine: Future[T] = Future()
                self._held.append((given, mine))
        if held is not None:
            return held.result()
        try:
            mine.set_result(work_out())
        except BaseException as error:
            mine.set_exception(error)
            with self._lock:  # an error is not kept: what was wrong may be right when it is asked for again
                self._held = deque((h for h in self._held if h[1] is not mine), self._held.maxlen)
            raise
        return mine.result()
