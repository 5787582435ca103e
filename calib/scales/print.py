"""The printed scales as a PDF of true size: vector squares, a check bar along and across the page, marks to cut along.

Printers are off by up to 3 % and differently along and across the paper, so a print has no scale until its
check bars were measured: `print_factor` turns a bar's measured length into the factor kept with that print.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import MappingProxyType

import cv2
import numpy as np
import typst

from calib.scales.print_number import LARGEST_NUMBER, number_bars
from calib.scales.printed import DICTIONARY, SHEETS, STRIP_SIZE, Marker
from shared.errors import OptionError

__all__ = ["PAPERS_MM", "CHECK_BAR_MM", "scales_pdf", "write_scales_pdf", "set_page", "print_factor", "Box"]

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height: ISO 216; Letter is 8.5 by 11 inches."""
CHECK_BAR_MM = 100.0
"""Long enough that a calliper reads it to half a thousandth, short enough for callipers of 150 mm."""
_LEFT = 25.0  # mm: clear of what printers can't reach, with room for the marks to cut along
_STRIP_TOP, _BACKDROP_TOP, _BAR_TOP, _TONGUE_TOP = 40.0, 76.0, 122.0, 184.0  # mm: clear of the marks of the one above
_TOPS = {"strip": _STRIP_TOP, "backdrop": _BACKDROP_TOP, "tongue": _TONGUE_TOP}
_STIFF_MM = 8.0  # of the tongue's print, from its top: stiff card is stuck behind it and ends there
_BARS = (  # one across the page and one along it: printers stretch the two differently
    (_LEFT, _BAR_TOP, CHECK_BAR_MM, 3.0),
    (_LEFT + 140.0, _BAR_TOP, 3.0, CHECK_BAR_MM),
)
_OVERLAP = 0.01  # mm: white cells above each other overlap, or a hair of black shows between them on some printers
_LARGEST_ERROR = 0.06  # relative: page scaling to the other paper size; more is a misreading

Box = tuple[float, float, float, float]  # left, top, width, height in mm from the page's top left corner

_TEMPLATE = """
#let d = json("page.json")
#set document(title: d.title, date: none)
#set page(width: d.width * 1mm, height: d.height * 1mm, margin: 0mm)
#set text(size: 9pt)
#let box-of(b, colour) = place(dx: b.at(0) * 1mm, dy: b.at(1) * 1mm,
  rect(width: b.at(2) * 1mm, height: b.at(3) * 1mm, fill: colour, stroke: none))
#for b in d.black { box-of(b, black) }
#for b in d.white { box-of(b, white) }
#for t in d.texts { place(dx: t.left * 1mm, dy: t.top * 1mm, block(width: t.width * 1mm,
  text(size: t.size * 1pt, weight: if t.size > 11 { "bold" } else { "regular" }, t.words))) }
"""


def print_factor(bar_mm: float) -> float:
    """True length over nominal length of a print, from the measured length of its check bar.

    Raises
    ------
    OptionError
        If the bar can't have that length.
    """
    factor = bar_mm / CHECK_BAR_MM
    if not abs(factor - 1.0) <= _LARGEST_ERROR:
        raise OptionError(
            f"A check bar of {bar_mm:g} mm is not possible.",
            f"It is {CHECK_BAR_MM:g} mm long when printed at 100 %; measure it again, in millimetres.",
        )
    return factor


def write_scales_pdf(
    path: str | os.PathLike[str], paper: str, numbers: Mapping[str, int] = MappingProxyType({})
) -> None:
    """Write the page to a file.

    Raises
    ------
    OptionError
        As `scales_pdf`.
    OSError
        If the file can't be written.
    """
    Path(path).write_bytes(scales_pdf(paper, numbers))


def scales_pdf(paper: str, numbers: Mapping[str, int] = MappingProxyType({})) -> bytes:
    """The page with strip, backdrop, tongue and check bars.

    Parameters
    ----------
    paper : {'a4', 'letter'}
    numbers : mapping of {'strip', 'backdrop', 'tongue'} to int
        The number of each print, to stand in its pattern and on its face; without one, it has none.

    Raises
    ------
    OptionError
        If there is no such paper, or a number is too large for the pattern.
    """
    if any(not 1 <= n <= LARGEST_NUMBER for n in numbers.values()):
        raise OptionError(
            f"A print's number is 1 to {LARGEST_NUMBER}.", "Print scales without a number, and write it on by hand."
        )
    if paper not in PAPERS_MM:
        raise OptionError(f"There is no paper called {paper!r}.", f"Use one of: {', '.join(PAPERS_MM)}.")
    width, height = PAPERS_MM[paper]
    black, white = _shapes()
    black += _number_bars(numbers)
    page = {"title": "Printed scales", "width": width, "height": height, "black": black, "white": white}
    page["texts"] = [*_texts(), *_number_texts(numbers)]
    return set_page(page)


def set_page(page: Mapping[str, object]) -> bytes:
    """A PDF of true size from `title`, `width` and `height` (mm), boxes `black` and then `white`, and `texts`."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "page.json").write_text(json.dumps(page), "utf-8")
        Path(folder, "page.typ").write_text(_TEMPLATE, "utf-8")
        return bytes(typst.compile(str(Path(folder, "page.typ")), root=folder, ignore_system_fonts=True))


def _shapes() -> tuple[list[Box], list[Box]]:
    """Black boxes, then the white cells that go on top of them."""
    black: list[Box] = [*_BARS]
    white: list[Box] = []
    for kind, top in _TOPS.items():
        black += _crop_marks(SHEETS[kind].size, top)
        for m in SHEETS[kind].markers:
            black.append((_LEFT + m.left, top + m.top, m.side, m.side))
            white += _white_cells(m, top)
    black += [*_ticks(), *_stiff_marks()]
    return black, white


def _number_bars(numbers: Mapping[str, int]) -> Iterator[Box]:
    """The bars that tell a print's number, on the page."""
    for kind, number in numbers.items():
        yield from ((_LEFT + x, _TOPS[kind] + y, w, h) for x, y, w, h in number_bars(kind, number))


def _number_texts(numbers: Mapping[str, int]) -> Iterator[dict[str, object]]:
    """The same in figures: on the strip between markers and ticks, on the backdrop beside its last large marker, on
    the tongue above its white."""
    places = {"strip": (58.0, 11.4), "backdrop": (85.6, 4.0), "tongue": (57.6, 0.1)}
    for kind, number in numbers.items():
        left, top = places[kind][0], _TOPS[kind] + places[kind][1]
        yield {"left": _LEFT + left, "top": top, "width": 10.0, "size": 5.0, "words": f"No. {number}"}


def _white_cells(marker: Marker, top: float) -> Iterator[Box]:
    """Runs of white cells in each row of a marker."""
    bits = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(DICTIONARY), marker.id, 6) > 0
    cell = marker.side / 6.0
    for row in range(1, 5):
        edges = np.flatnonzero(np.diff(np.r_[False, bits[row], False].astype(int)))
        for start, end in edges.reshape(-1, 2):
            below = _OVERLAP if bits[row + 1, start:end].all() else 0.0
            x, y = _LEFT + marker.left + start * cell, top + marker.top + row * cell
            yield (x, y, float(end - start) * cell, cell + below)


def _ticks() -> Iterator[Box]:
    """Millimetres along the strip's bottom edge, from 2 to 122 mm: 0.12 mm wide, fives and tens longer."""
    for k in range(121):
        length = 3.0 if k % 10 == 0 else 2.2 if k % 5 == 0 else 1.5
        yield (_LEFT + 2.0 + k - 0.06, _STRIP_TOP + STRIP_SIZE[1] - length, 0.12, length)


def _crop_marks(size: tuple[float, float], top: float) -> Iterator[Box]:
    """Two lines outside each corner: cut from mark to mark, and none of them is left on the scale."""
    gap, length, thick = 1.0, 4.0, 0.1
    for x, way in ((_LEFT, -1.0), (_LEFT + size[0], 1.0)):
        for y, down in ((top, -1.0), (top + size[1], 1.0)):
            yield (x + (gap if way > 0 else -gap - length), y - thick / 2.0, length, thick)
            yield (x - thick / 2.0, y + (gap if down > 0 else -gap - length), thick, length)


def _stiff_marks() -> Iterator[Box]:
    """A line outside each of the tongue's sides: stiff card behind it ends there."""
    top, width = _TONGUE_TOP + _STIFF_MM, SHEETS["tongue"].size[0]
    for left in (_LEFT - 5.0, _LEFT + width + 1.0):
        yield (left, top - 0.05, 4.0, 0.1)


def _texts() -> list[dict[str, object]]:
    def text(left: float, top: float, width: float, size: float, words: str) -> dict[str, object]:
        return {"left": left, "top": top, "width": width, "size": size, "words": words}

    return [
        text(_LEFT, 14.0, 160.0, 14.0, "Printed scales"),
        text(
            _LEFT,
            21.5,
            160.0,
            9.0,
            "Print at 100 % (actual size, no fitting to the page) on matt white paper. "
            "Stick the page flat on stiff card before cutting: a bent scale measures wrong.",
        ),
        text(_LEFT + 92.0 + 8.0, _BACKDROP_TOP, 62.0, 9.0, _ABOUT_BACKDROP),
        text(_LEFT + 8.0, _STRIP_TOP - 5.0, 110.0, 7.0, "Strip: lies beside the treble ends, level with the crowns."),
        text(_LEFT + 62.0 + 8.0, _TONGUE_TOP - 2.0, 62.0, 9.0, _ABOUT_TONGUE),
        text(_LEFT, _BAR_TOP + 6.0, 110.0, 9.0, _ABOUT_BARS),
        text(_LEFT, _BAR_TOP + 32.0, 110.0, 9.0, _ABOUT_CUTTING),
    ]


_ABOUT_BACKDROP = (
    "Backdrop: stands on the board just behind the fret. Cut its foot to the curve of the board, "
    "at least 3 mm below the row of small markers."
)
_ABOUT_TONGUE = (
    "Tongue, for photos across the neck: stick stiff card behind it down to the two marks at its sides and no further; "
    "one sheet hangs below. Cut its foot straight. It stands on the crowns and touches the outer string from behind."
)
_ABOUT_BARS = (  # one along the page and one across, both left of Letter's and above A4's margin
    "Check bars: both are 100 mm long when the print is true. Measure each with a calliper, to 0.05 mm, at the "
    "outer ends of the black. Type in the length of the bar that runs the way of the strip. If the two bars "
    "differ by more than 0.2 mm, the printer stretches one way: print again, or on another printer. "
    "Measure again when the paper has been damp or very dry."
)
_ABOUT_CUTTING = (
    "Cut from mark to mark with scissors, or with a knife along a metal rule on a cutting mat: cut away from "
    "your hand, keep fingers behind the rule, retract the blade afterwards. Use glue where the air moves, as its "
    "label says."
)
