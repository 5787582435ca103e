"""The printed lens board: found in photos, what photos of it still lack, and the lens profile they give.

Calibration by Zhang's method as OpenCV does it (`cv2.calibrateCameraExtended`), with square pixels and one radial term,
as `Plane` has. The standard deviations that OpenCV gives rest on the scatter of the corners alone; what groups
of photos left out in turn change (the jackknife, Efron 1982, from memory) and a stretched print come on top.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edges import edge_points
from calib.lens_profile import LensProfile
from calib.photo import Camera, Photo
from shared.errors import OptionError, ScaleError

__all__ = [
    "MIN_PHOTOS",
    "Board",
    "SeenBoard",
    "advice_on",
    "least_focal_shown",
    "profile_of",
    "residual_of",
    "residual_through",
    "see_board",
    "soft_ones",
]

Vector = NDArray[np.float64]
Points = NDArray[np.float32]

MIN_PHOTOS = 8
"""Least photos of the board: focal length and distance come apart only over several tilts, and two are left out in turn
as a check (common practice)."""
MIN_CORNERS = 12
"""Least corners of the board in a photo: twice the six a pose needs, so that residuals mean something."""
BLURRED_PX = 2.5
"""Blur (standard deviation) from which a photo of the board is called soft: its corners scatter several times more than
those of a sharp one, and a lens out of focus is not at the setting that the profile is for."""
LEANS = 0.2
"""Sine of the lean that counts as one, 12 degrees: much less tells focal length and distance hardly apart."""
U_STRETCH = 0.003
"""How differently printers stretch along and across a page, standard uncertainty of the ratio (common practice, no
source); found by the board's two check bars, it is that of two calliper readings of 0.05 mm on 100 mm."""
U_BARS = 7e-4
_FOLDS = 6  # groups of photos left out in turn: of eight photos one or two each
_AREAS = 5  # cells of the picture each way, of which none may lack a corner
_FIRST_FOCAL = 1.3  # of the longer side, where a calibration starts: phones have 0.7 to 2 (common practice, no source)
_TRIED = 0.05  # relative, of focal length: well over noise in any view that leans, and the residual still as its square
_OUTLYING = 2.0  # times the median residual: a photo beyond it was moved or out of focus
_FLAGS = (
    cv2.CALIB_FIX_ASPECT_RATIO
    | cv2.CALIB_ZERO_TANGENT_DIST
    | cv2.CALIB_FIX_K2
    | cv2.CALIB_FIX_K3
    | cv2.CALIB_USE_INTRINSIC_GUESS
)


@dataclass(frozen=True, slots=True)
class Board:
    """A printed ChArUco board: squares across and down, their side and the markers' side in mm, and its dictionary.

    `stretch` is how much longer the squares are down the board than across it, 1 for square ones.
    """

    squares: tuple[int, int] = (8, 6)
    square_mm: float = 24.0
    marker_mm: float = 18.0
    dictionary: int = cv2.aruco.DICT_5X5_100
    stretch: float = 1.0
    u_stretch: float = U_STRETCH

    def opencv(self) -> cv2.aruco.CharucoBoard:
        """The same board as OpenCV describes it."""
        words = cv2.aruco.getPredefinedDictionary(self.dictionary)
        return cv2.aruco.CharucoBoard(self.squares, self.square_mm, self.marker_mm, words)

    def corners_mm(self) -> Points:
        """Places of its inner corners, shape (N, 3), in the order of their numbers."""
        places = np.asarray(self.opencv().getChessboardCorners(), dtype=np.float32)
        return np.asarray(places * np.array([1.0, self.stretch, 1.0], dtype=np.float32), dtype=np.float32)


@dataclass(frozen=True)
class SeenBoard:
    """The board in one photo.

    Attributes
    ----------
    name : str
        Of the photo.
    size_px : (width, height)
    camera : Camera
        What EXIF said.
    ids : ndarray of int, shape (N,)
        Numbers of the corners seen.
    corners_px : ndarray of float32, shape (N, 2)
    blur_px : float
        Standard deviation of the blur of the squares' edges, median; nan where none could be measured.
    lean : (float, float)
        Where the board's face looks, to the right and downwards in the picture: sines, (0, 0) for square on.
    """

    name: str
    size_px: tuple[int, int]
    camera: Camera
    ids: NDArray[np.intp]
    corners_px: Points
    blur_px: float
    lean: tuple[float, float]


def see_board(photo: Photo, board: Board) -> SeenBoard | None:
    """Find the board's corners; None where fewer than twelve can be seen."""
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board.opencv()).detectBoard(photo.gray)
    if ids is None or len(ids) < MIN_CORNERS:
        return None
    numbers, px = np.ravel(ids).astype(np.intp), np.asarray(corners, dtype=np.float32).reshape(-1, 2)
    size = (photo.width, photo.height)
    lean = _lean(board.corners_mm()[numbers], px, size, photo.focal.px)
    return SeenBoard(photo.name, size, photo.camera, numbers, px, _blur(photo, board, numbers, px), lean)


def _lean(places: Points, px: Points, size: tuple[int, int], focal_px: float) -> tuple[float, float]:
    camera = np.array([[focal_px, 0, (size[0] - 1) / 2], [0, focal_px, (size[1] - 1) / 2], [0, 0, 1]])
    found, turn, _ = cv2.solvePnP(places, px, camera, np.zeros(4))
    if not found:
        return 0.0, 0.0
    normal = cv2.Rodrigues(turn)[0][:, 2]
    towards = -math.copysign(1.0, normal[2])  # the face looks at the camera
    return float(towards * normal[0]), float(towards * normal[1])


def _blur(photo: Photo, board: Board, ids: NDArray[np.intp], px: Points) -> float:
    """Median blur across the edges between neighbouring corners, clear of the corners and of the markers."""
    at = dict(zip(ids.tolist(), px.astype(float), strict=True))
    across = board.squares[0] - 1
    pairs = [(at[i], at[j]) for i in at for j in (i + 1, i + across) if j in at and (j > i + 1 or j % across)]
    if not pairs:
        return math.nan
    a, b = (np.array(p) for p in zip(*pairs, strict=True))
    d = b - a
    length = np.hypot(d[:, 0], d[:, 1])
    half = float(np.median(length)) * (board.square_mm - board.marker_mm) / board.square_mm / 2.0 * 0.8
    normal = np.column_stack([-d[:, 1], d[:, 0]]) / length[:, None]
    points = np.concatenate([a + t * d for t in (0.35, 0.5, 0.65)])
    steps = edge_points(photo, points, np.tile(normal, (3, 1)), max(half, 3.0)).steps
    good = np.isfinite(steps.at)
    return float(np.median(steps.sigma[good])) if good.any() else math.nan


def soft_ones(seen: Sequence[SeenBoard]) -> tuple[str, ...]:
    """A sentence for each photo of the board that is out of focus."""
    return tuple(f"{s.name} is soft: focus on the board." for s in seen if s.blur_px > BLURRED_PX)


def advice_on(seen: Sequence[SeenBoard]) -> tuple[str, ...]:
    """What photos of the board still lack, a sentence each; empty when they will do."""
    out = [*soft_ones(seen)]
    if len(seen) < MIN_PHOTOS:
        lack = MIN_PHOTOS - len(seen)
        out.append(
            f"{lack} more photos of the board are needed." if lack > 1 else "1 more photo of the board is needed."
        )
    if not seen:
        return tuple(out)
    bare = _bare_areas(seen)
    if bare:
        out.append(f"No photo shows the board in the {_listed(bare)} of the picture: lay it there.")
    leans = np.array([s.lean for s in seen])
    sides = {"left": leans[:, 0], "right": -leans[:, 0], "upper": leans[:, 1], "lower": -leans[:, 1]}  # of the picture
    flat = [name for name, lean in sides.items() if lean.max() < LEANS]
    out += [f"No photo was taken from the {name} side of the board: lean the camera that way." for name in flat]
    return tuple(out)


def _bare_areas(seen: Sequence[SeenBoard]) -> list[str]:
    full = np.zeros((_AREAS, _AREAS), dtype=bool)
    for s in seen:
        cell = np.clip((s.corners_px / np.array(s.size_px) * _AREAS).astype(int), 0, _AREAS - 1)
        full[cell[:, 1], cell[:, 0]] = True
    rows, columns = ("upper", "", "lower"), ("left", "", "right")

    def third(k: int) -> int:
        return 0 if k == 0 else 2 if k == _AREAS - 1 else 1

    named = [" ".join(filter(None, (rows[third(j)], columns[third(i)]))) for j, i in np.argwhere(~full)]
    return [f"{name} part" if name else "middle" for name in dict.fromkeys(named)]


def _listed(parts: Sequence[str]) -> str:
    """Parts of the picture as a sentence names them.

    >>> _listed(["upper left part", "middle", "lower part"])
    'upper left part, the middle and the lower part'
    """
    *first, last = parts
    return f"{', the '.join(first)} and the {last}" if first else last


@dataclass(frozen=True)
class _Fit:
    """A calibration: focal length, principal point and radial term, their standard deviations, and each view's part."""

    focal: float
    centre: Vector
    k1: float
    sd: Vector  # of focal, centre x, centre y, k1
    rms: float
    each: Vector
    distance_mm: Vector  # of the board's middle, along the line of sight: what the lens was focused on

    @property
    def matrix(self) -> NDArray[np.float64]:
        """The camera matrix of OpenCV."""
        return np.array([[self.focal, 0, self.centre[0]], [0, self.focal, self.centre[1]], [0, 0, 1]])

    @property
    def numbers(self) -> Vector:
        """What `sd` is of."""
        return np.array([self.focal, *self.centre, self.k1])


def profile_of(seen: Sequence[SeenBoard], name: str, board: Board) -> LensProfile:
    """A lens profile from at least eight photos of the board, leaning different ways, all at one zoom and focus.

    Raises
    ------
    ScaleError
        If there are fewer than eight.
    OptionError
        If the photos are not all of one size, or of one camera and zoom.
    """
    _check_alike(seen)
    _check_enough(seen)
    size = seen[0].size_px
    fit, kept = _without_moved(seen, board, size)
    others = [_fit([s for i, s in enumerate(kept) if i % _FOLDS != k], board, size, fit) for k in range(_FOLDS)]
    found = np.array([f.numbers for f in others])
    jackknife = np.sqrt((_FOLDS - 1) / _FOLDS * np.sum((found - found.mean(axis=0)) ** 2, axis=0))
    stretched = _fit(kept, replace(board, stretch=board.stretch * (1.0 + board.u_stretch)), size, fit)
    u = np.sqrt(np.maximum(fit.sd, jackknife) ** 2 + (stretched.numbers - fit.numbers) ** 2)
    held_out = [_residual(s, f, board) for k, f in enumerate(others) for i, s in enumerate(kept) if i % _FOLDS == k]
    long_side, cam = max(size), kept[0].camera
    centre = (fit.centre - (np.array(size) - 1) / 2.0) / long_side
    return LensProfile(
        name,
        fit.focal / long_side,
        float(u[0]) / long_side,
        fit.k1,
        float(u[3]),
        fit.rms,
        len(kept),
        (float(centre[0]), float(centre[1])),
        float(max(u[1], u[2])) / long_side,
        math.sqrt(float(np.mean(np.square(held_out)))),
        float(fit.distance_mm.min()),
        float(fit.distance_mm.max()),
        long_side / min(size),
        size[0] >= size[1],
        cam.name,
        cam.focal_mm,
        cam.focal_35mm,
        cam.zoom,
        cam.orientation,
    )


def residual_through(seen: SeenBoard, profile: LensProfile, board: Board) -> float:
    """RMS distance, px, at which a lens profile shows half of a photo's corners once the other half told the pose.

    Against the profile's own `held_out_px` it says whether the photo was taken through that lens.
    """
    focal = profile.focal_px(seen.size_px, seen.camera.orientation)
    centre = (np.array(seen.size_px) - 1) / 2.0 + focal.centre_px
    lens = _Fit(focal.px, centre, profile.k1, np.zeros(4), 0.0, np.zeros(0), np.zeros(0))
    return _residual(seen, lens, board)


def least_focal_shown(seen: Sequence[SeenBoard], profile: LensProfile, board: Board, limit_px: float) -> float:
    """Least relative difference of focal length from a profile's that photos of the board would show.

    A view square on looks alike through any focal length, from nearer or farther; one that leans does not. The squares
    of residuals from noise and from a wrong focal length add up, the latter as the square of how wrong it is: what it
    takes to come from the residual of views held out, which the right lens leaves, to `limit_px`. Today's own residual
    says nothing of that: a wrong lens may be in it. inf where no focal length makes a difference.
    """
    now = _mean_square(seen, profile, board)
    off = [_mean_square(seen, replace(profile, focal=profile.focal * f), board) for f in (1.0 - _TRIED, 1.0 + _TRIED)]
    grown = max(sum(off) / 2.0 - now, 0.0)
    left = max(limit_px**2 - profile.held_out_px**2, 0.0)
    return _TRIED * math.sqrt(left / grown) if grown > 0.0 else math.inf


def residual_of(seen: Sequence[SeenBoard], profile: LensProfile, board: Board) -> float:
    """`residual_through` over several photos, root mean square, px."""
    return math.sqrt(_mean_square(seen, profile, board))


def _mean_square(seen: Sequence[SeenBoard], profile: LensProfile, board: Board) -> float:
    return sum(residual_through(s, profile, board) ** 2 for s in seen) / len(seen)


def _check_enough(seen: Sequence[SeenBoard]) -> None:
    if len(seen) < MIN_PHOTOS:
        raise ScaleError(
            f"{len(seen)} of the photos show enough of the board; {MIN_PHOTOS} are needed.",
            "Take more, each from another side, sharp and with most of the board in the picture.",
        )


def _check_alike(seen: Sequence[SeenBoard]) -> None:
    if len({s.size_px for s in seen}) > 1:
        raise OptionError("The photos of the board have different sizes.", "Take all of them with one camera setting.")
    if len({s.camera for s in seen}) > 1:
        raise OptionError(
            "The photos of the board were taken with different cameras, zooms or ways of holding the camera.",
            "Take all of them with one camera, at one zoom, held the same way.",
        )


def _without_moved(seen: Sequence[SeenBoard], board: Board, size: tuple[int, int]) -> tuple[_Fit, list[SeenBoard]]:
    """The fit without photos whose residual stands out: one that is blurred or bent spoils all."""
    kept = list(seen)
    fit = _fit(kept, board, size)
    sharp = fit.each <= _OUTLYING * np.median(fit.each)
    if sharp.all() or sharp.sum() < MIN_PHOTOS:
        return fit, kept
    kept = [s for s, ok in zip(kept, sharp, strict=True) if ok]
    return _fit(kept, board, size, fit), kept


def _fit(seen: Sequence[SeenBoard], board: Board, size: tuple[int, int], start: _Fit | None = None) -> _Fit:
    places = board.corners_mm()
    f = _FIRST_FOCAL * max(size)
    guess = np.array([[f, 0, (size[0] - 1) / 2], [0, f, (size[1] - 1) / 2], [0, 0, 1]])
    before = np.zeros(5)
    if start is not None:
        guess, before[0] = start.matrix, start.k1
    rms, camera, lens, turns, shifts, sd, _, each = cv2.calibrateCameraExtended(
        [places[s.ids] for s in seen], [s.corners_px for s in seen], size, guess.copy(), before, flags=_FLAGS
    )
    u_fx, u_fy, u_cx, u_cy, u_k1, *_ = np.ravel(sd)
    middle = places.mean(axis=0)
    away = [float(cv2.Rodrigues(r)[0][2] @ middle + t[2, 0]) for r, t in zip(turns, shifts, strict=True)]
    spread = np.array([max(u_fx, u_fy), u_cx, u_cy, u_k1])
    return _Fit(
        float(camera[0, 0]),
        np.array(camera[:2, 2], dtype=np.float64),
        float(np.ravel(lens)[0]),
        spread,
        float(rms),
        np.asarray(each, dtype=np.float64).ravel(),
        np.array(away),
    )


def _residual(s: SeenBoard, lens: _Fit, board: Board) -> float:
    """RMS distance of every other corner from where the pose told by the rest shows it."""
    places = board.corners_mm()[s.ids]
    distortion = np.array([lens.k1, 0.0, 0.0, 0.0])
    told = np.arange(len(s.ids)) % 2 == 0
    _, turn, shift = cv2.solvePnP(places[told], s.corners_px[told], lens.matrix, distortion)
    expected, _ = cv2.projectPoints(places[~told], turn, shift, lens.matrix, distortion)
    return math.sqrt(float(np.mean(np.sum((expected.reshape(-1, 2) - s.corners_px[~told]) ** 2, axis=1))))
