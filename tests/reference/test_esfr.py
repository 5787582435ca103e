"""The e-SFR of ISO 12233:2014 (6.2.4, 6.2.5, annex D) on an analytic edge: ours, and the edge finder's blur."""

import math

import numpy as np
import pytest
from scipy.special import ndtr

from calib.edges import locate_steps, row_offsets
from calib.slanted_edge import mtf50

SLANT = math.radians(5.0)
SIZE = 100
GAUSS_MTF50 = 0.187390625  # cycles per pixel times sigma: sqrt(ln 2 / 2) / pi


def slanted_edge(sigma):
    """Light of pixels (SIZE, SIZE) beside an edge 5 degrees off upright, blurred, each the mean over its square."""
    fine = (np.arange(8) + 0.5) / 8.0 - 0.5
    y, x = np.mgrid[0:SIZE, 0:SIZE].astype(float) - SIZE / 2.0
    light = np.zeros((SIZE, SIZE))
    for dy in fine:
        for dx in fine:
            light += ndtr(((x + dx) * math.cos(SLANT) + (y + dy) * math.sin(SLANT)) / sigma) / len(fine) ** 2
    return light


def mtf50_by_iso_12233(light):
    """Bins of a quarter pixel, derivative [-1/2, 0, 1/2], Hamming window, DFT, the derivative's own response taken off.

    Along a row a distance across the edge is longer by 1 / cos of the slant; the bins lie across the edge itself.
    """
    y, x = np.mgrid[0:SIZE, 0:SIZE].astype(float) - SIZE / 2.0
    across = x * math.cos(SLANT) + y * math.sin(SLANT)
    k = np.round(across * 4.0).astype(int)
    half = 168  # 42 px: the window takes a little of a wide blur's tails
    inside = np.abs(k) <= half
    count = np.bincount((k[inside] + half).ravel(), minlength=2 * half + 1)
    esf = np.bincount((k[inside] + half).ravel(), light[inside].ravel(), minlength=2 * half + 1) / count
    lsf = np.convolve(esf, [0.5, 0.0, -0.5], "valid") * np.hamming(2 * half - 1)
    n = len(lsf)
    f = np.arange(n // 4) * 4.0 / n  # cycles per pixel, up to 1
    mtf = np.abs(np.fft.rfft(lsf))[: len(f)]
    mtf /= np.sinc(f / 2.0) * np.sinc(f / 4.0)  # the derivative's sin(w) / w, w = 2 pi k / n, and the bin's own width
    mtf /= mtf[0]
    below = int(np.argmax(mtf < 0.5))
    return f[below - 1] + (mtf[below - 1] - 0.5) / (mtf[below - 1] - mtf[below]) * (f[below] - f[below - 1])


@pytest.mark.parametrize("k", range(4))
def test_blur_of_the_edge_finder_agrees_with_the_e_sfr(published, k):
    """ISO 12233:2014; the analytic values stand in tests/reference/esfr.toml."""
    edge = published("esfr")["edge"][k]
    light = slanted_edge(edge["sigma_px"])
    sharpness = mtf50_by_iso_12233(light)
    assert sharpness == pytest.approx(edge["mtf50"], rel=0.01)
    offsets = row_offsets(12.0)
    rows = np.arange(10, 90)
    at = SIZE // 2 + np.round(-(rows - SIZE / 2.0) * math.tan(SLANT)).astype(int)
    steps = locate_steps(np.array([light[r, a - 12 : a + 13] for r, a in zip(rows, at, strict=True)]), offsets)
    assert len(offsets) == 25
    blur = float(np.median(steps.sigma)) * math.cos(SLANT)
    assert GAUSS_MTF50 / blur == pytest.approx(sharpness, rel=0.02)
    assert blur == pytest.approx(math.hypot(edge["sigma_px"], math.sqrt(1.0 / 12.0)), rel=0.02)  # and the pixel's own


@pytest.mark.parametrize("k", range(4))
def test_mtf50_of_an_analytic_edge(published, k):
    """ISO 12233: values of tests/reference/esfr.toml; pixels of a slanted edge, none between them."""
    edge = published("esfr")["edge"][k]
    light = slanted_edge(edge["sigma_px"])
    y, x = np.mgrid[0:SIZE, 0:SIZE].astype(float) - SIZE / 2.0
    across = x * math.cos(SLANT) + y * math.sin(SLANT)
    assert mtf50(across.ravel(), light.ravel(), 12.0) == pytest.approx(edge["mtf50"], rel=0.01)
