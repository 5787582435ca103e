"""Flats beside burnt-out light: it blooms over their boundaries, and a phone that turns it down hides that it does."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from inspect_app.measure.plan.fret_patch import FretPatch
from inspect_app.measure.plan.reference_crown import crown_view
from tests.inspect_app.measure.plan.flat_pictures import Hollow, Lamp, Scene, find_flats, patch_of, photograph

WORN = (Hollow(6.0, 3.4, 0.12), Hollow(14.5, 2.4, 0.2), Hollow(23.0, 4.5, 0.08))
BURNT_OUT = Scene(WORN, (Lamp(0.0, 2.0, 24.0, 3.0),), 0.2)


def turned_down(scene: Scene, share: float) -> FretPatch:
    """The patch of a photo whose bright parts the camera turned down after the sensor had burnt them out."""
    photo = photograph(scene)
    bgr = np.round(share * photo.bgr).astype(np.uint8)
    return patch_of(scene, photo=dataclasses.replace(photo, bgr=bgr))


@pytest.mark.parametrize("share", [1.0, 0.88, 0.8])
def test_burnt_out_light_blooms_as_far_when_the_camera_turns_it_down(share: float) -> None:
    patch = turned_down(BURNT_OUT, share)
    view = crown_view(patch, BURNT_OUT.width, BURNT_OUT.height)
    assert view is not None
    assert np.mean(view.tone > view.burnt_from[:, None]) > 0.15
    found = find_flats(patch).flats
    assert len(found) == 3
    for flat, hollow in zip(found, WORN, strict=True):
        assert abs(flat.width.value - hollow.width(BURNT_OUT.radius)) <= flat.width.expanded
        (bloom,) = (c.u for c in flat.width.contributions if c.source == "burnt out tones")
        assert bloom > 0.01


def test_a_reflection_with_a_round_top_is_not_taken_for_a_burnt_out_one() -> None:
    for lamps in ((Lamp(5.0, 25.0, 12.0, 0.5),), (Lamp(0.0, 2.0, 12.0, 0.5),)):  # even lamps, softened by the metal
        view = crown_view(patch_of(Scene(WORN, lamps, 0.2)), 2.4, 1.15)
        assert view is not None
        assert view.tone.max() < 1.0
        assert np.mean(view.burnt_from < view.tone.max()) < 0.05
