"""A flat some of whose edges a person placed: those stand where they were put, the others where they were found.

A flat that was not found is measured all the same where a person placed all four of its edges.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.manual import PLACED_U_PX, Placed, Points, apart, marked, u_along
from inspect_app.measure.plan.crown_arc import CrownArc
from inspect_app.measure.plan.flat_outline import BLUNTNESS_SD, EXPONENT_SD, MOST_SKEW, SKEW_SD, FlatOutline
from inspect_app.measure.plan.flat_picture import FlatParam
from inspect_app.measure.plan.fret_patch import FretPatch
from inspect_app.reading.inspection import Flat
from shared.errors import OptionError

__all__ = ["EditedFlat", "with_manual_edges", "edited_flats", "flag_manual"]

Floats = NDArray[np.float64]
ENDS = ("treble end", "bass end")
SIDES = ("nut side", "body side")
_FORM = (FlatParam.LN_EXPONENT, FlatParam.SKEW, FlatParam.LN_BLUNTNESS)


@dataclass(frozen=True)
class EditedFlat:
    """A flat's outline with what was placed on it: whether an end, whether a side."""

    fit: FlatOutline
    ends: bool = False
    sides: bool = False


def edited_flats(
    fits: Sequence[FlatOutline], patch: FretPatch, arc: CrownArc, placed: Placed, least_mm: float
) -> list[EditedFlat]:
    """The flats found, with placed edges in place of theirs; after them those that a person added, edge by edge.

    Parameters
    ----------
    least_mm : float
        Width below which a flat has no length.

    Raises
    ------
    OptionError
        If an added flat lies beside the crown, or one whose sides were placed is narrower than that or has its edges
        on the wrong sides.
    """
    edited = [with_manual_edges(f, patch, arc, placed.get(("flats", k), {})) for k, f in enumerate(fits, 1)]
    while {*ENDS, *SIDES} <= set(parts := placed.get(("flats", len(edited) + 1), {})):
        edited.append(_added(patch, arc, parts))
    narrow = next((h.fit.width for h in edited if h.sides and h.fit.width <= least_mm), None)
    if narrow is not None:
        raise OptionError(
            f"This flat was marked {narrow:.2f} mm wide.",
            f"Flats under {least_mm:g} mm are not measured: if it is so narrow, reject it.",
        )
    return edited


def _added(patch: FretPatch, arc: CrownArc, parts: Mapping[str, Points]) -> EditedFlat:
    """A flat none of whose edges was found: its sides were put where it is widest, and it is as blunt as any flat."""
    at = patch.frame.to_fret(np.array([parts[name][0] for name in (*ENDS, *SIDES)]), arc.height)
    (y1, y2), (x1, x2) = at[:2, 0], at[2:, 1]
    skew, u_skew = _skew((y1, y2), at[2:, 0], PLACED_U_PX / patch.px_per_mm / apart(x1, x2))
    params = _params(np.array([y1, y2, x1, x2, 0.0, skew, 0.0]))
    for _ in range(2):  # its width gives how low its sides lie, and that in turn its width
        blank = _blank(params, u_skew)
        edited = with_manual_edges(blank, patch, arc, parts)
        params = edited.fit.params
    middle, half = float(params[FlatParam.CENTRE]), edited.fit.width / 2.0
    on_crown = abs(middle) + half <= arc.width / 2.0 and y1 >= 0.0 and y2 <= patch.frame.length_mm
    if not on_crown:
        raise OptionError("This flat was marked beside the fret's crown.", "Mark it within the crown's edges.")
    return edited


def _skew(ends: tuple[float, float], widest: Floats, blur: float) -> tuple[float, float]:
    """Skew, and its standard uncertainty, of a flat with these ends (mm) whose sides were put at the places `widest`.

    `blur` is what can't be told of a side's place across, in widths of the flat. About its widest place a side falls
    off as ``t^2 / 2`` widths: it was put anywhere within ``sqrt(2 blur)`` half-lengths, each side for itself.
    """
    half = apart(*ends) / 2.0
    put = float(np.clip((sum(ends) / 2.0 - widest.mean()) / half, -MOST_SKEW, MOST_SKEW))
    variance = 2.0 * blur / 3.0 / len(widest)
    share = SKEW_SD**2 / (SKEW_SD**2 + variance)
    return share * put, math.sqrt(share * variance)


def _blank(params: Floats, u_skew: float) -> FlatOutline:
    """An outline of which nothing was seen, to be held by its edges."""
    cov = np.diag([0.0, 0.0, 0.0, 0.0, EXPONENT_SD**2, u_skew**2, BLUNTNESS_SD**2])
    length, half_width = 2.0 * math.exp(params[FlatParam.LN_HALF_LENGTH]), math.exp(params[FlatParam.LN_WIDTH]) / 2.0
    none = np.zeros(len(FlatParam))
    return FlatOutline(params, cov, 0.0, (0.5, 0.5), none, none, 0.0, True, 0.0, length, half_width, 0.0)


def with_manual_edges(fit: FlatOutline, patch: FretPatch, arc: CrownArc, parts: Mapping[str, Points]) -> EditedFlat:
    """The outline with the placed edges in place of the found ones.

    In terms of its two ends and two sides (mm along and across) the outline is (middle - h, middle + h, centre - f/2,
    centre + f/2): the placed of these are exchanged, and their variances; the rest keep value and covariance. Rivals
    are gone: the person told which outline it is.
    """
    at = {name: _where(points, patch, arc, fit, name) for name, points in parts.items() if name in (*ENDS, *SIDES)}
    if not at:
        return EditedFlat(fit)
    h, f = fit.half_length, fit.width
    to_edges = np.zeros((len(FlatParam), len(FlatParam)))  # rows: two ends, two sides, the form
    to_edges[:2, FlatParam.MIDDLE], to_edges[2:4, FlatParam.CENTRE] = 1.0, 1.0
    to_edges[:2, FlatParam.LN_HALF_LENGTH], to_edges[2:4, FlatParam.LN_WIDTH] = (-h, h), (-f / 2.0, f / 2.0)
    to_edges[4:, _FORM] = np.eye(len(_FORM))
    centre = float(fit.params[FlatParam.CENTRE])
    ends_and_sides = (fit.middle - h, fit.middle + h, centre - f / 2.0, centre + f / 2.0)
    edges = np.array([*ends_and_sides, *fit.params[list(_FORM)]])
    cov = to_edges @ fit.cov @ to_edges.T
    by_hand = PLACED_U_PX / patch.px_per_mm
    for i, name in enumerate((*ENDS, *SIDES)):
        if name in at:
            cov[i, :], cov[:, i] = 0.0, 0.0
            cov[i, i] = (u_along(by_hand, h, f / 2.0) if name in ENDS else by_hand) ** 2
            edges[i] = at[name]
    back = np.linalg.inv(to_edges)
    free = np.array([float(name not in at) for name in (*ENDS, *SIDES)] + [1.0] * len(_FORM))
    params = _params(edges)
    shift, bloom = (back @ (free * (to_edges @ v)) for v in (fit.shift_effect, fit.bloom_effect))
    cov = _rescaled(back @ cov @ back.T, fit, params)
    fit = replace(fit, params=params, cov=cov, shift_effect=shift, bloom_effect=bloom, rivals=(), u_ends=0.0)
    ends, sides = any(n in at for n in ENDS), any(n in at for n in SIDES)
    length = 2.0 * fit.half_length if ends else fit.traced_length
    half_width = fit.width / 2.0 if sides else fit.traced_half_width
    return EditedFlat(replace(fit, traced_length=length, traced_half_width=half_width), ends, sides)


def _where(points: Points, patch: FretPatch, arc: CrownArc, fit: FlatOutline, name: str) -> float:
    """The placed edge in mm, along the fret for an end and across for a side, at the height where it lies."""
    height = arc.height if name in ENDS else arc.height - float(arc.depth(fit.width / 2.0))
    at = patch.frame.to_fret(np.array(points), height).mean(axis=0)
    return float(at[0] if name in ENDS else at[1])


def _params(edges: Floats) -> Floats:
    """The outline's parameters by `FlatParam`, from two ends, two sides (mm) and its form."""
    y1, y2, x1, x2 = edges[:4]
    half, width = apart(y1, y2) / 2.0, apart(x1, x2)
    return np.array([(y1 + y2) / 2.0, math.log(half), math.log(width), (x1 + x2) / 2.0, *edges[4:]])


def _rescaled(cov: Floats, fit: FlatOutline, params: Floats) -> Floats:
    """The covariance with its two logarithms about the new length and width."""
    k, both = np.ones(len(FlatParam)), [FlatParam.LN_HALF_LENGTH, FlatParam.LN_WIDTH]
    k[both] = np.exp(fit.params[both] - params[both])
    return np.asarray(cov * np.outer(k, k))


def flag_manual(flat: Flat, edited: EditedFlat) -> Flat:
    """The readings that rest on a placed edge, marked."""
    if edited.ends:
        flat = replace(flat, from_treble_end=marked(flat.from_treble_end))
    if edited.ends or edited.sides:
        flat = replace(flat, length=marked(flat.length))  # where it is 0.3 mm wide depends on its width too
    if edited.sides:
        flat = replace(flat, width=marked(flat.width), depth=marked(flat.depth) if flat.depth else None)
    return flat
