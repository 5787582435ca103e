"""What is said of photos of the lens board and of the profile made from them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from calib.lens_board import MIN_PHOTOS, Board, SeenBoard, residual_through
from calib.lens_profile import LensProfile
from shared.errors import ScaleError

__all__ = ["check_words", "photo_words", "profile_words"]

DISAGREES = 2.0
"""Residual of photos that took no part over that of those that did, from which something changed between them."""


def photo_words(found: SeenBoard | None) -> str:
    """How much of the board a photo shows, how far it leans, how sharp it is."""
    if found is None:
        return "too little of the board can be seen; go closer, and keep most of it in the picture."
    x, y = found.lean
    lean = math.degrees(math.asin(min(1.0, math.hypot(x, y))))
    blur = "" if math.isnan(found.blur_px) else f", edges {found.blur_px:.1f} px wide"
    return f"{len(found.ids)} corners, leaning {lean:.0f} degrees{blur}"


def profile_words(p: LensProfile) -> Iterator[str]:
    """Focal length and distortion with U, what they rest on, and whether views held out agree."""
    yield (
        f"focal length {p.focal:.4f} ± {2.0 * p.u_focal:.4f} of the longer side "
        f"({200.0 * p.u_focal / p.focal:.2f} %), radial term {p.k1:.4f} ± {2.0 * p.u_k1:.4f}, k = 2"
    )
    yield f"{p.photos} photos from {p.nearest_mm:.0f} to {p.farthest_mm:.0f} mm, corners off by {p.residual_px:.2f} px"
    yield f"views held out: corners off by {p.held_out_px:.2f} px"
    if p.held_out_px > DISAGREES * p.residual_px:
        yield "The views do not agree with each other: focus or zoom changed between them, or the board is not flat."


def check_words(seen: Sequence[SeenBoard], profile: LensProfile, board: Board) -> tuple[bool, tuple[str, ...]]:
    """Whether a profile holds for photos of the board that had no part in it, and what that rests on.

    Raises
    ------
    ScaleError
        If none of them shows enough of the board.
    """
    if not seen:
        raise ScaleError("None of the photos shows enough of the board.", f"Take {MIN_PHOTOS} and make a profile.")
    off = math.sqrt(sum(residual_through(s, profile, board) ** 2 for s in seen) / len(seen))
    holds = off <= DISAGREES * max(profile.held_out_px, profile.residual_px)
    said = f"through {profile.name}: corners off by {off:.2f} px; views held out were off by {profile.held_out_px:.2f}"
    if holds:
        return True, (said, "The profile holds for these photos.")
    return False, (said, "This is not the lens of the profile, or not at its zoom or focus: make a new profile.")
