"""What is said of photos of the lens board and of the profile made from them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from calib.lens_board import MIN_PHOTOS, Board, SeenBoard, least_focal_shown, residual_of, soft_ones
from calib.lens_profile import LensProfile
from shared.errors import ScaleError

__all__ = ["check_words", "photo_words", "profile_words"]

TELLS_APART = 0.04
"""Relative difference of focal length that a check has to show: twice what a marked focal length is good to (0.02,
`calib.photo`), for less than that the photo's own EXIF says."""
DISAGREES = 2.0
"""Residual of photos that took no part over that of those that did, from which something changed between them."""


def photo_words(found: SeenBoard | None) -> str:
    """How much of the board a photo shows, how far it leans, how sharp it is."""
    if found is None:
        return "too little of the board can be seen; go closer, and keep most of it in the picture."
    x, y = found.lean
    lean = round(math.degrees(math.asin(min(1.0, math.hypot(x, y)))))
    blur = "" if math.isnan(found.blur_px) else f", edges {found.blur_px:.1f} px wide"
    return f"{len(found.ids)} corners, leaning {lean} degree{'' if lean == 1 else 's'}{blur}"


def profile_words(p: LensProfile, given: int) -> Iterator[str]:
    """Focal length and distortion with U, on which of the photos given they rest, whether views held out agree."""
    yield (
        f"Focal length {p.focal:.4f} ± {2.0 * p.u_focal:.4f} of the longer side "
        f"({200.0 * p.u_focal / p.focal:.2f} %), radial term {p.k1:.4f} ± {2.0 * p.u_k1:.4f} (k = 2)."
    )
    yield (
        f"{p.photos} photos from {p.nearest_mm:.0f} to {p.farthest_mm:.0f} mm, corners off by {p.residual_px:.2f} px; "
        f"in views held out by {p.held_out_px:.2f} px."
    )
    if given > p.photos:
        yield f"Of {given} photos {given - p.photos} took no part: moved, or softer than the others."
    if p.held_out_px > DISAGREES * p.residual_px:
        yield "The views do not agree with each other: focus or zoom changed between them, or the board is not flat."


def check_words(seen: Sequence[SeenBoard], profile: LensProfile, board: Board) -> tuple[bool, tuple[str, ...]]:
    """Whether a profile holds for photos of the board that had no part in it, and what that rests on.

    Raises
    ------
    ScaleError
        If none of them shows enough of the board, or they could not tell another lens.
    """
    if not seen:
        raise ScaleError("None of the photos shows enough of the board.", f"Take {MIN_PHOTOS} and make a profile.")
    limit = DISAGREES * max(profile.held_out_px, profile.residual_px)
    off = residual_of(seen, profile, board)
    said = (
        *soft_ones(seen),
        f"Through {profile.name}, corners are off by {off:.2f} px; in views held out they were by "
        f"{profile.held_out_px:.2f}.",
    )
    if off > limit:
        return False, (*said, "This is not the lens of the profile, or not at its zoom or focus: make a new profile.")
    shown = least_focal_shown(seen, profile, board, limit)
    if not shown <= TELLS_APART:
        raise ScaleError(
            "These photos could not tell another lens: they look straight at the board.",
            "Lean the camera by 15 to 35 degrees, to another side for each photo.",
        )
    return True, (*said, f"The profile holds. A focal length {100.0 * shown:.2g} % off would have shown.")
