"""What is known of the camera that took a photo, and of its lens: loads no numerical library."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ASSUMED", "CENTRE_PRIOR", "PROFILE", "Camera", "Focal"]

ASSUMED = "assumed"
"""Source of a focal length that the photo does not say."""
PROFILE = "lens profile"
"""Source of one that was found from photos of a printed board."""
CENTRE_PRIOR = 0.005
"""Standard deviation of the principal point from the picture's middle, of the long side: a stabilised lens or sensor
wanders by up to a hundredth (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Focal:
    """Focal length in pixels of the upright picture, its relative standard uncertainty, and where it came from.

    What else is known of the lens stands here too: the radial term, and where the principal point lies from the
    picture's middle (px), each with its standard uncertainty; None where nothing is known beyond what is usual.
    """

    px: float
    u_rel: float
    source: str
    k1: float = 0.0
    u_k1: float | None = None
    centre_px: tuple[float, float] = (0.0, 0.0)
    u_centre_px: float | None = None


@dataclass(frozen=True, slots=True)
class Camera:
    """What a photo's EXIF says of the camera: empty or None where it says nothing.

    Attributes
    ----------
    name : str
        Maker and model.
    focal_mm, focal_35mm : float or None
        Focal length, and that of a full-frame camera with the same angle of view.
    zoom : float
        Enlargement of the picture's middle, 1 for none.
    orientation : int
        Exif tag 274, 1 to 8: how the camera was held.
    """

    name: str = ""
    focal_mm: float | None = None
    focal_35mm: float | None = None
    zoom: float = 1.0
    orientation: int = 1
