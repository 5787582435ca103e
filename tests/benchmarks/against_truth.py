"""What a photo's answer says beside its truth file: a row a figure, with the naive reading and how it was taken.

A truth file (``photo.json`` beside ``photo.jpg``) has ``ask`` with the options of the measure command and ``frets`` or
``section`` with what is true. Features are paired with true ones by their place along the fret, nearest first.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from calib.edges import locate_steps, row_offsets, sample_across
from calib.lens_profile import LensProfile
from calib.photo import open_photo
from calib.scales.find import parse_scale
from inspect_app.measure import calibrate, measure
from inspect_app.reading.ask import Ask, parse_held, parse_scale_plane
from inspect_app.reading.key import on_fret
from shared.errors import InspectError
from shared.trade import FLAT_FROM_MM
from tests.benchmarks.figure_bounds import bevel, depth, edge_u, line_radius, spacing, two_edges
from tests.benchmarks.naive import detected, naive_end, naive_hollows, naive_plan, naive_section

NEAR_MM = 1.5
"""How far a feature may lie from the true place and still be the same one."""
DIVOT_FROM_MM = 0.03
"""Shallower divots may be missed without counting."""
CLEAR = 1.5
"""A flat this many times the narrowest that counts has to be found."""
KNOWN = ("view", "scale_length", "first_fret", "nut", "treble", "crown_width", "crown_height", "end", "string")
_READ = {"held": parse_held, "scale_plane": parse_scale_plane}
U_FOCAL, U_K1, U_CENTRE = 5e-4, 2e-3, 5e-4
"""Standard uncertainties of a profile from a dozen photos (focal length relative, centre over the long side), as
tests/calib/test_lens_board.py finds them."""
SECTION = ("crown_width", "crown_height", "crown_radius", "flat_width", "tang_width", "tang_depth")


@dataclass(frozen=True, slots=True)
class Row:
    """One figure of one photo: its error, standard uncertainty, the naive reading's error, what blur and noise alone
    would allow, the share of u squared that edges' noise makes, and the photo's blur, px (nan where none)."""

    figure: str
    photo: str
    true: float
    error: float
    u: float
    naive: float
    bound: float
    taken: dict[str, str]
    noise: float = math.nan
    blur: float = math.nan


@dataclass(slots=True)
class Score:
    """All rows of some sets of photos, and what is missing: (figure, photo) of each, and the photos refused."""

    rows: list[Row] = field(default_factory=list)
    missed: list[tuple[str, str]] = field(default_factory=list)
    declined: list[tuple[str, str]] = field(default_factory=list)
    refused: list[tuple[str, str]] = field(default_factory=list)
    photos: int = 0


def score(name: str, folder: Path, lens: bool = False) -> Score:
    """Measure every photo of a folder; `name` is what the set is called in the report.

    With `lens` each is measured with a profile of its true lens.
    """
    out = Score()
    for path in sorted(folder.glob("*.json")):
        truth = json.loads(path.read_text())
        if "ask" in truth and truth.get("view"):
            out.photos += 1
            print(f"{name}: {path.stem}", file=sys.stderr, flush=True)
            _one(name, path, truth, out, lens)
    return out


def ask_of(truth: dict) -> Ask:
    """The question that a truth file names."""
    options = truth["ask"]
    known = {k: options[k] for k in KNOWN if k in options}
    known |= {k: read(options[k]) for k, read in _READ.items() if k in options}
    return Ask(scale=parse_scale(options["scale"]), **known)


def _one(name, path, truth, out, lens):
    photo, ask = open_photo(path.with_name(truth["photo"]).read_bytes(), truth["photo"]), ask_of(truth)
    if lens:
        ask = replace(ask, lens=true_lens(truth))
    try:
        calibrated = calibrate(photo, ask)
        answer = measure(photo, ask, calibrated)
    except InspectError as error:
        out.refused.append((path.stem, str(error)))
        return
    if not answer.frets:
        out.refused.append((path.stem, "; ".join(n.reason for n in answer.not_measured)))
        return
    noise = _contrast_to_noise(photo, calibrated[0])
    taken, edge = _taken(name, truth, answer, noise), _edge_u(answer.camera, noise)
    by = " by " + ask.scale.kind if ask.scale.kind not in ("strip", "backdrop") else ""
    compare = {"section": _section, "plan": _plan, "side": _side}.get(ask.view, _low)
    reasons = {replace(n.what.of, index=None) for n in answer.not_measured}
    for figure, key, q, true, naive, bound in compare(photo, calibrated, ask, answer, truth):
        figure = f"{ask.view}{by}: {figure}"
        if q is None:  # declined only where a reason is given for this very feature of this very fret
            (out.declined if key in reasons else out.missed).append((figure, path.stem))
            continue
        least = bound(edge) if bound and edge else math.nan
        noisy, blur = (q[2] if len(q) > 2 else math.nan), _blur(answer.camera)
        out.rows.append(Row(figure, path.stem, true, q[0] - true, q[1], naive - true, least, taken, noisy, blur))


def _blur(camera):
    return math.nan if camera is None or camera.sharpness is None else camera.sharpness.blur_px


def _edge_u(camera, noise):
    """How well edges can be placed in the photo; ``None`` where no printed scale tells."""
    if noise is None or camera is None or camera.sharpness is None:
        return None
    return edge_u(camera.sharpness.blur_px, noise, camera.px_per_mm)


def true_lens(truth: dict) -> LensProfile:
    """The photo's own lens, as sure as a profile from photos of the lens board makes it."""
    camera = truth["camera"]
    focal = 0.5 / math.tan(math.radians(camera["fov_x_deg"]) / 2.0)
    return LensProfile("true", focal, U_FOCAL * focal, camera["k1"], U_K1, 0.1, 12, u_centre=U_CENTRE)


def _q(measured):
    """Value, u, and the share of u squared that edges' noise makes (nan where it is none of the contributions)."""
    if measured is None:
        return None
    noise = [c.u for c in measured.contributions if c.source == "edge noise"]
    return measured.value, measured.u, math.fsum(u**2 for u in noise) / measured.u**2 if noise else math.nan


def _pairs(found, spots, place):
    left = list(found)
    for spot in spots:
        at = place(spot)
        best = min(left, key=lambda f: abs(f.from_treble_end.value - at), default=None)
        if best is not None and abs(best.from_treble_end.value - at) <= NEAR_MM:
            left.remove(best)
            yield best, spot
        else:
            yield None, spot


def _plan(photo, calibrated, ask, answer, truth) -> Iterator[tuple]:
    naive = naive_plan(answer)
    true_of, found = {t["n"]: t for t in truth["frets"]}, {f.number: f for f in answer.frets}
    for n, true in true_of.items():
        fret, plain, flats = found.get(n), naive.get(n, {}), on_fret(n, "flats")
        wide, q = true["crown_width"], fret and _q(fret.crown_width)
        length = true["y_bass"] - true["y_treble"]
        of = on_fret(n, "crown width"), on_fret(n, "length")
        yield "crown width, mm", of[0], q, wide, plain.get("width", math.nan), two_edges(length)
        q = fret and _q(fret.length)
        yield "fret length, mm", of[1], q, length, plain.get("length", math.nan), two_edges(wide)
        big = [s for s in true["spots"] if s["flat_width_max"] >= CLEAR * FLAT_FROM_MM]
        for flat, spot in _pairs(fret.flats if fret else (), big, lambda s, t=true: s["y"] - t["y_treble"]):
            true_length = spot[f"flat_length_at_{FLAT_FROM_MM}"]
            yield "flat length, mm", flats, flat and _q(flat.length), true_length, math.nan, None
            if flat is not None:
                yield "flat width, mm", flats, _q(flat.width), spot["flat_width_max"], math.nan, None
    read = [f for f in answer.frets if f.number in true_of and f.position is not None]
    for a, b in pairwise(read):
        apart = (b.position.value - a.position.value, math.hypot(a.position.u, b.position.u))
        true = true_of[b.number]["x"] - true_of[a.number]["x"]
        places = [naive.get(f.number, {}).get("place") for f in (a, b)]
        plain = math.nan if None in places else abs(places[1] - places[0])
        length = true_of[b.number]["y_bass"] - true_of[b.number]["y_treble"]
        yield "fret spacing, mm", on_fret(b.number, "position"), apart, true, plain, spacing(length)


def _low(photo, calibrated, ask, answer, truth) -> Iterator[tuple]:
    fret, true = answer.frets[0], truth["frets"][0]
    n = fret.number
    plain_fret = detected(photo, *calibrated, ask)
    if ask.view == "elevation":
        drops, slope = naive_hollows(plain_fret, fret)
        deep = [s for s in true["spots"] if s["divot_depth"] >= DIVOT_FROM_MM]
        for divot, spot in _pairs(fret.divots, deep, lambda s: s["y"] - true["y_treble"]):
            plain = drops.get(divot.from_treble_end.value, math.nan) if divot else math.nan
            true_depth, least = spot["divot_depth"], depth(spot["divot_length"])
            yield "divot depth, mm", on_fret(n, "divots"), divot and _q(divot.depth), true_depth, plain, least
        radius, q = truth["crown_line_radius"], fret.crown_line_radius
        relative = None if q is None else (100.0 * q.value / radius, 100.0 * q.u / radius, *_q(q)[2:])
        key, least = on_fret(n, "crown line radius"), line_radius(radius, true["y_bass"] - true["y_treble"])
        yield "crown line radius, %", key, relative, 100.0, 100.0 * slope / radius, least
    for end in ("treble", "bass"):
        if ask.view == "end" and end != truth.get("end"):
            continue
        angle = _q(getattr(fret, f"bevel_{end}"))
        plain = naive_end(photo, plain_fret, end) if angle else math.nan
        known = true[f"bevel_{end}"]
        least = bevel(true["crown_height"], known)
        yield "bevel angle, degrees", on_fret(n, f"bevel {end}"), angle, known, plain, least


def _section(photo, calibrated, ask, answer, truth) -> Iterator[tuple]:
    true, fret = truth["section"], answer.frets[0]
    plain = naive_section(photo, *calibrated)
    for name in SECTION:
        known = true["height_now" if name == "crown_height" else name]
        if name == "flat_width" and known < 0.05:  # a rounded top has none
            continue
        yield (
            f"{name.replace('_', ' ')}, mm",
            on_fret(fret.number, name),
            _q(getattr(fret, name)),
            known,
            plain.get(name, math.nan),
            two_edges(true["tang_depth"]) if name == "tang_width" else None,
        )


def _side(photo, calibrated, ask, answer, truth) -> Iterator[tuple]:
    found = {f.number: f for f in answer.frets}
    for true in truth["frets"]:
        fret = found.get(true["n"])
        yield (
            "string gap, mm",
            on_fret(true["n"], "string gap"),
            fret and _q(fret.string_gap),
            true["string_gap"],
            math.nan,
            None,
        )


def _taken(name, truth, answer, noise) -> dict[str, str]:
    """How the photo was taken, in words or ranges: what the report is broken down over."""
    out = {"set": name, "scale": answer.scale.kind}
    for key in ("light", "wood", "tint"):
        if key in truth or key in truth.get("changes", {}):
            out["metal's colour" if key == "tint" else key] = str(truth.get(key) or truth["changes"][key])
    changes = truth.get("changes", {})
    out["metal"] = _range(float(truth.get("used", changes.get("used", 0.0))), (0.01, 0.3), "scratched")
    out["grime at the feet"] = _range(float(truth.get("grime", changes.get("grime", 0.0))), (0.01, 0.5), "grime")
    camera = answer.camera
    if camera is not None:
        out["resolution, px/mm"] = _range(camera.px_per_mm, (20.0, 25.0, 50.0, 100.0), "")
        if truth["view"] in ("plan", "section"):
            out["tilt, degrees"] = _range(camera.tilt_deg, (2.0, 4.0, 6.0), "")
        if camera.sharpness is not None:
            out["blur, px"] = _range(camera.sharpness.blur_px, (0.85, 1.0, 1.3), "")
    if "elevation_deg" in truth:
        out["elevation, degrees"] = _range(float(truth["elevation_deg"]), (3.0, 5.0, 8.0), "")
    if noise is not None:
        out["contrast to noise"] = _range(noise, (30.0, 60.0, 120.0), "")
    return out


def _range(value: float, edges: tuple[float, ...], word: str) -> str:
    i = int(np.searchsorted(edges, value, side="right"))
    if word:
        return ("none", f"some {word}", f"much {word}")[i]
    ends = ["under", *(f"{e:g} to" for e in edges)]
    return f"under {edges[0]:g}" if i == 0 else f"over {edges[-1]:g}" if i == len(edges) else f"{ends[i]} {edges[i]:g}"


def _contrast_to_noise(photo, scale) -> float | None:
    """Step from black to white over the noise of a pixel, at the printed scale's own edges."""
    if scale.turn_rad is None:
        return None
    normal = np.column_stack([-np.sin(scale.turn_rad), np.cos(scale.turn_rad)])
    steps = locate_steps(sample_across(photo, scale.image_px, normal, 6.0), row_offsets(6.0))
    ratio = np.abs(steps.contrast) / steps.noise
    return float(np.nanmedian(ratio)) if np.isfinite(ratio).any() else None
