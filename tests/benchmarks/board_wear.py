"""Worn board beside truth, field by field: ``python -m tests.benchmarks.board_wear FOLDER ...``.

Every photo from above with a truth file is measured. A field whose worn area is true is read, declined with a reason or
missed; a field without any that has worn places in the answer is a false report. Folders may hold the same photos as
they are and as a phone's or a messenger's processing left them.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calib.photo import open_photo
from inspect_app.measure import calibrate, measure
from inspect_app.measure.plan.board_wear import WEAR
from inspect_app.reading.key import Key, NotMeasured
from shared.errors import InspectError
from shared.measured import Measured
from tests.benchmarks.against_truth import ask_of

OUTER_MM = 3.0
"""How far from the board's edges the drawn outer strings run (`sample_images.instrument.INSET_MM`)."""


@dataclass(frozen=True, slots=True)
class Field:
    """One field of one photo: its true worn area (mm2), the area read with its U (nan where none is), and why not.

    `true_places` and `places` are middles along the fret from its treble end (mm), one for each true lane and each
    place read.
    """

    photo: str
    fret: int
    true: float
    read: float = math.nan
    expanded: float = math.nan
    declined: str = ""
    true_lanes: tuple[float, ...] = ()
    places: tuple[float, ...] = ()

    @property
    def off(self) -> float:
        """Relative error."""
        return self.read / self.true - 1.0

    @property
    def z(self) -> float:
        """Error over U."""
        return abs(self.read - self.true) / self.expanded


def fields_of(
    photo: str, truth: Mapping[str, Any], values: Mapping[Key, Measured], declined: Iterable[NotMeasured]
) -> Iterator[Field]:
    """Every field between two frets that the truth names, that are whole in the photo."""
    reasons = {n.what.fret: n.reason for n in declined if n.what.feature == WEAR}
    frets = {f["n"]: f for f in truth["frets"]}
    for n in sorted({w["fret"] for w in truth["board_wear"]} & set(frets)):
        if n - 1 not in frets:
            continue
        lanes = [w for w in truth["board_wear"] if w["fret"] == n]
        room = frets[n]["x"] - frets[n - 1]["x"] - (frets[n]["crown_width"] + frets[n - 1]["crown_width"]) / 2.0
        wide = truth["board"]["nut_width"] + truth["board"]["width_per_mm"] * (frets[n]["x"] + frets[n - 1]["x"]) / 2.0
        strings = np.linspace(OUTER_MM, wide - OUTER_MM, len(lanes))
        about = photo, n, sum(w["area"] for w in lanes)
        at = tuple(float(y) for y, w in zip(strings, lanes, strict=True) if w["area"])
        shares = [k for k in values if k.feature == WEAR and k.fret == n and k.quantity == "share"]
        if not shares:
            yield Field(*about, declined=reasons.get(n, reasons.get(None, "")), true_lanes=at)
            continue
        places = tuple(values[k.of.part("from treble end")].value for k in shares)
        read = sum(values[k].value for k in shares) * room * wide
        expanded = math.hypot(*(values[k].expanded for k in shares)) * room * wide
        yield Field(*about, read, expanded, "", at, places)


def table(fields: Iterable[Field]) -> str:
    """One line of figures."""
    every = list(fields)
    worn, plain = [f for f in every if f.true > 0.0], [f for f in every if f.true == 0.0]
    read = [f for f in worn if f.read == f.read]
    out = f"worn {len(worn):3d}: read {len(read):3d}, declined {sum(bool(f.declined) for f in worn):3d}, missed "
    out += f"{sum(f.read != f.read and not f.declined for f in worn):2d}; unworn {len(plain):4d}: false "
    out += f"{sum(f.read == f.read for f in plain)}"
    if read:
        off, z = np.array([f.off for f in read]), np.array([f.z for f in read])
        out += f"; area RMS {100 * np.sqrt(np.mean(off**2)):.1f} %, mean {100 * off.mean():+.1f} %, worst "
        out += f"{100 * off[np.argmax(np.abs(off))]:+.0f} %, inside U {100 * np.mean(z <= 1):.0f} %, "
        out += f"wrong {int(np.sum(z > 2))}, mean U {100 * np.mean([f.expanded / f.true for f in read]):.0f} %"
    return out


def measured(folder: Path) -> list[Field]:
    """All fields of a folder's photos from above; a refused photo is said, and has none."""
    out: list[Field] = []
    for path in sorted(folder.glob("*.json")):
        truth = json.loads(path.read_text())
        if truth.get("view") != "plan" or "board_wear" not in truth:
            continue
        photo, ask = open_photo(path.with_name(truth["photo"]).read_bytes(), truth["photo"]), ask_of(truth)
        try:
            answer = measure(photo, ask, calibrate(photo, ask))
        except InspectError as error:
            print(f"{path.stem}: refused, {error}")
            continue
        out += fields_of(path.stem, truth, answer.values, answer.not_measured)
    return out


def main() -> None:
    """The table of each folder, then its worst fields, missed ones and false reports."""
    for folder in map(Path, sys.argv[1:]):
        fields = measured(folder)
        print(f"{folder.name}: {table(fields)}")
        for f in fields:
            if (f.true == 0.0 and f.read == f.read) or (f.true > 0.0 and f.read != f.read) or f.z > 1.0:
                print(f"  {f}")


if __name__ == "__main__":
    main()
