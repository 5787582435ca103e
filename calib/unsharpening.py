"""Sharpening taken out of a photo again, told from the photo itself.

A camera or phone sharpens with an unsharp mask: ``y = x + a (x - G x)``, with codes x, a Gaussian blur G and an amount
a. Its halos make an edge beside a dark line look like another line, and thin lines wide. As G passes no frequency with
more than it had, ``x = y / (1 + a (1 - G))`` is stable: what was lifted is lowered again, noise too, and nothing else
is amplified.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edge_response import EdgeResponse
from calib.photo import Photo

__all__ = ["unsharpened"]

LEAST_OVERSHOOT = 0.005
"""Overshoot, as a share of the step, under which nothing is undone: one of 255 codes beside black on white."""
_WIDER = 2.0
"""Second blur over the first. The series of the inverse in powers of G has Gaussians of r, r sqrt(2), r sqrt(3) ...;
with these two for all of them what was lifted is lowered within 1.4 % at every frequency for amounts up to 2, and
within 3.2 % up to 3."""
_FREQUENCIES = np.linspace(0.0, math.sqrt(2.0) * math.pi, 200)  # rad a pixel, to the corner of what pixels can hold
_TAILS = 4.0  # standard deviations


@dataclass(frozen=True)
class Unsharpened(Photo):
    """A photo whose parts are given as they were before it was sharpened; `bgr` stays as it was taken.

    Attributes
    ----------
    radius_px : float
        Standard deviation of the unsharp mask, pixels.
    shares : (float, float, float)
        Of the photo, of its blur by that radius and of one `_WIDER`, that make up the inverse filter.
    """

    radius_px: float = 1.0
    shares: tuple[float, float, float] = (1.0, 0.0, 0.0)

    def part(self, first: Sequence[int], last: Sequence[int]) -> NDArray[np.uint8]:
        """The pixels from column and row `first` to before `last`: whole photos cost four times their decoding."""
        reach = _reach(self.radius_px * _WIDER)
        x, y = max(first[0] - reach, 0), max(first[1] - reach, 0)
        codes = super().part((x, y), (last[0] + reach, last[1] + reach))
        kept, narrow, wide = self.shares
        blurred = [_blurred(codes, r) for r in (self.radius_px, self.radius_px * _WIDER)]
        mixed = cv2.addWeighted(codes, kept, blurred[0], narrow, 0.0)
        mixed = cv2.addWeighted(mixed, 1.0, blurred[1], wide, 0.0)
        return np.asarray(mixed[first[1] - y : last[1] - y, first[0] - x : last[0] - x], dtype=np.uint8)


def unsharpened(photo: Photo, response: EdgeResponse | None, overshoot: float = 0.0) -> Photo:
    """The photo as it was before it was sharpened; the same where it was not, or nothing tells.

    With an `overshoot`, as a share of the step, so much of the sharpening is left. What the halos pushed beyond black
    or white stays lost: there the result is a little short of it.
    """
    if response is None or response.overshoot < overshoot + LEAST_OVERSHOOT:
        return photo
    taken = {f.name: getattr(photo, f.name) for f in fields(Photo)}
    # (1 + b t) / (1 + a t) is b / a, and of the inverse the rest
    left = overshoot / response.overshoot
    whole, narrow, wide = ((1.0 - left) * share for share in _inverse(response.amount, response.radius_px))
    return Unsharpened(**taken, radius_px=response.radius_px, shares=(left + whole, narrow, wide))


def _reach(radius: float) -> int:
    return math.ceil(_TAILS * radius)


def _blurred(codes: NDArray[np.uint8], radius: float) -> cv2.typing.MatLike:
    return cv2.GaussianBlur(codes, (2 * _reach(radius) + 1,) * 2, radius)


def _inverse(amount: float, radius: float) -> tuple[float, float, float]:
    """Shares of the photo and of its two blurs that make up the inverse filter: 1 in all, so that no level changes."""
    narrow, wide = (np.exp(-0.5 * (_FREQUENCIES * r) ** 2) for r in (radius, radius * _WIDER))
    kept = 1.0 / (1.0 + amount)
    wanted = 1.0 / (1.0 + amount * (1.0 - narrow)) - kept - (1.0 - kept) * wide
    between = narrow - wide
    share = float(between @ wanted / (between @ between))
    return kept, share, 1.0 - kept - share
