"""Results kept with what they were worked out from: a page asks for the same decision several times over."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from threading import Lock
from typing import Generic, TypeVar

__all__ = ["Kept"]

T = TypeVar("T")


class Kept(Generic[T]):
    """The last `most` results of a pure function; the same inputs, compared by value, give the same result again.

    >>> squares = Kept[int](2)
    >>> squares.of((3,), lambda: 9), squares.of((3,), lambda: 0)
    (9, 9)
    """

    def __init__(self, most: int) -> None:
        self._held: deque[tuple[tuple[object, ...], T]] = deque(maxlen=most)
        self._lock = Lock()

    def of(self, given: tuple[object, ...], work_out: Callable[[], T]) -> T:
        """The result for these inputs: worked out where it is not held."""
        with self._lock:
            held = list(self._held)
        for inputs, result in reversed(held):
            if inputs == given:
                return result
        made = work_out()
        with self._lock:
            self._held.append((given, made))
        return made
