"""Lines drawn from what is stored: the crown line against its arc, the board's radius along the neck, two visits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from inspect_app.decide.wear import WearMap, change_of_depth
from inspect_app.instrument.fretboard import Cone, fit_cone, fret_position
from inspect_app.reading.inspection import FretReading, Inspection
from inspect_app.ui.charts import Layer, bars, chart, curve, dots, level_line, x_axis, y_axis
from inspect_app.ui.words import Length
from shared.measured import Measured
from shared.units import MM_PER_INCH, unit_shown

__all__ = [
    "DepthChange",
    "changes",
    "cone",
    "crown_profile",
    "place_of",
    "profile_chart",
    "radius_chart",
    "radius_rows",
]

Vector = NDArray[np.float64]


def crown_profile(inspection: Inspection, fret: FretReading) -> tuple[Vector, Vector] | None:
    """The crown line as seen, against the fitted unworn arc: place along the fret and depth below the arc, both mm.

    Read from the outlines kept with the photo, turned so that the arc's ends are level; ``None`` without them. It is
    what the camera saw: a divot's own reading also allows for the angle of the view.
    """
    lines = {o.name: np.asarray(o.points, dtype=float) for o in fret.outlines if o.name in ("crown_line", "arc")}
    if len(lines) < 2 or inspection.camera is None or any(len(p) < 3 for p in lines.values()):
        return None
    line, arc = lines["crown_line"], lines["arc"]
    start, along = arc[0], arc[-1] - arc[0]
    along = along / np.linalg.norm(along)
    down = np.array([-along[1], along[0]])
    if down[1] < 0:
        down = -down
    s_line, s_arc = (line - start) @ along, (arc - start) @ along
    order = np.argsort(s_arc)
    inside = (s_line >= s_arc.min()) & (s_line <= s_arc.max())
    depth = (line - start) @ down - np.interp(s_line, s_arc[order], ((arc - start) @ down)[order])
    ppm = inspection.camera.px_per_mm
    return s_line[inside] / ppm, depth[inside] / ppm


def profile_chart(place: Vector, depth: Vector, length: Length) -> Layer:
    """The crown line below its arc; depth is drawn larger than place, and the axes say so."""
    (along, far), (factor, unit) = unit_shown(MM_PER_INCH, "mm", length), unit_shown(0.0, "mm", length)
    rows = [{"place": float(p) * along, "depth": float(d) * factor} for p, d in zip(place, depth, strict=True)]
    y = y_axis("depth", f"below the arc, {unit}", down=True)
    x = x_axis("place", f"along the fret, {far} (depth is drawn larger)", by_number=False)
    return chart(rows, (level_line(0.0, y), curve(x, y)))


def radius_rows(inspections: Iterable[Inspection]) -> list[tuple[int, Measured]]:
    """Crown line radii by fret, in the order of the frets."""
    found = [(f.number, f.crown_line_radius) for i in inspections for f in i.frets if f.crown_line_radius is not None]
    return sorted(found, key=lambda row: row[0])


def cone(rows: Sequence[tuple[int, Measured]]) -> Cone | None:
    """The cone through the radii, over the share of the scale length; ``None`` with fewer than three frets."""
    return fit_cone([place_of(n) for n, _ in rows], [q.value for _, q in rows], [q.u for _, q in rows])


def place_of(number: int) -> float:
    """Where a fret lies, as a share of the scale length from the nut."""
    return float(fret_position(1.0, number))


def radius_chart(rows: Sequence[tuple[int, Measured]], length: Length) -> Layer:
    """Radius by fret with value ± U."""
    factor, unit = unit_shown(MM_PER_INCH, "mm", length)  # radii are longer than an inch
    data = [
        {"fret": n, "radius": q.value * factor, "low": (q.value - q.expanded) * factor,
         "high": (q.value + q.expanded) * factor}
        for n, q in rows
    ]  # fmt: skip
    x = x_axis("fret", "fret")
    bar = bars(x, y_axis("low", f"radius ± U, {unit}", from_zero=False), "high")
    return chart(data, (bar, dots(x, y_axis("radius", from_zero=False))))


@dataclass(frozen=True, slots=True)
class DepthChange:
    """How a spot's depth changed between two visits; `told` when by more than U."""

    fret: int
    string: int
    before: Measured
    after: Measured
    change: Measured

    @property
    def told(self) -> bool:
        """Whether the change is larger than its expanded uncertainty."""
        return abs(self.change.value) > self.change.expanded


def changes(earlier: WearMap, later: WearMap) -> list[DepthChange]:
    """Depth under every string where a spot was read at either visit and both visits read the fret."""
    out = []
    for fret in later.frets:
        before_fret = earlier.fret(fret.number)
        strings = {s.string for f in (fret, before_fret) for s in f.spots if s.depth is not None and s.string}
        for string in sorted(strings):
            before, after = before_fret.depth_at(string), fret.depth_at(string)
            if before is not None and after is not None:
                out.append(DepthChange(fret.number, string, before, after, change_of_depth(before, after)))
    return out
