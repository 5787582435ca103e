"""Flats that could be taken for something else: many close together, and one of which only a slope shows."""

from __future__ import annotations

import numpy as np

from inspect_app.measure.plan.reference_crown import CrownView, crown_view, fit_reference
from tests.inspect_app.measure.plan.flat_pictures import Hollow, Lamp, Scene, find_flats, patch_of


def _view(scene: Scene) -> CrownView:
    view = crown_view(patch_of(scene), scene.width, scene.height)
    assert view is not None
    return view


def test_unworn_look_is_not_learnt_from_flats_that_lie_close_together() -> None:
    """Four flats with a tenth of their length between them: what lies between is crown, not one bright flat."""
    near = tuple(Hollow(16.0 + 6.0 * k, 5.3, 0.043) for k in range(4))
    scene = Scene(
        (Hollow(4.0, 3.0, 0.05), *near, Hollow(42.0, 2.5, 0.04)),
        (Lamp(-2.0, 16.0, 18.0, 1.6, soft=8.0),),
        0.32,
        length=46.0,
        camera=(22.0, 20.0, 330.0),
        rough=5.1,
    )
    worn, fresh = (_view(s) for s in (scene, scene.but(hollows=())))
    _, fitted = fit_reference(worn)
    assert np.quantile(np.abs(fitted.tone - fresh.tone), 0.95) < 0.03
    found = find_flats(patch_of(scene)).flats
    assert len(found) == len(scene.hollows)
    for flat, hollow in zip(found, scene.hollows, strict=True):
        assert abs(flat.width.value - hollow.width(scene.radius)) < 2.0 * flat.width.u
        assert abs(flat.length.value - hollow.length_at(scene.radius)) < 2.0 * flat.length.u


GLINT = Scene(
    (Hollow(10.0, 3.0, 0.05), Hollow(24.0, 1.21, 0.116)),
    (Lamp(-23.0, -4.0, 10.0, 1.2),),
    0.15,
)
"""A room as even as the crown, and a lamp beyond the nut end that only the steep side of a short hollow mirrors."""


def test_a_short_flat_of_which_only_a_slope_glints_has_no_length() -> None:
    """Its other slope looks like the crown: the glint is half as long as the flat."""
    found = find_flats(patch_of(GLINT))
    assert not [f for f in found.flats if abs(f.from_treble_end.value - 24.0) < 1.5]
    assert any("about 24 mm" in n.reason and "glints" in n.reason for n in found.not_measured)


def test_a_short_flat_that_shows_whole_has_one() -> None:
    """The same hollow under a lamp to the side, which its level parts do not mirror and the crown beside it does."""
    found = find_flats(patch_of(GLINT.but(lamps=(Lamp(0.0, 18.0, 20.0, 2.0),))))
    short = [f for f in found.flats if abs(f.from_treble_end.value - 24.0) < 1.5]
    assert len(short) == 1
    assert abs(short[0].length.value - GLINT.hollows[1].length_at(GLINT.radius)) < short[0].length.expanded
