"""Flats that are told from scratches, from rivals and from what crosses the fret only with doubt."""

from __future__ import annotations

import dataclasses

import numpy as np

from inspect_app.measure.plan import flats
from inspect_app.measure.plan.flats import FlatSearch, search_flats
from tests.inspect_app.measure.plan.flat_pictures import Hollow, Lamp, Scene, patch_of

SHORT = Scene((Hollow(6.0, 3.0, 0.12),), (Lamp(3.0, 35.0, 14.0, 0.7), Lamp(-3.0, -35.0, 14.0, 0.7)), 0.3, length=12.0)


def test_an_outline_left_half_way_with_nearly_as_much_evidence_is_a_rival() -> None:
    plain, long, wide, faint = (np.zeros(7) + shift for shift in (0.0, 0.4, 0.8, 1.2))
    ranked = [(plain, 100.0), (long, 97.0), (wide, 95.0), (faint, 60.0)]
    (left,) = flats._left_rough(ranked)  # two are fitted to the end
    assert left is wide
    assert flats._left_rough(ranked[:2]) == []


def test_a_flat_that_ends_just_where_the_crown_is_hidden_is_not_measured() -> None:
    found = search_flats(patch_of(SHORT))
    assert isinstance(found, FlatSearch)
    (fit,), along = found.fits, found.view.along_mm
    first, last = fit.middle - fit.half_length, fit.middle + fit.half_length
    for hidden, why in (
        (along < first, "ends just where"),
        (along > last, "ends just where"),
        (along < first - 1.0, ""),
        (np.abs(along - fit.middle) < 0.2, ""),
    ):
        view = dataclasses.replace(found.view, clear=~hidden)
        said = flats._why_not(fit, found.arc, view)
        assert said.startswith(why)
        assert bool(said) == bool(why)
