"""What a plain reading of the same photos would give, from the same edges: the method beside which ours has to stand.

From above: one factor for the whole picture, taken along the scale, and distances in pixels. Along the neck: the
outline taken for the crown line, its slope for the bevel. Of a section: the silhouette, all that is not background.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from skimage.filters import threshold_otsu
from skimage.measure import label

from calib.scales.printed import BACKDROP_SIZE, STRIP_SIZE
from inspect_app.measure.backdrop.divots import find_hollows, read_profile
from inspect_app.measure.backdrop.end_outline import detect_end_outlines
from inspect_app.measure.backdrop.fret import DetectedFret, detect_fret
from inspect_app.measure.section.likeliest_fit import fit_section

_WIDTH_MM = {"strip": STRIP_SIZE[0], "backdrop": BACKDROP_SIZE[0], "id1": 85.6}


def naive_plan(answer):
    """Width, length and place of each fret by one factor from pixels to millimetres, {number: {...}}."""
    outline = answer.scale.outline if answer.scale else None
    if outline is None or answer.scale.kind not in _WIDTH_MM:
        return {}
    corners = np.array(outline.points)
    middle, size, angle = cv2.minAreaRect(corners.astype(np.float32))
    box = cv2.boxPoints((middle, size, angle))
    sides = box[1:3] - box[:2]
    along = sides[np.argmax(np.linalg.norm(sides, axis=1))]
    mm_per_px = _WIDTH_MM[answer.scale.kind] / float(np.linalg.norm(along))
    x = along / np.linalg.norm(along)
    return {f.number: _plain_fret(f, mm_per_px, x) for f in answer.frets}


def _plain_fret(fret, mm_per_px, x):
    lines = {str(o.of).split(", ", 1)[1]: np.array(o.points) for o in fret.outlines if ", " in str(o.of)}
    out = {}
    sides = [lines.get(f"crown {side} side") for side in ("nut", "body")]
    if all(s is not None for s in sides):
        middle = [s[len(s) // 2] for s in sides]
        out["width"] = float(np.linalg.norm(middle[1] - middle[0])) * mm_per_px
        out["place"] = float((middle[0] + middle[1]) @ x) / 2.0 * mm_per_px
    ends = [lines.get(f"{end} end") for end in ("treble", "bass")]
    if all(e is not None for e in ends):
        out["length"] = float(np.linalg.norm(ends[1].mean(axis=0) - ends[0].mean(axis=0))) * mm_per_px
    return out


def detected(photo, scale, plane, ask):
    """The fret's edges as the program finds them, or None."""
    fret = detect_fret(photo, scale, plane, ask)
    return fret if isinstance(fret, DetectedFret) else None


def naive_hollows(fret, reading):
    """The outline's drop at each divot that was read, {from the treble end: drop}, and the outline's own radius, mm."""
    if fret is None:
        return {}, math.nan
    hollows = find_hollows(fret.line, read_profile(fret.line), fret.definition_mm)[0]
    drops = {}
    if hollows and reading.divots:
        foot = reading.divots[0].from_treble_end.value - hollows[0].at
        for divot in reading.divots:
            place = divot.from_treble_end.value
            near = min(hollows, key=lambda h: abs(h.at + foot - place))
            drops[place] = near.drop * math.cos(fret.elevation)
    return drops, -1.0 / (2.0 * np.polyfit(fret.line.y, fret.line.z, 2)[0])


def naive_end(photo, fret, end):
    """The slope of an end's outline in the photo, degrees."""
    if fret is None:
        return math.nan
    edge = next(iter(detect_end_outlines(photo, fret.pose, fret.line, fret.crown, end, fret.mm_per_px)), None)
    slope = np.polyfit(edge.px[:, 1], edge.px[:, 0], 1)[0] if edge else math.nan
    return math.degrees(math.atan(abs(slope)))


def naive_section(photo, scale, plane):
    """Crown and tang by the extent of all that stands out from the background about the wire, mm; none where the photo
    as it is, its sharpening left in, shows no wire."""
    fitted = fit_section(photo, scale, plane)
    if fitted is None:
        return {}
    shape = fitted.shape
    outline = shape.outline()
    around = plane.to_px(np.column_stack([outline, np.zeros(len(outline))]))
    size = np.ptp(around, axis=0).max()
    low = np.maximum(np.floor(around.min(axis=0) - 0.35 * size).astype(int), 0)
    high = np.ceil(around.max(axis=0) + 0.35 * size).astype(int)
    part = photo.gray[low[1] : high[1], low[0] : high[0]].astype(float)
    away = np.abs(part - np.median([part[0].mean(), part[:, 0].mean(), part[:, -1].mean()]))
    pieces = label(away > threshold_otsu(away))
    inside = np.round(around.mean(axis=0) - low).astype(int)
    y, x = np.nonzero(pieces == pieces[inside[1], inside[0]])
    xz = shape.to_wire(plane.to_mm(np.column_stack([x, y]) + low))
    tang = xz[(xz[:, 1] < -0.1) & (xz[:, 1] > -0.35)]
    return {
        "crown_width": np.ptp(xz[:, 0]),
        "crown_height": xz[:, 1].max(),
        "tang_width": np.ptp(tang[:, 0]) if len(tang) else math.nan,
        "tang_depth": -xz[:, 1].min(),
    }
