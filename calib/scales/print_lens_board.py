"""The lens board as a PDF of true size: a ChArUco board across a page laid on its side, with a check bar each way.

A lens profile needs no millimetres, but squares that are square: a print stretched one way only makes the focal length
wrong, and the two bars tell.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

from calib.lens_board import U_BARS, Board
from calib.scales.print import CHECK_BAR_MM, PAPERS_MM, Box, print_factor, set_page
from shared.errors import OptionError

__all__ = ["lens_board_pdf", "write_lens_board_pdf", "board_of_bars"]

_TOP = 20.0  # mm: the white around a board that finding it needs is a quarter of a square
_BAR_GAP = 12.0  # mm from the board to a check bar
_THICK = 3.0  # mm, of a check bar
_MOST_STRETCH = 0.02  # relative: more between the two bars is a misreading, no printer


def board_of_bars(across_mm: float, down_mm: float) -> Board:
    """The board as printed, from the measured lengths of its check bars along the long side and along the short one.

    Raises
    ------
    OptionError
        If the bars can't have these lengths.
    """
    across, down = print_factor(across_mm), print_factor(down_mm)
    if abs(down / across - 1.0) > _MOST_STRETCH:
        raise OptionError(
            f"Check bars of {across_mm:g} and {down_mm:g} mm on one page are not possible.",
            "Measure both again, at the outer ends of the black.",
        )
    plain = Board()
    return Board(
        plain.squares,
        plain.square_mm * across,
        plain.marker_mm * across,
        plain.dictionary,
        stretch=down / across,
        u_stretch=U_BARS,
    )


def write_lens_board_pdf(path: str | os.PathLike[str], paper: str) -> None:
    """Write the page to a file.

    Raises
    ------
    OptionError
        If there is no such paper.
    OSError
        If the file can't be written.
    """
    Path(path).write_bytes(lens_board_pdf(paper))


def lens_board_pdf(paper: str) -> bytes:
    """The page with the board and its check bars.

    Parameters
    ----------
    paper : {'a4', 'letter'}

    Raises
    ------
    OptionError
        If there is no such paper.
    """
    if paper not in PAPERS_MM:
        raise OptionError(f"There is no paper called {paper!r}.", f"Use one of: {', '.join(PAPERS_MM)}.")
    height, width = PAPERS_MM[paper]
    board = Board()
    long_side, short_side = (n * board.square_mm for n in board.squares)
    left = (width - long_side) / 2.0
    below, beside = _TOP + short_side + _BAR_GAP, left + long_side + _BAR_GAP
    black, white = board_boxes(board, left, _TOP)
    black += [(left, below, CHECK_BAR_MM, _THICK), (beside, _TOP, _THICK, CHECK_BAR_MM)]
    texts = [
        {"left": left, "top": 10.0, "width": long_side, "size": 12.0, "words": "Lens board"},
        {"left": left + 110.0, "top": below, "width": long_side - 110.0, "size": 8.0, "words": _ABOUT},
    ]
    return set_page(
        {"title": "Lens board", "width": width, "height": height, "black": black, "white": white, "texts": texts}
    )


def board_boxes(board: Board, left: float, top: float) -> tuple[list[Box], list[Box]]:
    """Black boxes of a board (its squares, and its markers in the white ones), then white cells on top of them, mm."""
    across, down = board.squares
    s = board.square_mm
    black = [(left + i * s, top + j * s, s, s) for j in range(down) for i in range(across) if (i + j) % 2 == 0]
    white: list[Box] = []
    cv = board.opencv()
    for number, corners in zip(np.ravel(cv.getIds()), cv.getObjPoints(), strict=True):
        x, y = np.asarray(corners, dtype=float)[:, :2].min(axis=0) + np.array([left, top])
        black.append((float(x), float(y), board.marker_mm, board.marker_mm))
        white += _white_cells(board, int(number), float(x), float(y))
    return black, white


def _white_cells(board: Board, number: int, left: float, top: float) -> Iterator[Box]:
    words = cv2.aruco.getPredefinedDictionary(board.dictionary)
    cells = int(words.markerSize) + 2
    bits = cv2.aruco.generateImageMarker(words, number, cells) > 0
    side = board.marker_mm / cells
    for row in range(1, cells - 1):
        edges = np.flatnonzero(np.diff(np.r_[False, bits[row], False].astype(int)))
        for start, end in edges.reshape(-1, 2):
            yield (left + start * side, top + row * side, float(end - start) * side, side)


_ABOUT = (
    "Print at 100 % on matt paper and stick it flat on glass or stiff card: a bent board makes a wrong profile. "
    "Measure both black bars with a calliper and give their lengths. Then, at the zoom and distance of the work, "
    "photograph the board at least eight times, so that it once reaches each corner of the picture, leaning the "
    "camera to every side."
)
