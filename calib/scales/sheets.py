"""The printed scales' layouts, known without looking for them: loads no numerical library."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Vector = NDArray[np.float64]

__all__ = [
    "Marker",
    "Sheet",
    "STRIP",
    "STRIP_SIZE",
    "BACKDROP",
    "BACKDROP_SIZE",
    "TONGUE",
    "TONGUE_SIZE",
    "SHEETS",
    "PRINTED",
]


@dataclass(frozen=True, slots=True)
class Marker:
    """A printed marker: number, left edge and top edge from the sheet's top left corner (y down), side; millimetres."""

    id: int
    left: float
    top: float
    side: float

    def corners(self) -> Vector:
        """Corners clockwise from the top left as OpenCV orders them, y UP, shape (4, 2)."""
        import numpy as np  # a list of jobs names the sheets and draws none

        x0, x1, y0, y1 = self.left, self.left + self.side, -self.top, -(self.top + self.side)
        return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


# Layout of the printed scales, mm: what `print-scales` draws, and so what a photo of them shows.
STRIP_SIZE = (124.0, 16.0)
STRIP = tuple(Marker(i, 4.0 + 12.0 * i, 2.0, 8.0) for i in range(10))
BACKDROP_SIZE = (92.0, 26.0)
BACKDROP = tuple(Marker(20 + i, 8.0 + 11.4 * i, 2.0, 8.0) for i in range(7)) + tuple(
    Marker(30 + i, 4.0 + 4.5 * i, 12.5, 3.0) for i in range(19)
)
TONGUE_SIZE = (62.0, 16.0)
"""It stands on two crowns wherever it is put (frets are 46 mm apart at most), and has room between the nut and a finger
behind the second fret. Below the print 8.5 mm are white: 2 mm of plain card, and 6 for the highest string and its gap.
"""
TONGUE = tuple(Marker(10 + i, 2.2 + 8.6 * i, 1.5, 6.0) for i in range(7))


@dataclass(frozen=True, slots=True)
class Sheet:
    """A printed scale: its markers, and its width and height, mm."""

    markers: tuple[Marker, ...]
    size: tuple[float, float]

    @property
    def print_foot(self) -> float:
        """From its top edge to where its print ends, mm."""
        return max(m.top + m.side for m in self.markers)


SHEETS: Mapping[str, Sheet] = {
    "strip": Sheet(STRIP, STRIP_SIZE),
    "backdrop": Sheet(BACKDROP, BACKDROP_SIZE),
    "tongue": Sheet(TONGUE, TONGUE_SIZE),
}
PRINTED = tuple(SHEETS)
"""Kinds of printed scale."""
