"""What is found in a photo, found once: several questions are put to a photo that lead to the same search."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TypeVar, cast

from calib.photo import Photo

__all__ = ["found_once"]

Found = TypeVar("Found")


def found_once(photo: Photo, what: Hashable, find: Callable[[], Found]) -> Found:
    """What `find` gives under the name `what`: called the first time, kept as long as the photo is.

    It must depend on the photo and the name alone, and nobody may change what is handed out.
    """
    kept: dict[Hashable, object] = vars(photo).setdefault("_found", {})
    if what not in kept:
        kept[what] = find()
    return cast(Found, kept[what])
