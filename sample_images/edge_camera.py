"""What a camera makes of the light across a crown's foot: pixels, blur, sharpening, noise, and coarser colour."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.plan.edge_classifier import FootProfile
from sample_images.edge_light import DARK, GRID_MM, LUMINANCE, STREAK, draw_section, light_across, smoothed, tint

__all__ = ["photographed", "draw_edges"]

Floats = NDArray[np.float64]
Rng = np.random.Generator

_LUMA = np.array([0.299, 0.587, 0.114])
"""Of coded red, green and blue, as JPEG files keep it (JFIF 1.02, section 7)."""


def photographed(rng: Rng, across: tuple[Floats, Floats, Floats], view: float, bench: bool = False) -> FootProfile:
    """The mean of many rows of a photo: exposed, blurred, sampled, sharpened, with noise and the board's grain left.

    `across` is what `light_across` gives.
    """
    at, light, grain = across
    px_per_mm = math.exp(rng.uniform(math.log(9.0), math.log(38.0)))
    exposure = math.exp(rng.uniform(-4.2, -0.6)) / np.median(LUMINANCE @ light[:, at > 0.8])
    balance = exposure * (_cast(rng) if bench else _balanced(rng))[:, None]
    blur = math.hypot(rng.uniform(0.5, 1.1), rng.choice([0.0, 0.4]) * rng.random()) / px_per_mm
    places = np.arange(at[0] + rng.uniform(0.5, 1.5) / px_per_mm, at[-1] - 0.5 / px_per_mm, 1.0 / px_per_mm)
    camera = blur, px_per_mm, _sharpening(rng) if bench else (rng.uniform(0.0, 0.8), 1.2)
    halved = int(rng.integers(0, 2)) if rng.random() < 0.7 else None  # most cameras keep colour at half the pixels
    kept = halved, float(rng.random() < 0.5) * rng.uniform(0.3, 2.5)  # and phones smooth its noise away
    lighter = light + STREAK * grain
    developed, lit = (_kept(_developed(at, v * balance, places, camera), kept) for v in (light, lighter))
    y, streaked = (np.log(LUMINANCE @ v + DARK) for v in (developed, lit))
    varies, u = _varying((streaked - y) / STREAK, places, px_per_mm, rng)
    y = y + rng.normal(0.0, rng.uniform(0.002, 0.012), len(y))
    left = smoothed(rng.standard_normal(len(y)), rng.uniform(0.1, 0.5) * px_per_mm / 2.0)
    left *= rng.uniform(0.0, 0.03) / (left.std() + 1e-9)
    warmth = _warmth(developed, px_per_mm, rng)
    return FootProfile(places, y + np.where(places > 0.0, left, 0.3 * left), varies, u, warmth, px_per_mm, view)


def _balanced(rng: Rng) -> Floats:
    """Red, green and blue that a camera set to the light leaves of white."""
    return tint(rng.normal(0.0, 0.08), rng.uniform(0.3, 0.7))


def _cast(rng: Rng) -> Floats:
    """Red, green and blue that the camera's white balance leaves of white: next to none, or up to all of the light's.

    Lamps of 2700 K to daylight of 8000 K by a camera set to 6500 K: by Planck's law the logarithm of red over blue in
    linear sRGB falls about evenly over the reciprocal temperature, by 0.0109 for each 1e-6 / K, two fifths of it
    between red and green.
    """
    balanced = _balanced(rng)
    if rng.random() < 0.5:
        return balanced
    return balanced * tint(rng.uniform(0.0, 1.0) * 0.0109 * (rng.uniform(125.0, 370.0) - 154.0), 0.4)


def _sharpening(rng: Rng) -> tuple[float, float]:
    """Strength and reach (px) of a camera's sharpening: little as a rule, and visible halos from a phone in three."""
    if rng.random() < 0.67:
        return rng.uniform(0.0, 0.8), 1.2
    return rng.uniform(0.3, 1.5), rng.uniform(0.8, 2.2)


def _developed(at: Floats, exposed: Floats, places: Floats, camera: tuple[float, float, tuple[float, float]]) -> Floats:
    """Coded red, green and blue of a photo's profile, shape (3, n): blur (mm), pixels to the millimetre, sharpening."""
    blur, px_per_mm, (sharpen, reach) = camera
    half, ends, out = 0.5 / px_per_mm, np.append(at, at[-1] + GRID_MM) - GRID_MM / 2.0, []
    for colour in exposed:
        soft = smoothed(np.minimum(colour, 60.0), blur / GRID_MM)
        total = np.concatenate([[0.0], np.cumsum(soft)]) * GRID_MM
        pixels = (np.interp(places + half, ends, total) - np.interp(places - half, ends, total)) / (2.0 * half)
        code = _coded(np.clip(pixels, 0.0, 1.0))
        out.append(np.clip(code + sharpen * (code - smoothed(code, reach)), 0.0, 1.0))
    return np.array(out)


def _kept(code: Floats, kept: tuple[int | None, float]) -> Floats:
    """Linear light of a profile as a JPEG file keeps it: what is not brightness smoothed, and the mean of two pixels.

    Read back by straight lines between those means. `kept` is the first pixel of a pair, ``None`` where all pixels are
    kept, and how far colour is smoothed (standard deviation, px).
    """
    halved, soft = kept
    brightness = _LUMA @ code
    colour, n = code - brightness, code.shape[1]
    if soft:
        colour = np.stack([smoothed(c, soft) for c in colour])
    if halved is not None:
        first = np.arange(halved, n - 1, 2)
        means = (colour[:, first] + colour[:, first + 1]) / 2.0
        colour = np.stack([np.interp(np.arange(n), first + 0.5, c) for c in means])
    return _decoded(np.clip(brightness + colour, 0.0, 1.0))


def _warmth(light: Floats, px_per_mm: float, rng: Rng) -> Floats:
    """Logarithm of red over blue, with noise and streaks of colour; a photo in twelve is grey."""
    if rng.random() < 1.0 / 12.0:
        return np.zeros(light.shape[1])
    warm = np.log((light[0] + DARK) / (light[2] + DARK))
    noise = smoothed(rng.standard_normal(len(warm)), rng.uniform(0.3, 1.0))
    noise *= math.exp(rng.uniform(math.log(0.001), math.log(0.03))) / (noise.std() + 1e-9)
    left = smoothed(rng.standard_normal(len(warm)), rng.uniform(0.1, 0.5) * px_per_mm / 2.0)
    return np.asarray(warm + noise + left * rng.uniform(0.0, 0.04) / (left.std() + 1e-9))


def _varying(true: Floats, places: Floats, px_per_mm: float, rng: Rng) -> tuple[Floats, float]:
    """The grain as read from a photo: with noise, worse on metal, or not at all; and not quite that of the open board.

    Wood alters along the neck, and dirt, lacquer and scratches beside a fret are streaked in their own way.
    """
    u = math.exp(rng.uniform(math.log(0.01), math.log(0.5)))
    if rng.random() < 0.1:
        return rng.normal(0.0, 1.0, len(true)), 1.0
    same_wire = np.exp(-np.abs(places - places[-1]) / math.exp(rng.uniform(math.log(3.0), math.log(40.0))))
    own = smoothed(rng.standard_normal(len(true)), rng.uniform(0.05, 0.4) * px_per_mm / 2.0)
    own *= rng.uniform(0.0, 0.15) / (own.std() + 1e-9)
    worse = np.where(places > 0.0, 1.0, rng.uniform(1.0, 3.0))
    return true * same_wire + own + u * worse * rng.standard_normal(len(true)), u * math.exp(rng.normal(0.0, 0.2))


def _coded(light: Floats) -> Floats:
    """IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


def _decoded(code: Floats) -> Floats:
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def _gap(rng: Rng, at: Floats) -> Floats:
    """What a thin dark gap beside the foot leaves of the light; one fret in twenty has one."""
    gap = rng.random() < 0.05
    return np.asarray(1.0 - gap * rng.uniform(0.2, 0.7) * ((at > 0.0) & (at < rng.uniform(0.01, 0.07))))


def _fading(rng: Rng, at: Floats) -> Floats:
    """What is left of the board's grain inside the metal, which is scratched and mirrors it askew: less farther in."""
    return np.asarray(np.exp(np.minimum(at, 0.0) / math.exp(rng.uniform(math.log(0.1), math.log(3.0)))))


def draw_edges(count: int, seed: int | tuple[int, int], bench: bool = False) -> list[FootProfile]:
    """So many edges, each fret under its own light photographed twice.

    On a `bench` there is dirt along every other fret, the camera is not set to the light, and phones sharpen.
    """
    rng = np.random.default_rng(seed)
    out: list[FootProfile] = []
    while len(out) < count:
        s = draw_section(rng, bench)
        at, light, grain = light_across(s)
        gap = _gap(rng, at)
        out += [photographed(rng, (at, light * gap, grain * gap * _fading(rng, at)), s.view, bench) for _ in range(2)]
    return out[:count]
