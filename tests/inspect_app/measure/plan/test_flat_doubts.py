"""Flats that are told from scratches, from rivals and from what crosses the fret only with doubt."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from calib.edge_response import EdgeResponse
from inspect_app.measure.plan import flat_doubts, flat_outline, flats, recipe
from inspect_app.measure.plan.flat_outline import moved_outlines
from inspect_app.measure.plan.flat_picture import FlatParam, windows_of
from inspect_app.measure.plan.flat_size import flat_size, length_at
from inspect_app.measure.plan.flats import FlatSearch, measure_flats, search_flats
from inspect_app.measure.plan.fret_patch import FretPatch
from inspect_app.measure.plan.reference_crown import fit_reference
from inspect_app.reading.inspection import Flat
from shared.measured import Measured
from shared.trade import FLAT_FROM_MM
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
        said = flat_doubts._not_seen_whole(fit, found.arc, view)
        assert said.startswith(why)
        assert bool(said) == bool(why)


@pytest.mark.parametrize(("place", "read"), [(1.6, False), (2.2, True), (2.9, True), (9.8, True), (10.4, False)])
def test_a_flat_that_runs_out_at_the_frets_end_is_not_measured(place: float, read: bool) -> None:
    scene = SHORT.but(hollows=(Hollow(place, 3.0, 0.12),))  # its bevels hide a millimetre at either end
    found = measure_flats(search_flats(patch_of(scene)))
    assert len(found.flats) == read
    assert any("goes on past the crown in view" in n.reason for n in found.not_measured) != read
    for flat in found.flats:
        assert abs(flat.width.value - scene.hollows[0].width(scene.radius)) <= flat.width.expanded


@pytest.mark.parametrize(("length", "depth"), [(2.0, 0.25), (3.0, 0.3)])
def test_a_flat_in_a_soft_photo_is_found_by_one_who_knows_how_soft_it_is(length: float, depth: float) -> None:
    scene = SHORT.but(hollows=(Hollow(10.0, length, depth),), length=20.0, px_per_mm=12.0, blur_px=3.0)
    patch, (hollow,) = patch_of(scene), scene.hollows
    (flat,) = measure_flats(search_flats(patch, blur_px=scene.blur_px)).flats
    assert abs(flat.width.value - hollow.width(scene.radius)) <= flat.width.expanded
    assert abs(flat.length.value - hollow.length_at(scene.radius)) <= flat.length.expanded
    assert measure_flats(search_flats(patch)).flats == ()


def test_a_flat_that_is_faint_towards_an_end_may_end_anywhere_there() -> None:
    found = search_flats(patch_of(SHORT))
    assert isinstance(found, FlatSearch)
    (fit,), view = found.fits, found.view
    assert fit.faint_ends == (0.0, 0.0)
    w = windows_of(view, fit_reference(view)[1], found.arc, np.ones(1), [(0.0, 12.0)])
    w = dataclasses.replace(w, reference=np.full_like(w.reference, 0.5))
    half = 0.5 * (1.0 - ((view.along_mm - 6.0) / 3.0) ** 2)
    told = np.flatnonzero(half >= 0.5 * FLAT_FROM_MM)
    for faint in (0, 1, 2, 5):
        departs = np.where(np.arange(len(half)) > told[-1] - faint, 0.05, 0.3)
        light = (0.5 + departs) ** 2
        treble, bass = flat_outline._faint_ends(light.astype(np.float32), half, w, 0, view.row_mm)
        assert treble == 0.0
        assert bass == pytest.approx(max(0, faint - 1) * view.row_mm)
    doubted = dataclasses.replace(fit, faint_ends=(0.0, 0.9))
    sure, unsure = (flat_size(f, found.patch, found.arc, view).length for f in (fit, doubted))
    assert unsure.u == pytest.approx(np.hypot(sure.u, 0.9 / np.sqrt(3.0)))  # even spread
    farther = dataclasses.replace(fit, faint_ends=(0.0, 1.4))
    assert "can't be told" in flat_doubts._length_untold(farther, found.arc, view)


def test_a_glint_no_longer_than_the_rows_a_tone_is_told_from_is_not_measured() -> None:
    found = search_flats(patch_of(SHORT))
    assert isinstance(found, FlatSearch)
    (fit,), row = found.fits, found.view.row_mm
    for rows, too_short in ((2.5, True), (5.0, False)):
        params = fit.params.copy()
        params[FlatParam.LN_HALF_LENGTH] += np.log(rows * row / length_at(params, found.arc))
        said = flat_doubts._length_untold(
            dataclasses.replace(fit, params=params, cov=0.01 * fit.cov, rivals=()), found.arc, found.view
        )
        assert said.startswith("shows over too short") == too_short
        assert bool(said) == too_short


def test_a_flat_of_which_another_end_explains_as_much_is_not_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    others = np.array(moved_outlines(np.zeros(7)))
    half = np.exp(others[:, FlatParam.LN_HALF_LENGTH])
    ends = others[:, FlatParam.MIDDLE, None] + half[:, None] * [-1.0, 1.0]
    narrower, wider = [-1.0, 1.0], [-1.0, 1.0]  # as long
    np.testing.assert_allclose(ends, [narrower, wider, [0.0, 1.0], [-2.0, 1.0], [-1.0, 0.0], [-1.0, 2.0]])
    np.testing.assert_allclose(np.exp(others[:, FlatParam.LN_WIDTH]), [0.75, 1.25, 1.0, 1.0, 1.0, 1.0])
    sure = search_flats(patch_of(SHORT))
    monkeypatch.setattr(flats, "rough_fits", lambda *asked, together=True, held=None: [(p, 1e6) for p in asked[3]])
    unsure = search_flats(patch_of(SHORT))
    assert isinstance(sure, FlatSearch)
    assert isinstance(unsure, FlatSearch)
    assert (len(sure.fits), len(unsure.fits)) == (1, 0)
    assert "can't be told" in unsure.not_measured[0].reason


def test_a_flat_whose_side_lies_on_the_edge_of_a_lamps_band_may_be_wider(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the band it may be as dark as the crown: a wider outline then gathers as much evidence."""
    (sure,) = measure_flats(search_flats(patch_of(SHORT))).flats

    def no_worse(*asked: object, together: bool = True, held: object = None) -> list[tuple[np.ndarray, float]]:
        least = np.log(1.2 * sure.width.value)
        return [(p, 1e6 if p[FlatParam.LN_WIDTH] > least else -1e3 * k) for k, p in enumerate(asked[3])]

    monkeypatch.setattr(flats, "rough_fits", no_worse)
    (unsure,) = measure_flats(search_flats(patch_of(SHORT))).flats
    assert sure.width.expanded < 0.1 * sure.width.value
    assert 0.25 * unsure.width.value <= unsure.width.expanded < 0.3 * unsure.width.value


def test_a_length_is_as_sure_as_its_moved_ends_lose_evidence(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each end is moved by half the length and held there; the more evidence that costs, the surer the length."""
    asked_held: list[object] = []

    def losing(lost: float) -> Flat:
        def rough(*asked: object, together: bool = True, held: object = None) -> list[tuple[np.ndarray, float]]:
            asked_held.append(held)
            return [(p, sure.log_ratio - lost if held else -1e6) for p in asked[3]]

        monkeypatch.setattr(flats, "rough_fits", rough)
        (flat,) = measure_flats(search_flats(patch_of(SHORT))).flats
        return flat

    found = search_flats(patch_of(SHORT))
    assert isinstance(found, FlatSearch)
    (sure,) = found.fits
    few, many = losing(100.0), losing(400.0)
    assert [(), (), *[(FlatParam.MIDDLE, FlatParam.LN_HALF_LENGTH)] * 4] in asked_held
    assert few.length.value == many.length.value
    assert few.length.u > many.length.u


def test_a_short_deep_flat_that_mirrors_a_lamp_in_some_of_its_rows_is_as_wide_as_its_u_says() -> None:
    """Its floor turns by 20 degrees from row to row: a tone found from three rows together fits none of them."""
    hollow, lamp = Hollow(6.0, 1.05, 0.22, -0.03, narrow=1.5), Lamp(6.1, -40.0, 19.0, 0.86)
    scene = Scene((hollow,), (lamp,), 0.26, length=12.0, rough=2.4, camera=(6.0, -34.0, 330.0), px_per_mm=25.0)
    for seed in range(6):
        (flat,) = measure_flats(search_flats(patch_of(scene.but(seed=seed)))).flats
        assert abs(flat.width.value - hollow.width(scene.radius)) <= flat.width.expanded


def test_how_soft_a_photo_is_is_told_by_its_edges_and_without_any_by_its_crowns() -> None:
    def told(spread: float) -> EdgeResponse:
        return EdgeResponse(spread, 0.1, 0.0, 0.0, 1.2, 0.05, 0.9, (1.0, 1.0, 1.0), 100)

    assert recipe._blur_px(told(2.2), 1.0) == 2.2
    assert recipe._blur_px(told(0.7), 2.5) == 1.0  # a sharp photo's, the least
    assert recipe._blur_px(None, 2.5) == pytest.approx(2.0)  # times 0.8 px


def _toned(scene: Scene, place: float, length: float, by: float) -> FretPatch:
    """The patch of a photo whose light is changed by a share over some length of the fret, as local tone mapping does.

    Only what is brighter than the middle of its tones is: that is where a phone evens out light.
    """
    patch = patch_of(scene)
    fades = np.exp(-0.5 * ((patch.along_mm[:, None] - place) / (length / 2.0)) ** 4)
    bright = patch.light / (patch.light + np.median(patch.light))
    return dataclasses.replace(patch, light=(patch.light * (1.0 + by * fades * bright)).astype(np.float32))


@pytest.mark.parametrize(("length", "by", "lamp"), [(3.0, 0.06, 45.0), (5.0, 0.15, 60.0), (8.0, -0.15, 60.0)])
def test_a_crown_whose_bands_are_brighter_or_darker_for_a_stretch_is_not_worn_there(
    length: float, by: float, lamp: float
) -> None:
    unworn = Scene((), (Lamp(0.0, 0.0, lamp, 0.5),), 0.15, grain=0.01, noise=0.002)
    found = measure_flats(search_flats(_toned(unworn, 15.0, length, by)))
    assert found.flats == ()
    assert any("own bands of light" in n.reason for n in found.not_measured)


def test_a_flat_keeps_its_evidence_where_a_phone_changed_the_crowns_tones() -> None:
    worn = Scene((Hollow(15.0, 4.0, 0.12),), (Lamp(0.0, 0.0, 45.0, 0.5),), 0.15, grain=0.01, noise=0.002)
    (flat,) = measure_flats(search_flats(_toned(worn, 12.0, 5.0, 0.06))).flats
    assert abs(flat.width.value - worn.hollows[0].width(worn.radius)) <= flat.width.expanded


@pytest.mark.parametrize(("u_edge", "said"), [(0.02, False), (0.12, False), (0.4, True)])
def test_where_a_crowns_middle_may_lie_aside_a_flat_may_have_been_missed(u_edge: float, said: bool) -> None:
    unworn = SHORT.but(hollows=(), length=20.0)
    patch = dataclasses.replace(patch_of(unworn), crown_width=Measured.of(unworn.width, "mm", edge=u_edge))
    found = measure_flats(search_flats(patch))
    assert found.flats == ()
    assert any("where its middle lies" in n.reason for n in found.not_measured) == said
