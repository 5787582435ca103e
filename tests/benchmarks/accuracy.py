"""How far elevation, end and section readings are off on photos of known geometry, beside the naive readings.

    python tests/benchmarks/accuracy.py FOLDER

Each photo has a truth file of the same name (``.json``): ``ask`` with the options of the measure command, ``frets``
with ``y_treble``, ``bevel_treble``, ``bevel_bass`` and ``spots`` (``y``, ``divot_depth``), and ``crown_line_radius``.
The naive reading takes the outline for the crown line and its slope in the photo for the bevel, from the same edges; of
a section it takes the silhouette, all that is not background.
"""

from __future__ import annotations

import json
import math
import sys
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
from skimage.filters import threshold_otsu
from skimage.measure import label

from calib.photo import open_photo
from calib.scales import parse_scale
from inspect_app.measure import calibrate, measure
from inspect_app.measure.backdrop.divots import find_hollows, read_profile
from inspect_app.measure.backdrop.end_outline import detect_end_outlines
from inspect_app.measure.backdrop.fret import DetectedFret, detect_fret
from inspect_app.measure.section.outline_fit import fit_section
from inspect_app.measure.section.wire_outline import DIMENSIONS
from inspect_app.reading.ask import Ask

NEAR_MM = 1.5
VIEWS = ("elevation", "end", "section")


def ask_of(truth):
    options = dict(truth["ask"])
    options["scale"] = parse_scale(options["scale"])
    known = ("view", "scale", "scale_length", "first_fret", "crown_width", "crown_height", "end")
    return Ask(**{k: options[k] for k in known if k in options})


def one(path, rows):
    truth = json.loads(path.read_text())
    if truth.get("view") not in VIEWS:
        return
    started = time.process_time()
    photo = open_photo(path.with_name(truth["photo"]).read_bytes(), truth["photo"])
    decoded = time.process_time()
    ask = ask_of(truth)
    answer = measure(photo, ask)
    rows["time, times decoding"].append(((time.process_time() - decoded) / (decoded - started), 0.0, math.inf))
    if ask.view == "section":
        if answer.frets:
            compare_section(photo, answer.frets[0], *calibrate(photo, ask), truth["section"], rows)
        return
    fret = detect_fret(photo, *calibrate(photo, ask), ask)
    if answer.frets and isinstance(fret, DetectedFret):
        compare(photo, ask.view, answer.frets[0], fret, truth, rows)


def compare(photo, view, reading, fret, truth, rows):
    true = truth["frets"][0]
    hollows = find_hollows(fret.line, read_profile(fret.line), fret.definition_mm)[0]
    for spot in true["spots"] if view == "elevation" else ():
        place = spot["y"] - true["y_treble"]
        for divot in reading.divots:
            if abs(divot.from_treble_end.value - place) < NEAR_MM and spot["divot_depth"] >= 0.03:
                foot = reading.divots[0].from_treble_end.value - hollows[0].at
                drop = min(hollows, key=lambda h: abs(h.at + foot - divot.from_treble_end.value)).drop
                add(rows["divot depth, mm"], divot.depth, spot["divot_depth"], drop * math.cos(fret.elevation))
    if view == "elevation" and reading.crown_line_radius is not None:
        plain = np.polyfit(fret.line.y, fret.line.z, 2)[0]
        scale = 100.0 / truth["crown_line_radius"]
        q = reading.crown_line_radius
        rows["crown line radius, %"].append((scale * q.value - 100.0, scale * q.u, -scale / (2.0 * plain) - 100.0))
    for end in ("treble", "bass"):
        angle = getattr(reading, f"bevel_{end}")
        if angle is None:
            continue
        edge = next(iter(detect_end_outlines(photo, fret.pose, fret.line, fret.crown, end, fret.mm_per_px)), None)
        slope = np.polyfit(edge.px[:, 1], edge.px[:, 0], 1)[0] if edge else math.nan
        add(rows[f"bevel angle, {view}, deg"], angle, true[f"bevel_{end}"], math.degrees(math.atan(abs(slope))))


def compare_section(photo, reading, scale, plane, true, rows):
    plain = silhouette(photo, fit_section(photo, scale, plane).shape, plane)
    for name in DIMENSIONS:
        known = true["height_now" if name == "crown_height" else name]
        got = getattr(reading, name)
        if got is not None and known > 0.0:
            add(rows[f"section: {name.replace('_', ' ')}, mm"], got, known, plain.get(name, math.nan))


def silhouette(photo, shape, plane):
    """Crown and tang by the extent of all that stands out from the background about the wire."""
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


def add(row, got, true, naive):
    row.append((got.value - true, got.u, naive - true))


def main(folder):
    rows = defaultdict(list)
    for path in sorted(Path(folder).glob("*.json")):
        one(path, rows)
    print(f"{'':28}{'n':>4}{'bias':>9}{'RMS':>9}{'worst':>9}{'inside U':>10}{'naive bias':>12}{'naive RMS':>11}")
    for name, values in rows.items():
        error, u, naive = np.array(values).T
        if name.startswith("time"):
            print(f"{name:28}{len(error):>4}   median {np.median(error):.1f}, worst {error.max():.1f}")
            continue
        inside = 100.0 * np.mean(np.abs(error) <= 2.0 * u)
        rms, plain = (math.sqrt(np.mean(v**2)) for v in (error, naive))
        print(
            f"{name:28}{len(error):>4}{error.mean():>+9.3f}{rms:>9.3f}{np.abs(error).max():>9.3f}{inside:>8.0f} %"
            f"{naive.mean():>+12.3f}{plain:>11.3f}"
        )


if __name__ == "__main__":
    main(sys.argv[1])
