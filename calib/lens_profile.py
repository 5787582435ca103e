"""A lens profile: what photos of a printed board told of a lens at one zoom and focus, and for which photos."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

from calib.camera import CENTRE_PRIOR, PROFILE, Camera, Focal
from shared.errors import OptionError

if TYPE_CHECKING:
    from calib.photo import Photo

__all__ = [
    "LensProfile",
    "with_lens_profile",
    "check_distance",
    "holds_for",
    "unconfirmed",
    "profile_to_json",
    "profile_from_json",
]

PROFILE_FORMAT = 1
SAME_FOCAL = 0.01
"""Relative difference of focal lengths that is another zoom: Exif writes them to a hundredth of a millimetre or better,
the 35 mm equivalent to a whole one."""
SAME_SHAPE = 0.01
"""Relative difference in the ratio of the sides that is another crop: sizes are whole pixels, often of 16."""
BEYOND_FOCUS = 1.25
"""How far beyond the nearest and farthest board a photo may be taken, as a factor: what the lens moves by to focus
there is carried in the focal length's uncertainty."""
USUAL_LENS_MM = 6.0
"""Focal length of a phone's main lens (common practice, no source), where the photo does not say its own."""
U_STABILISED = 0.002
"""Wander of the principal point from photo to photo, of the long side: a lens or sensor that steadies the picture moves
by up to half a hundredth (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class LensProfile:
    """A lens at one setting of zoom and focus, found from photos of a printed board.

    Attributes
    ----------
    name : str
        As the person calls camera and setting.
    focal : float
        Focal length over the picture's longer side, so that it holds for resized photos.
    u_focal : float
        Its standard uncertainty.
    k1, u_k1 : float
        Radial term and its standard uncertainty.
    residual_px : float
        RMS distance of the board's corners from the fitted model.
    photos : int
        How many photos it rests on.
    centre : (float, float)
        Where the principal point lies from the picture's middle, over the longer side, upright.
    u_centre : float
        Its standard uncertainty.
    held_out_px : float
        The same as `residual_px` for photos that took no part in the fit, their pose told by half of their corners.
    nearest_mm, farthest_mm : float
        Distances of the board, between which the lens was focused.
    shape : float
        The picture's longer side over its shorter one.
    landscape : bool
        Whether the photos were wider than high.
    camera, focal_mm, focal_35mm, zoom, orientation
        What the photos' EXIF said, as in `calib.photo.Camera`.
    """

    name: str
    focal: float
    u_focal: float
    k1: float
    u_k1: float
    residual_px: float
    photos: int
    centre: tuple[float, float] = (0.0, 0.0)
    u_centre: float = CENTRE_PRIOR
    held_out_px: float = 0.0
    nearest_mm: float = 0.0
    farthest_mm: float = 0.0
    shape: float = 0.0
    landscape: bool = True
    camera: str = ""
    focal_mm: float | None = None
    focal_35mm: float | None = None
    zoom: float = 1.0
    orientation: int = 1

    def focal_px(self, size_px: tuple[int, int], orientation: int = 1) -> Focal:
        """The lens as it shows in photos of that size, to hand to `fit_plane`.

        A photo held another way has its principal point on another side, and which is not told: it is then looked for
        about the middle.
        """
        long_side = max(size_px)
        same_way = (size_px[0] >= size_px[1]) == self.landscape and orientation == self.orientation
        x, y = (v * long_side for v in self.centre)
        u_centre = math.hypot(self.u_centre, U_STABILISED) * long_side
        if not same_way:
            u_centre, x, y = math.hypot(CENTRE_PRIOR * long_side, x, y), 0.0, 0.0
        u_rel = math.hypot(self.u_focal / self.focal, self._u_focusing)
        return Focal(self.focal * long_side, u_rel, PROFILE, self.k1, self.u_k1, (x, y), u_centre)

    @property
    def _u_focusing(self) -> float:
        """Relative standard uncertainty from focusing elsewhere within the range: a thin lens moves by f / D."""
        if not 0.0 < self.nearest_mm <= self.farthest_mm:
            return 0.0
        mm = self.focal_mm or USUAL_LENS_MM
        span = BEYOND_FOCUS / self.nearest_mm - 1.0 / (BEYOND_FOCUS * self.farthest_mm)
        return mm * span / math.sqrt(12.0)  # rectangular from end to end


def with_lens_profile(photo: Photo, profile: LensProfile) -> Photo:
    """The same photo, its lens told by the profile.

    Raises
    ------
    OptionError
        If the photo's EXIF or shape says that it was taken with another camera, at another zoom, or cropped.
    """
    cam, size = photo.camera, (photo.width, photo.height)
    if cam.name and profile.camera and cam.name != profile.camera:
        raise _does_not_hold(profile, f"was made for {profile.camera}; the photo is from {cam.name}")
    for what, here, there in (
        ("focal length", cam.focal_mm, profile.focal_mm),
        ("35 mm equivalent", cam.focal_35mm, profile.focal_35mm),
    ):
        if here and there and abs(here / there - 1.0) > SAME_FOCAL:
            raise _does_not_hold(profile, f"was made at a {what} of {there:g} mm; the photo has {here:g} mm")
    if abs(cam.zoom / profile.zoom - 1.0) > SAME_FOCAL:
        raise _does_not_hold(profile, f"was made at a zoom of {profile.zoom:g}; the photo has {cam.zoom:g}")
    shape = max(size) / min(size)
    if profile.shape and abs(shape / profile.shape - 1.0) > SAME_SHAPE:
        sides = f"{profile.shape:.2f} times as long as wide; this one is {shape:.2f} times"
        raise _does_not_hold(profile, f"was made from photos {sides}")
    return replace(photo, focal=profile.focal_px(size, cam.orientation))


def check_distance(profile: LensProfile, distance_mm: float) -> None:
    """Refuse a photo taken nearer or farther than the lens was focused for the profile.

    Raises
    ------
    OptionError
        If it was.
    """
    if not 0.0 < profile.nearest_mm <= profile.farthest_mm:
        return
    if not profile.nearest_mm / BEYOND_FOCUS <= distance_mm <= profile.farthest_mm * BEYOND_FOCUS:
        made = f"{profile.nearest_mm:.0f} to {profile.farthest_mm:.0f} mm"
        raise OptionError(
            f"The lens profile {profile.name!r} was made from {made} away; this photo was taken from "
            f"{distance_mm:.0f} mm.",
            "Take photos of the lens board from that distance and make a profile of them, or measure without one.",
        )


def holds_for(profile: LensProfile, photo: Photo, distance_mm: float) -> bool:
    """Whether a photo's EXIF says that it was taken with the profile's lens, as far away as the profile goes."""
    try:
        with_lens_profile(photo, profile)
        check_distance(profile, distance_mm)
    except OptionError:
        return False
    return not unconfirmed(profile, photo.camera)


def unconfirmed(profile: LensProfile, camera: Camera) -> bool:
    """Whether nothing in the photo says that it was taken with the profile's lens."""
    return not (camera.name and profile.camera) and not (camera.focal_mm and profile.focal_mm)


def _does_not_hold(profile: LensProfile, why: str) -> OptionError:
    return OptionError(
        f"The lens profile {profile.name!r} {why}.",
        "Use the profile of that camera and zoom, or measure without one.",
    )


def profile_to_json(profile: LensProfile) -> str:
    """A small versioned text, the inverse of `profile_from_json`."""
    return json.dumps({"format": PROFILE_FORMAT, "kind": "lens profile", **asdict(profile)}, indent=1)


def profile_from_json(text: str) -> LensProfile:
    """Read a lens profile.

    Raises
    ------
    OptionError
        If the text is not one, or was written by a newer version.
    """
    bad = OptionError("The file is not a lens profile.", "Make the profile again from photos of the board.")
    try:
        data = dict(json.loads(text))
        if data.pop("kind") != "lens profile":
            raise bad
        if int(data.pop("format")) > PROFILE_FORMAT:
            raise OptionError("The lens profile is from a newer version.", "Update the program, or make it again.")
        x, y = data.pop("centre", (0.0, 0.0))
        profile = LensProfile(**data, centre=(float(x), float(y)))
        names = ("focal", "u_focal", "k1", "u_k1", "residual_px", "u_centre", "nearest_mm", "farthest_mm", "shape")
        numbers = [float(getattr(profile, n)) for n in (*names, "zoom")]
    except (ValueError, KeyError, TypeError):
        raise bad from None
    positive = (profile.focal, profile.u_focal, profile.u_k1, profile.u_centre, profile.zoom)
    if not (all(map(math.isfinite, (*numbers, *profile.centre))) and min(positive) > 0.0):
        raise bad
    return profile
