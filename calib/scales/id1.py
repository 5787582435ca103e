"""A bank card, ISO/IEC 7810 size ID-1: its four edges, to a fraction of a pixel, whatever is printed on it.

Straight segments are looked for on a reduced picture and put together to quadrilaterals of the card's shape. A board
with two frets makes those too; a card is told from them by its rounded corners, where its edges end. The edges are then
placed on the full picture, between the corners; the corners themselves are never used as points.

A card as near as a board is photographed from, and clear on all four sides, is first looked for on a coarse picture,
which takes a quarter of the time; where none holds there, on a finer one and at every distance.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo, linear_light
from calib.robust_spread import spread_about_zero
from calib.scales.base import U_SHARPENING_PX, WORKING_DISTANCES_MM, Scale
from calib.scales.id1_card import (
    Card,
    card,
    corner_arcs,
    edges_between_corners,
    edges_continued,
    homography,
    outline,
    rectangle,
)
from calib.scales.id1_quadrilaterals import quadrilaterals
from calib.scales.outline import (
    U_OUTLINE_PX,
    StepsOf,
    colour_rows,
    fisher_direction,
    outline_steps,
    steepest,
)
from calib.scales.reduced import halved, reduced
from shared.errors import ScaleError

__all__ = ["find_id1"]

Vector = NDArray[np.float64]

_NEAR_MM = 450.0
"""A plan photo's distance (`README.md`: 25 to 45 cm) or less. What is printed on a card looks farther away than the
card by as much as it is smaller: 30 mm long in a photo from 25 cm, it would be a card 70 cm away."""
_SEARCH_WIDTH = 640  # px: a card is then 80 to 600 px long, its edges sharp, bench texture mostly averaged out
_COARSE_WIDTH = 320  # px: a card within `_NEAR_MM` is 44 px long or more, by a lens of 26 mm (full-frame equivalent)
_CLEAR = 0.5  # share of each side that lines cover on the coarse picture: a card that lies clear shows nine tenths
_OUTLINE_SEEN = 0.6  # share of the outline, round the corners, across which the colour steps
_BEYOND = 0.35  # share of the edges' continuations that may step too before the corner is called sharp
_REACH_MM = 0.7  # either way across the outline: less than from a round corner's middle to the sharp corner's edges
_POINTS = 80  # on each edge
_LEAST_COPY_PX = 1000  # a card is then 120 px long or more, as when looked for; what is not found there is not found
_BORDER_CODES = 6  # a border of one colour varies by no more after JPEG; a photo's row by tens
_CORNERS = 3  # of the four: one may be covered
_ROUND_MM = 0.5  # how near to a round corner its step lies, its edges known to a pixel of the reduced picture
_ARC_MM = 0.25  # how far its thirds may differ: sampled every 0.16 mm, radii within 0.3 mm (ISO/IEC 7810)
_TIGHT_PX = 1.0  # how far off a point of a card's edge may be: a straight cut edge is far better, a chance line is not


def find_id1(photo: Photo, factor: float = 1.0) -> Scale:
    """Find a card.

    Parameters
    ----------
    factor : float
        True length over nominal length of this card, if it was measured.

    Returns
    -------
    Scale
        Points on the four edges, sharp across them and saying nothing along them. The top face is the plane: it lies
        the card's thickness, 0.76 mm, above what the card rests on.

    Raises
    ------
    ScaleError
        If no card is found, or too little of its edges.
    """
    refused: ScaleError | None = None
    for copy, place in _copies(photo):
        try:
            return place(_find_on(copy, factor))
        except ScaleError as e:
            refused = refused or e
    raise refused or ScaleError("The photo is a plain border.", "Use the camera's original file.")


def _copies(photo: Photo) -> Iterator[tuple[Photo, Callable[[Scale], Scale]]]:
    """The photo without a plain border, and smaller copies of it; each with what places its scale on the photo.

    Grain, halos and the roughness of a card's edges that keep a large photo's edges from being straight to a pixel are
    averaged out in a smaller copy, whose own pixels are then what the edges are known to.
    """
    left, top, right, bottom = _without_border(photo.bgr)
    picture, factor = photo.bgr[top:bottom, left:right], 1.0
    while picture.size:
        focal = replace(photo.focal, px=photo.focal.px / factor)
        copy = replace(photo, bgr=np.ascontiguousarray(picture), focal=focal) if picture is not photo.bgr else photo
        yield copy, partial(_placed, factor=factor, shift=np.array([left, top], dtype=float))
        if max(picture.shape[:2]) < 2 * _LEAST_COPY_PX:
            return
        picture, halves = halved(picture, max(picture.shape[:2]) / 2.0 - 1.0)
        factor *= halves


def _placed(scale: Scale, factor: float, shift: Vector) -> Scale:
    """A scale found on a copy, `factor` times smaller and moved by `shift` px, as it lies on the photo."""
    return replace(
        scale,
        image_px=(scale.image_px + 0.5) * factor - 0.5 + shift,
        u_px=scale.u_px * factor,
        outline_px=(scale.outline_px + 0.5) * factor - 0.5 + shift,
    )


def _without_border(bgr: NDArray[np.uint8]) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of what is left when rows and columns of one colour are taken off all round."""
    if all(np.ptp(edge, axis=0).max() > _BORDER_CODES for edge in (bgr[0], bgr[-1], bgr[:, 0], bgr[:, -1])):
        return 0, 0, bgr.shape[1], bgr.shape[0]
    rows, columns = ((np.ptp(bgr, axis=k).max(axis=1) > _BORDER_CODES).nonzero()[0] for k in (1, 0))
    if not rows.size or not columns.size:
        return 0, 0, 0, 0
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1


def _find_on(photo: Photo, factor: float) -> Scale:
    size = card()
    slack = 1.0 + 2.0 * photo.focal.u_rel
    first = _COARSE_WIDTH, _NEAR_MM / slack, _CLEAR
    for width, farthest, covered in (first, (_SEARCH_WIDTH, WORKING_DISTANCES_MM[1] * slack, 0.0)):
        small, shrink = reduced(photo.bgr, width)
        unclear: ScaleError | None = None
        distances = WORKING_DISTANCES_MM[0] / slack, farthest
        for quad in _cards(photo, quadrilaterals(small, photo, shrink, distances, covered), size):
            try:
                return _as_scale(photo, quad, size, factor)
            except ScaleError as e:
                unclear = unclear or e
    raise unclear or ScaleError(
        "No bank card was found in the photo.",
        "Lay a card beside the frets, all four edges in the picture, on cloth of another colour.",
    )


# --- is it a card? -------------------------------------------------------------------------------------------------


def _cards(photo: Photo, quads: Vector, size: Card) -> Iterator[Vector]:
    """Quadrilaterals (K, 4, 2) with round corners whose outline is stepped, largest first, in classes of a tenth of
    the area.

    Largest, because what is printed on a card can have a card's shape; in a class, the one best seen. A class is looked
    at once none of the larger ones held.
    """
    x, y = quads[..., 0], quads[..., 1]
    area = np.abs(np.sum(x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y, axis=1)) / 2.0
    size_class = np.rint(np.log(area) / 0.1)
    for one in np.unique(size_class)[::-1]:
        alike = quads[size_class == one]
        h = [homography(q, size) for q in alike]
        passed = []
        for k in np.flatnonzero(_has_round_corners(photo, h, size)):
            step, seen = _steps(photo, h[k], *edges_between_corners(size))
            beyond, _ = _steps(photo, h[k], *edges_continued(size))
            sharp = float(np.mean(beyond > 0.5 * np.median(step)))
            if seen.mean() >= _OUTLINE_SEEN and sharp <= _BEYOND:
                passed.append((sharp - float(seen.mean()), k))
        yield from (alike[k] for _, k in sorted(passed))


def _has_round_corners(photo: Photo, h: list[Vector], size: Card) -> NDArray[np.bool_]:
    """Which quadrilaterals (K,) have three corners at least that step where a round one does, and no sharp one.

    Looked at along the diagonals out of the middle of the round: there a sharp corner lies 1.3 mm farther out.
    """
    r, light = _along_diagonals(photo, h, size)
    at, clear = _steepest(r, light.mean(axis=2))  # over the diagonals of one corner: prints and texture average out
    round_one = clear & (np.abs(at - size.corner_radius) < _ROUND_MM)
    sharp_one = clear & (np.abs(at - math.sqrt(2.0) * size.corner_radius) < _ROUND_MM)
    return np.asarray((round_one.sum(axis=1) >= _CORNERS) & ~sharp_one.any(axis=1))


def _corners_are_arcs(photo: Photo, h: Vector, size: Card) -> bool:
    """Whether three corners at least run at one distance from the middle of their round.

    A line past the corner, or a sharp corner a millimetre aside of it as where a screen's edges and its lid's are
    taken for one card's, crosses each third of the corner at another distance: only their mean is a round corner's.
    """
    r, light = _along_diagonals(photo, [h], size)
    thirds = np.stack([part.mean(axis=1) for part in np.array_split(light[0], 3, axis=1)], axis=1)
    at, _ = _steepest(r, thirds)
    usual = np.median(at, axis=1)
    px_mm = float(np.linalg.norm(np.linalg.inv(h[:2, :2] / h[2, 2]), 2))
    arc = np.abs(at - usual[:, None]).max(axis=1) < max(_ARC_MM, px_mm)
    return int(np.sum(arc & (np.abs(usual - size.corner_radius) < _ROUND_MM))) >= _CORNERS


def _along_diagonals(photo: Photo, h: list[Vector], size: Card) -> tuple[Vector, Vector]:
    """Distances (R,) from the middle of a round corner, mm, and the light there (K, corner, diagonal, R, 3)."""
    arcs, normals = corner_arcs(size)
    middle = arcs - size.corner_radius * normals
    r = np.arange(0.2, 1.9, 0.05) * size.corner_radius
    along = (middle[:, None] + r[None, :, None] * normals[:, None]).reshape(-1, 2)
    px = np.concatenate([cv2.perspectiveTransform(along[None], k)[0] for k in h])
    return r, _colours(photo, px).reshape(len(h), 4, -1, len(r), 3)


def _steepest(r: Vector, light: Vector) -> tuple[Vector, NDArray[np.bool_]]:
    """Where along rows of light (..., R, 3) the colour steps most, mm, and whether it steps clearly."""
    wide = 4  # samples: 0.6 mm to either side
    step = np.lib.stride_tricks.sliding_window_view(light, wide, axis=-2).mean(axis=-1)
    rise = np.nan_to_num(np.linalg.norm(step[..., wide:, :] - step[..., :-wide, :], axis=-1))
    at = r[wide:][: rise.shape[-1]][np.argmax(rise, axis=-1)] - 0.5 * (r[1] - r[0])
    return at, np.asarray(rise.max(axis=-1) > 0.01)  # of white: noise


def _colours(photo: Photo, px: Vector) -> Vector:
    """Linear light (N, 3) at pixels, nearest; nan outside the photo."""
    x, y = np.rint(px).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < photo.width) & (y < photo.height)
    out = np.full((len(px), 3), np.nan)
    out[inside] = linear_light(photo.bgr[y[inside], x[inside]])
    return out


def _steps(photo: Photo, h: Vector, at_mm: Vector, normal_mm: Vector) -> tuple[Vector, NDArray[np.bool_]]:
    """Step of colour across points (N, 2) of the card's plane, and whether it stands out from texture."""
    p = cv2.perspectiveTransform(at_mm[None], h)[0]
    q = cv2.perspectiveTransform((at_mm + _REACH_MM * normal_mm)[None], h)[0]
    rows = colour_rows(photo, p, (q - p) / 6.0, 6.0)
    a, b = rows[:, :5], rows[:, -5:]
    step = np.nan_to_num(np.linalg.norm(b.mean(axis=1) - a.mean(axis=1), axis=1))
    unrest = np.sqrt((a.var(axis=1) + b.var(axis=1)).sum(axis=1) / 2.0)
    return step, np.asarray(step > 2.0 * np.nan_to_num(unrest) + 0.01)  # 0.01 of white: noise


# --- the edges on the full picture ---------------------------------------------------------------------------------


def _as_scale(photo: Photo, q: Vector, size: Card, factor: float) -> Scale:
    corners = rectangle(size)
    image, plane, normal, u, outward = [], [], [], [], []
    for ways in ((steepest, outline_steps), (outline_steps,)):  # the first round brings the corners within a pixel
        sides = [_side(photo, q, k, size, ways) for k in range(4)]
        q = np.array([_meet(sides[k - 1], sides[k]) for k in range(4)])
        if not _has_round_corners(photo, [homography(q, size)], size)[0]:
            raise _no_round_corners()
    if not _corners_are_arcs(photo, homography(q, size), size):
        raise _no_round_corners()
    for k, (points, n, u_k) in enumerate(sides):
        a, b = corners[k], corners[(k + 1) % 4]
        h = np.linalg.inv(homography(q, size))
        along = (cv2.perspectiveTransform(points[None], h)[0] - a) @ (b - a) / float((b - a) @ (b - a))
        out = np.array([[0.0, 1.0], [1.0, 0.0], [0.0, -1.0], [-1.0, 0.0]])[k]  # top, right, bottom, left
        image.append(points)
        plane.append(a + along[:, None] * (b - a))
        normal.append(n)
        u.append(np.hypot(u_k, U_OUTLINE_PX))
        outward.append(np.broadcast_to(out, (len(points), 2)))
    xy, across = np.concatenate(image), np.concatenate(normal)
    u_all = np.concatenate(u)
    return Scale(
        "id1",
        xy,
        np.concatenate(plane) * factor,
        np.column_stack([u_all, np.full(len(u_all), np.inf)]),
        size.u_length / size.length,
        outline(q, size),
        turn_rad=np.arctan2(across[:, 1], across[:, 0]),
        u_flat_mm=0.0,  # stiff
        outward_mm=np.concatenate(outward),
        u_outward_mm=U_SHARPENING_PX * size.length / float(np.linalg.norm(q[1] - q[0])),
    )


def _no_round_corners() -> ScaleError:
    return ScaleError("What looks like a card has no round corners.", "Lay a bank card flat, all of it in the picture.")


def _side(photo: Photo, q: Vector, k: int, size: Card, ways: tuple[StepsOf, ...]) -> tuple[Vector, Vector, Vector]:
    """Points (N, 2) on one edge between its round corners, their outward normals, and u across it.

    By the first of the ways to place a step that shows an edge.
    """
    a, b = q[k], q[(k + 1) % 4]
    length = size.length if k % 2 == 0 else size.height
    skip = 1.4 * size.corner_radius / length
    t = np.linspace(skip, 1.0 - skip, _POINTS)[:, None]
    d = (b - a) / np.linalg.norm(b - a)
    n = np.broadcast_to([d[1], -d[0]], (_POINTS, 2))
    guess, half = a + t * (b - a), max(5.0, 0.5 * float(np.linalg.norm(b - a)) / length)
    rows = colour_rows(photo, guess, n, half)
    third = rows.shape[1] // 3
    colour = fisher_direction(rows[:, :third], rows[:, -third:])
    for steps_of in ways:
        steps = steps_of(rows, half, 1.0, colour)
        ok = _on_a_bow(t.ravel(), steps.at)
        if ok.sum() >= _POINTS // 2:
            return (guess + n * steps.at[:, None])[ok], n[ok], steps.u[ok]
    raise ScaleError(
        "What looks like a card has an edge that is not clear.",
        "Lay a bank card flat on cloth of another colour, nothing over it.",
    )


def _on_a_bow(t: Vector, at: Vector) -> NDArray[np.bool_]:
    """Which of an edge's points lie on one flat bow (a straight edge bent by the lens), from a robust quadratic."""
    ok = np.isfinite(at)
    x = 2.0 * t - 1.0
    bow = np.column_stack([np.ones_like(x), x, x**2])
    for _ in range(8):
        if ok.sum() < _POINTS // 2:
            return ok
        off = np.abs(at - bow @ np.linalg.solve(bow[ok].T @ bow[ok], bow[ok].T @ at[ok]))
        before, ok = ok, off <= min(_TIGHT_PX, max(0.3, 3.0 * float(spread_about_zero(off[ok]))))
        if np.array_equal(ok, before):
            break
    return ok


def _meet(one: tuple[Vector, Vector, Vector], two: tuple[Vector, Vector, Vector]) -> Vector:
    """Where the straight lines through two edges' points cross: near the sharp corner, good enough to start from."""
    normal, at = np.empty((2, 2)), np.empty(2)
    for k, (p, _, _) in enumerate((one, two)):
        c = p.mean(axis=0)
        (xx, xy), (_, yy) = (p - c).T @ (p - c)
        turn = math.atan2(2.0 * xy, xx - yy) / 2.0  # of the points' main axis
        normal[k] = -math.sin(turn), math.cos(turn)
        at[k] = normal[k] @ c
    return np.asarray(np.linalg.solve(normal, at))
