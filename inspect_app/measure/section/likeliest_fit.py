"""Which patch of a photo is the face of the wire, and which of several fits of it is taken.

A patch may have taken in a narrow part of the body, so that the face's edge is the innermost; or it is the face, and
what lies further in is what a file left. Which of the two shows in how much of the outline its edges then lie on.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app.measure.section.body_strip import unseen_strips
from inspect_app.measure.section.face import COARSE_PX_PER_MM, Face, find_faces
from inspect_app.measure.section.face_edges import SearchReach, innermost, nearest
from inspect_app.measure.section.outline_fit import (
    BLURS_CLEAR,
    CLEAR_MM,
    FIRST,
    HALF,
    FittedSection,
    fit_face,
)

__all__ = ["LIKELIER_BY_CHANCE", "fit_section"]

CANDIDATES = 4
"""Patches that are fitted, the best fitting first: face, body, shadow and ground."""
SHOWN_BY_FACE, SHOWN_BY_CHANCE = 0.9, 0.3
"""Share of rows that show an edge in its place: on the face's own outline all but the barbs' and a few; on another
outline those that it shares with the face, and scratches."""
_SHOWN, _HIDDEN = SHOWN_BY_FACE / SHOWN_BY_CHANCE, (1.0 - SHOWN_BY_FACE) / (1.0 - SHOWN_BY_CHANCE)
LIKELIER_BY_CHANCE = math.log(_HIDDEN) / (math.log(_HIDDEN) - math.log(_SHOWN))
"""Share of rows below which their likelihood is greater for another outline than for the face's own: 0.64."""
BEYOND_DOUBT = 0.8
"""Share from which, with its foot, an outline needs no comparison: another thing's shares two thirds of it at most."""
MIN_SUPPORT = 0.6
"""Least share of the outline with an edge in its place and the face's tone inside: barbs take a tenth to a fifth of it,
and a wrong patch has the face's edges on two thirds of its outline at most when one of its sides is another thing's."""
FINER_PX_PER_MM = 2.0 * COARSE_PX_PER_MM
"""Looked for again in a picture so fine where the coarse one shows no face: a strip of the body under a quarter of a
millimetre wide has no even place of its own in that, as its two borders take up three pixels each, and is joined to
the face; half as wide it is within reach of the edges' search (`FIRST`)."""


def fit_section(photo: Photo, scale: Scale, plane: Plane) -> FittedSection | None:
    """The face of the wire in a photo, or None when nothing has its shape."""
    fitted = _likeliest(photo, scale, plane)
    return None if fitted is None else _clear_of_body(photo, plane, fitted)


def _clear_of_body(photo: Photo, plane: Plane, fitted: FittedSection) -> FittedSection:
    """The face with sides that its body may hide moved in by half the strip: it ends anywhere within (rectangular)."""
    clear = max(CLEAR_MM, BLURS_CLEAR * np.nan_to_num(fitted.blur_px) / fitted.px_per_mm)
    strips = unseen_strips(photo, plane, fitted.shape, clear)
    width, u = np.array([strips.get(side, (0.0, 0.0)) for side in fitted.sides]).T
    values = fitted.shape.params[fitted.shape.free] - fitted.by_side.T @ (width / 2.0)
    return replace(fitted, shape=fitted.shape.with_free(values), u_body=np.hypot(width / math.sqrt(12.0), u / 2.0))


def _likeliest(photo: Photo, scale: Scale, plane: Plane) -> FittedSection | None:
    """The likeliest fit of the patches seen in a coarse picture, or if none fits, in one twice as fine."""
    for px_per_mm in (COARSE_PX_PER_MM, FINER_PX_PER_MM):
        faces = find_faces(photo, scale, plane, px_per_mm)[:CANDIDATES]
        if (fitted := _likeliest_of(faces, photo, plane)) is not None:
            return fitted
    return None


def _likeliest_of(faces: list[Face], photo: Photo, plane: Plane) -> FittedSection | None:
    fits: list[FittedSection] = []
    for first in FIRST:
        for face in faces:
            of_face = list(_fits(photo, plane, face, first))
            fits += of_face
            best = max(of_face, key=_evidence, default=None)
            if best is not None and _beyond_doubt(best):
                return best
        if any(_evidence(fit).level_sides_shown for fit in fits):
            break
    return max(fits, key=_evidence, default=None)


def _fits(photo: Photo, plane: Plane, face: Face, first: SearchReach) -> Iterator[FittedSection]:
    """Fits of a patch: to the innermost edges, and unless these lie on all of the outline, to those nearest to it."""
    for rank in (innermost, nearest):
        fitted = fit_face(photo, plane, face.shape, first, rank)
        if fitted is not None and fitted.support >= MIN_SUPPORT:
            yield fitted
            if not _is_broken(fitted):
                return


def _is_broken(fitted: FittedSection) -> bool:
    """Whether a side that no barb interrupts shows its edge in fewer of its rows than a face does."""
    return any(
        share < SHOWN_BY_FACE
        for side, share in zip(fitted.sides, fitted.shown, strict=True)
        if side[0] != "side" and side not in fitted.hidden
    )


def _beyond_doubt(fitted: FittedSection) -> bool:
    evidence = _evidence(fitted)
    return fitted.support >= BEYOND_DOUBT and evidence.level_sides_shown and evidence.foot_shown


class _Evidence(NamedTuple):
    """Whether the level sides and the foot are seen, and the log-likelihood ratio of the rows; the greater the better.

    Undersides and flat are straight and bare: where less than half of one lies on its line, the line may be another
    thing's. So it may where both undersides are softer than the other sides: they may be the body's far end's.
    """

    level_sides_shown: bool
    foot_shown: bool
    log_likelihood_ratio: float


def _evidence(fitted: FittedSection) -> _Evidence:
    """Whether the tang's foot is seen, and the log of how much likelier the outline's rows are if it is the face's.

    A tang may end anywhere along its sides without a row to tell against it, but for those of its foot.
    """
    shown = list(zip(fitted.sides, (float(s) for s in fitted.shown), strict=True))
    foot = [s for (piece, _), s in shown if piece == "bottom"]
    under = [s for side, s in shown if side[0] == "underside" and side not in fitted.hidden]
    flat = [s for (piece, _), s in shown if piece == "flat"]
    yes = float(np.sum(fitted.rows))
    no = yes / fitted.support - yes
    sharp = any(side[0] == "underside" and side not in fitted.soft for side in fitted.sides)
    level = sharp and min(under, default=0.0) >= HALF and min(flat, default=1.0) >= HALF
    return _Evidence(level, max(foot, default=0.0) >= HALF, yes * math.log(_SHOWN) + no * math.log(_HIDDEN))
