"""Which edge of a hollow's flat was followed: told by the light across it, on drawn photos and on drawn light."""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from inspect_app.instrument.crown import drop_from_depth
from inspect_app.measure import measure
from inspect_app.measure.backdrop.flat_edges import AcrossHollow, near_edge_odds, near_edge_probabilities
from tests.inspect_app.measure.backdrop.fret_pictures import Scene, draw, scene_ask

PIXEL, BLUR, RADIUS, ELEVATION = 0.016, 0.018, 1.4, math.radians(5.0)


def across(depth, flat, edge, seed=0):
    """Light across a hollow `depth` deep whose flat has a tone `flat`, its far (1) or near (-1) edge followed."""
    fine = np.arange(0.25, -0.35, -PIXEL / 16.0)
    far, near = (-float(drop_from_depth(depth, RADIUS, s * ELEVATION)) for s in (1.0, -1.0))
    metal = 0.45 + 0.3 * np.sqrt(np.maximum(-fine, 0.0))
    unworn = np.where(fine > 0.0, 0.7, metal)
    hollow = np.where(fine > far, 0.7, np.where(fine > near, flat, metal))
    noise = np.random.default_rng(seed).normal(0.0, 0.001, (2, len(fine[4::8])))
    here, beside = (
        gaussian_filter1d(v, 16.0 * BLUR / PIXEL)[4::8] + n for v, n in zip((hollow, unworn), noise, strict=True)
    )
    return AcrossHollow(fine[4::8], here, beside, BLUR, PIXEL, RADIUS, ELEVATION, -far if edge > 0.0 else -near)


@pytest.mark.parametrize("depth", [0.03, 0.06, 0.12])
@pytest.mark.parametrize("seed", range(3))
def test_a_flat_nearly_as_bright_as_the_card_was_followed_along_its_near_edge(depth, seed):
    assert near_edge_odds(across(depth, 0.62, -1.0, seed=seed)) > math.log(100.0)


@pytest.mark.parametrize("depth", [0.06, 0.12, 0.25])
@pytest.mark.parametrize("flat", [0.35, 0.45, 0.5])
def test_a_flat_like_the_metal_was_followed_along_its_far_edge(depth, flat):
    assert near_edge_odds(across(depth, flat, 1.0)) < math.log(100.0)


def test_an_outline_above_every_flats_near_edge_is_none():
    a = across(0.002, 0.6, 1.0)
    assert a.drop < drop_from_depth(0.0, RADIUS, -a.elevation)
    assert near_edge_odds(a) == -math.inf


def test_one_flat_alone_takes_more_to_be_believed_than_one_of_several_alike():
    (alone,) = near_edge_probabilities([5.0])
    assert alone < 0.02
    several = near_edge_probabilities([5.0, 6.0, 5.5, -1.0])
    assert min(several[:3]) > 0.98
    assert several[3] < 0.5  # its own light says otherwise, and the others make it likely up to even
    assert near_edge_probabilities([5.0, -math.inf])[1] == 0.0


@pytest.mark.slow
def test_polished_flats_that_mirror_the_card_are_read_by_their_near_edge():
    """Followed as far edges, they would be read two to three times as deep."""
    divots = ((-12.0, 0.05, 3.2), (-4.0, 0.04, 3.0), (4.0, 0.06, 3.4), (12.0, 0.05, 3.0))
    scene = Scene(divots=divots, metal=165, flat=214, focal_px=12000.0, size=(4000, 2600), blur=0.9, noise=0.8)
    photo, _ = draw(scene, over=1)
    (fret,) = measure(photo, scene_ask(scene)).frets
    assert len(fret.divots) >= 3
    for divot in fret.divots:
        at = divot.from_treble_end.value + scene.ends[0]
        true = min(divots, key=lambda d: abs(d[0] - at))[1]
        assert abs(divot.depth.value - true) <= 2.0 * divot.depth.u
        assert divot.depth.value < 1.5 * true
