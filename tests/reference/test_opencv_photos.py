"""Photos of a chessboard by a camera with strong distortion, published with OpenCV: lengths all over the board, when
only its middle squares are given and nothing is said of the lens."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from calib.photo import open_photo
from calib.plane import Plane
from calib.pose_fit import fit_plane
from calib.scales.base import Scale

PHOTOS = sorted((Path(__file__).parent / "opencv_chessboard").glob("left*.jpg"))
"""samples/data of OpenCV 4.6.0: its NOTICE stands beside them."""
COLUMNS, ROWS, SQUARE = 9, 6, 25.0  # inner corners; the square's size is not published, and shares do not need it
U_CORNER_PX = 0.1  # of `cv2.cornerSubPix` on these photos of 640 x 480
MIDDLES = {"2x2": (slice(1, 4), slice(3, 6)), "4x3": (slice(1, 5), slice(2, 7)), "6x3": (slice(1, 5), slice(1, 8))}
BOARD = np.stack(np.meshgrid(np.arange(COLUMNS), -np.arange(ROWS)), axis=-1) * SQUARE


def corners(gray: np.ndarray) -> np.ndarray:
    """Inner corners (6, 9, 2), turned so that the rows run clockwise of the columns, as on the board."""
    found, seen = cv2.findChessboardCorners(gray, (COLUMNS, ROWS))
    assert found
    done = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-3)
    grid = cv2.cornerSubPix(gray, seen, (5, 5), (-1, -1), done).reshape(ROWS, COLUMNS, 2).astype(float)
    along, down = grid[0, 1] - grid[0, 0], grid[1, 0] - grid[0, 0]
    return grid if along[0] * down[1] > along[1] * down[0] else grid[:, ::-1]


def shares_of_u(path: Path, middle: tuple[slice, slice]) -> np.ndarray:
    """Errors over U of all lengths between two corners of the board."""
    photo = open_photo(path.read_bytes(), path.name)
    grid = corners(photo.gray)
    given = grid[middle].reshape(-1, 2)
    u = np.full(given.shape, U_CORNER_PX)
    scale = Scale("card", given, BOARD[middle].reshape(-1, 2), u, 0.0, given[:4], u_flat_mm=0.0)  # a stiff panel
    plane = fit_plane(scale, (photo.width, photo.height), photo.focal)
    a, b = np.triu_indices(COLUMNS * ROWS, 1)
    true = np.linalg.norm(BOARD.reshape(-1, 2)[b] - BOARD.reshape(-1, 2)[a], axis=1)

    def seen(p: Plane) -> np.ndarray:
        mm = p.to_mm(grid.reshape(-1, 2))
        return np.asarray(np.linalg.norm(mm[b] - mm[a], axis=1))

    u_read = U_CORNER_PX * np.sqrt(2.0) / plane.px_per_mm(BOARD.mean(axis=(0, 1)))
    return np.asarray((seen(plane) - true) / (2.0 * np.hypot(plane.u_of(seen), u_read)))


@pytest.mark.slow
@pytest.mark.parametrize("middle", MIDDLES)
def test_lengths_all_over_the_board_are_inside_u(middle) -> None:
    assert len(PHOTOS) == 13
    shares = [np.abs(shares_of_u(path, MIDDLES[middle])) for path in PHOTOS]
    assert np.mean(np.concatenate(shares) <= 1.0) >= 0.95
    for path, of_photo in zip(PHOTOS, shares, strict=True):
        assert np.mean(of_photo <= 1.0) >= 0.8, path.name  # one photo's lengths share one pose and lens
        assert np.max(of_photo) < 2.5, path.name
        whole = of_photo[COLUMNS * ROWS - 2]  # from the first corner to the last: across the whole board
        assert whole <= 1.0, path.name
