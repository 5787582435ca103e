"""Graduations measured on the full picture: the centre line of each, to a fraction of a pixel, and its length."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.lines import fit_lines
from calib.photo import Photo, linear_light
from calib.scales.rule_combs import MIN_GRADUATIONS, Comb, fit_comb

__all__ = ["Graduations", "measure_graduations", "refit"]

Vector = NDArray[np.float64]

_GAP = 0.5  # of a step: what is wider is not a graduation but the gap between two
_ROWS = 16  # rows used of each graduation: more than the floor on its uncertainty makes worth while
_U_ROW_PX = 0.02  # least error of the centre in one row; the scatter found widens it


@dataclass(frozen=True)
class Graduations:
    """Measured graduations: number, centre line as two independent points (N, 2, 2), u across it (N, 2), length px."""

    number: NDArray[np.int64]
    points: Vector
    u: Vector
    length: Vector


def measure_graduations(photo: Photo, comb: Comb, reach: float, every: float) -> Graduations:
    """Every graduation the comb predicts inside the photo that can be seen, in rows `every` steps up to `reach`."""
    n = _in_photo(photo, comb)
    if not len(n):
        return Graduations(n, np.empty((0, 2, 2)), np.empty((0, 2)), np.empty(0))
    step = float(np.median(comb.step_px(n.astype(float))))
    per = max(8, math.ceil(step))  # samples across a step
    rows = np.arange(0.3, reach, every) * step  # from clear of the edge's blur
    light = _straighten(photo, comb, n, rows, per)
    dark = light if comb.bright else -light
    near = rows < 2.0 * step  # where the shortest graduations still are
    if _duty(dark[:, near]) > _GAP:
        return Graduations(n[:0], np.empty((0, 2, 2)), np.empty((0, 2)), np.empty(0))
    at, depth = _stroke_centres(dark)
    seen, length = _extent(depth, rows, near)
    return _centre_lines(comb, n, rows, at, seen, length)


def _in_photo(photo: Photo, comb: Comb) -> NDArray[np.int64]:
    """Numbers of the graduations whose first step of length is inside the photo, three beyond those seen at most."""
    n = np.arange(comb.number[0] - 3, comb.number[-1] + 4)
    s = comb.start_px(n.astype(float))
    e = s + comb.along(n.astype(float)) * comb.step_px(n.astype(float))[:, None]
    size = np.array([photo.width - 1, photo.height - 1])
    pad = comb.step_px(n.astype(float))[:, None] / 2.0
    return n[np.all((s >= pad) & (s <= size - pad) & (e >= pad) & (e <= size - pad), axis=1)]


def _straighten(photo: Photo, comb: Comb, n: NDArray[np.int64], rows: Vector, per: int) -> NDArray[np.float32]:
    """Linear light (graduation, row, sample across one step), graduations upright in the middle; nan where outside."""
    offsets = (np.arange(per) + 0.5) / per - 0.5
    fine = (n[:, None] + offsets[None]).ravel()
    start, along = comb.start_px(fine), comb.along(fine)
    # only what the row needs is handed to the resampler: its coordinates are 16 bit
    rim = np.concatenate([start + along * rows[0], start + along * rows[-1]])
    x0, y0 = np.maximum(np.floor(rim.min(axis=0)).astype(int) - 2, 0)
    x1, y1 = np.ceil(rim.max(axis=0)).astype(int) + 3
    crop = photo.gray[y0:y1, x0:x1]
    x, y = (np.add(start[:, k] - (x0, y0)[k], np.outer(rows, along[:, k]), dtype=np.float32) for k in (0, 1))
    light = linear_light(np.asarray(cv2.remap(crop, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)))
    if np.any(rim < 0) or np.any(rim > [photo.width - 1, photo.height - 1]):
        light[(x < -x0) | (y < -y0) | (x > photo.width - 1 - x0) | (y > photo.height - 1 - y0)] = np.nan
    return np.ascontiguousarray(light.reshape(len(rows), len(n), per).transpose(1, 0, 2))


def _duty(dark: NDArray[np.float32]) -> float:
    """Share of a step taken by what stands out: a graduation takes a quarter, the gap between two the rest."""
    profile = np.nanmedian(dark.reshape(-1, dark.shape[-1]), axis=0)
    return float(np.mean(profile > (profile.min() + profile.max()) / 2.0))


def _stroke_centres(dark: NDArray[np.float32]) -> tuple[Vector, Vector]:
    """Centre of the stroke in each row, in steps from the middle, and how much it stands out: both (graduation, row).

    The centre of gravity of what rises above the straight baseline between the gaps to either side; the window follows
    the stroke once, so that a stroke off the middle is not cut on one side.
    """
    per = dark.shape[-1]
    x = ((np.arange(per) + 0.5) / per - 0.5).astype(np.float32)
    ends = max(1, per // 6)
    lo, hi = dark[..., :ends].mean(axis=-1), dark[..., -ends:].mean(axis=-1)
    base = lo[..., None] + (hi - lo)[..., None] * (x - x[:ends].mean()) / (x[-ends:].mean() - x[:ends].mean())
    rise = dark - base
    at = np.zeros(dark.shape[:2], np.float32)
    for window in (0.33, 0.25):
        weighed = np.clip((window - np.abs(x - at[..., None])) * per + 0.5, 0.0, 1.0) * rise
        mass = weighed.sum(axis=-1)
        with np.errstate(divide="ignore", invalid="ignore"):
            at = weighed @ x / mass
        at = np.where(np.isfinite(at) & (np.abs(at) < 0.25), at, 0.0)
    return np.asarray(at, dtype=np.float64), np.asarray(mass, dtype=np.float64)


def _extent(depth: Vector, rows: Vector, near: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], Vector]:
    """Rows in which each graduation is there, from the edge on without a break, and the length it reaches.

    There: at least half as deep as the row's graduations are near the edge.
    """
    full = float(np.nanmedian(depth[:, near]))
    there = np.nan_to_num(depth, nan=-np.inf) > 0.5 * full
    # a scratch may take out a row: look at the median of five
    k = np.lib.stride_tricks.sliding_window_view(np.pad(there, ((0, 0), (2, 2)), mode="edge"), 5, axis=1)
    there = k.sum(axis=-1) >= 3
    unbroken = np.cumprod(there, axis=1).astype(bool)
    return unbroken, rows[0] + unbroken.sum(axis=1) * (rows[1] - rows[0])


def _centre_lines(
    comb: Comb, n: NDArray[np.int64], rows: Vector, at: Vector, seen: NDArray[np.bool_], length: Vector
) -> Graduations:
    """A robust straight line through each graduation's centres, as two points whose errors are independent."""
    count = seen.sum(axis=1) - 2  # the last rows are blunted by the end
    keep = np.flatnonzero(count >= _ROWS // 2)
    pick = np.linspace(0.0, 1.0, _ROWS)[None] * (count[keep, None] - 1)
    pick = pick.astype(np.intp)
    step = comb.step_px(n[keep].astype(float))
    across = at[keep[:, None], pick] * step[:, None]
    again = np.diff(pick, axis=1, prepend=-1) == 0  # a row counts once
    lines = fit_lines(np.stack([rows[pick], across], axis=-1), np.where(again, np.inf, _U_ROW_PX))
    good = [k for k, line in enumerate(lines) if line is not None]
    sound = [line for line in lines if line is not None]
    mean, direction = (np.array([getattr(q, f) for q in sound]).reshape(-1, 2) for f in ("point", "direction"))
    u = np.array([q.u_offset for q in sound])
    arm = (u / [q.u_angle for q in sound])[:, None, None] * np.array([[[-1.0], [1.0]]])  # where offset and angle part
    ends = mean[:, None] + arm * direction[:, None]
    number = n[keep][good]
    fine = number[:, None] + ends[..., 1] / step[good][:, None]
    xy = comb.start_px(fine.ravel()) + comb.along(fine.ravel()) * ends[..., 0].ravel()[:, None]
    return Graduations(
        number, xy.reshape(-1, 2, 2), np.repeat(u[:, None] * math.sqrt(2.0), 2, axis=1), length[keep][good]
    )


def refit(comb: Comb, found: Graduations) -> Comb:
    """The comb through what was measured: centre lines for place and direction, the old edge for the start."""
    if len(found.number) < MIN_GRADUATIONS:
        return comb
    n = found.number.astype(float)
    d = found.points[:, 1] - found.points[:, 0]
    along = d / np.linalg.norm(d, axis=1, keepdims=True)
    back = np.einsum("ni,ni->n", found.points[:, 0] - comb.start_px(n), along)
    start = found.points[:, 0] - along * back[:, None]
    return fit_comb(found.number, start, np.arctan2(along[:, 1], along[:, 0]), comb.bright)
