"""Names of files that stand beside each other in one folder."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import count
from unicodedata import normalize

__all__ = ["distinct"]


def distinct(names: Iterable[str]) -> list[str]:
    """The names in their order, each a file of its own on every system.

    One that comes again, be it with other capitals, gets a number.
    """
    out: dict[str, str] = {}
    for name in names:
        numbered = (f"{name}-{n}" if n > 1 else name for n in count(1))
        free = next(at for at in numbered if _folded_name(at) not in out)
        out[_folded_name(free)] = free
    return list(out.values())


def _folded_name(name: str) -> str:
    """What file systems that tell neither capitals nor ways to write an accent apart take for one name."""
    return normalize("NFC", name).casefold()
