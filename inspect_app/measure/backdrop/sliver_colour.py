"""Whether a bright sliver between string and crowns is card: lit wood shows beside a string's shadow as well.

What a sliver adds to what lies on both sides of it has the colour of the thing it shows, whatever blur has done to it.
Card is white in the photo's own light; wood sends back less blue than red.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.printed import Sheet
from inspect_app.measure.backdrop.card_foot import BELOW_PRINT_MM, PLAIN_MM, straightened
from inspect_app.measure.backdrop.string_edge import StringAndFoot

__all__ = ["is_white"]

Array = NDArray[np.float64]

BLUE, RED = 0, 2
LEAST_BLUE = 2.0 / 3.0
"""Blue over red, over the card's own, from which a sliver is card: woods light enough to be taken for it, maple among
them, send back at most two thirds as much blue as red (common practice, no source). Paper's like is 1, less where a
phone smears the colours of wood into it."""
BESIDE_PX = 6.0
"""To each side of the sliver the darkest light is looked for so far: three standard deviations of blur, and its own
half."""


def is_white(photo: Photo, plane: Plane, sheet: Sheet, lines: StringAndFoot, pitch: float) -> bool:
    """Whether the sliver between both lines has the card's own colour; `pitch` is a pixel on the card, mm."""
    blue, red = (_over_card(photo, plane, sheet, lines, pitch, channel) for channel in (BLUE, RED))
    return blue >= LEAST_BLUE * red


def _over_card(photo: Photo, plane: Plane, sheet: Sheet, lines: StringAndFoot, pitch: float, channel: int) -> float:
    """Light of the sliver above what lies beside it, summed across, over the card's; 0 outside the photo."""
    x = np.arange(lines.foot.first, lines.foot.last, 2.0 * pitch)
    middle = (lines.under.y(x) + lines.foot.y(x)) / 2.0
    reach, step = 2.0 * BESIDE_PX * pitch, pitch / 2.0
    y = np.arange(middle.max() + reach, middle.min() - reach, -step)
    plain = -sheet.print_foot - BELOW_PRINT_MM - np.arange(0.0, PLAIN_MM, pitch)
    light, card = (straightened(photo, plane, x, rows, channel) for rows in (y, plain))
    if light is None or card is None:
        return 0.0
    n = round(2.0 * BESIDE_PX)
    rows = np.round((y[0] - middle) / step).astype(int)[None, :] + np.arange(-n, n + 1)[:, None]
    across = np.asarray(light[rows.clip(0, len(y) - 1), np.arange(len(x))[None, :]].mean(axis=1), dtype=np.float64)
    i, j = int(np.argmin(across[: n + 1])), n + int(np.argmin(across[n:]))
    beside = np.interp(np.arange(i, j + 1), [i, j], [across[i], across[j]])
    return float((across[i : j + 1] - beside).sum()) / max(float(np.median(card)), 1e-6)
