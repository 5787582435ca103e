"""Worn flats on drawn frets of known wear: found, measured, covered by their uncertainty, or said to be unseen."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import chdtri

from inspect_app.measure.plan import flat_doubts, flats
from inspect_app.measure.plan.crown_arc import CrownArc
from inspect_app.measure.plan.flat_outline import fit_outlines
from inspect_app.measure.plan.flat_picture import half_widths
from inspect_app.measure.plan.flat_size import flat_size, length_at, length_slope
from inspect_app.measure.plan.flats import FlatSearch, measure_flats, search_flats
from inspect_app.measure.plan.fret_patch import FretPatch
from inspect_app.measure.plan.reference_crown import crown_view, fit_reference
from inspect_app.measure.plan.strings import StringCrossing
from inspect_app.reading.inspection import Flat
from inspect_app.reading.key import NotMeasured, parse_key
from shared.flags import FLAGS
from shared.measured import Measured
from shared.trade import FLAT_FROM_MM
from tests.conftest import rest_slow
from tests.inspect_app.measure.plan.flat_pictures import Hollow, Lamp, Scene, find_flats, frame_of, patch_of

CHORDS = tomllib.loads((Path(__file__).parents[3] / "reference" / "flat_chords.toml").read_text())["crown"]
SIDE = (Lamp(5.0, 25.0, 30.0, 0.8),)
PAIR = (Lamp(3.0, 35.0, 14.0, 0.7), Lamp(-3.0, -35.0, 14.0, 0.7))
OVERHEAD = (Lamp(0.0, 2.0, 24.0, 0.5),)
WORN = (Hollow(6.0, 3.4, 0.12), Hollow(14.5, 2.4, 0.2), Hollow(23.0, 4.5, 0.08))
LIGHTS = {"side": Scene(WORN, SIDE), "pair": Scene(WORN, PAIR, 0.3), "overhead": Scene(WORN, OVERHEAD, 0.35)}
SHORT = Scene((Hollow(6.0, 3.0, 0.12),), PAIR, 0.3, length=12.0)


def arc_of(width: float = 2.4, height: float = 1.15) -> CrownArc:
    return CrownArc(width, height, 0.0, 0.02, height_known=True)


def outcome(scene: Scene) -> tuple[Flat, ...]:
    return find_flats(patch_of(scene)).flats


def test_a_run_without_any_outline_is_no_flat_and_leaves_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    outlines_of = flats.coarse_outlines
    runs = iter(range(len(WORN)))
    monkeypatch.setattr(flats, "coarse_outlines", lambda *asked: [] if next(runs) == 1 else outlines_of(*asked))
    found = outcome(LIGHTS["side"])
    places = [hollow.place for n, hollow in enumerate(WORN) if n != 1]
    assert [f.from_treble_end.value for f in found] == pytest.approx(places, abs=0.3)


@pytest.mark.parametrize("light", LIGHTS)
def test_each_flat_is_found_where_it_is_as_long_and_as_wide_as_it_is(light: str) -> None:
    scene = LIGHTS[light]
    flats = outcome(scene)
    assert len(flats) == 3
    for flat, hollow in zip(flats, WORN, strict=True):
        assert flat.from_treble_end.value == pytest.approx(hollow.place, abs=2 * flat.from_treble_end.u)
        assert flat.length.value == pytest.approx(hollow.length_at(scene.radius), abs=0.25)
        assert flat.width.value == pytest.approx(hollow.width(scene.radius), abs=0.1)


LOPSIDED = Hollow(14.5, 3.0, 0.15, lopsided=0.4)
BLUNT = Hollow(14.5, 3.6, 0.12, power=4.0)
NARROW = Hollow(14.5, 3.6, 0.15, narrow=1.3)


@pytest.mark.slow
@pytest.mark.parametrize("light", [SIDE, PAIR], ids=["side", "pair"])
@pytest.mark.parametrize("hollow", [LOPSIDED, BLUNT, NARROW], ids=["lopsided", "flat-floored", "narrow"])
def test_a_hollow_of_any_shape_is_placed_where_it_is_deepest_and_is_as_long_as_it_is(
    hollow: Hollow, light: tuple[Lamp, ...]
) -> None:
    scene = Scene((hollow,), light, 0.3)
    (flat,) = outcome(scene)
    assert abs(flat.from_treble_end.value - hollow.place) <= 2.5 * flat.from_treble_end.u
    assert flat.from_treble_end.value == pytest.approx(hollow.place, abs=0.35)
    assert flat.length.value == pytest.approx(hollow.length_at(scene.radius), abs=0.2)
    assert flat.width.value == pytest.approx(hollow.width(scene.radius), abs=0.12)
    assert abs(flat.width.value - hollow.width(scene.radius)) <= flat.width.expanded


def test_another_outline_that_explains_as_much_widens_the_uncertainty() -> None:
    found = search_flats(patch_of(SHORT))
    assert isinstance(found, FlatSearch)
    (fit,) = found.fits
    longer = fit.params + np.log([1.0, 1.5, 0.8, 1.0, 1.0, 1.0, 1.0])
    rival = dataclasses.replace(fit, params=longer, log_ratio=0.95 * fit.log_ratio)
    far_behind = dataclasses.replace(fit, log_ratio=0.5 * fit.log_ratio)
    alone, beside = (flats._with_rivals([fit, other], []) for other in (far_behind, rival))
    assert (alone.rivals, len(beside.rivals)) == ((), 1)
    sure, torn, other = (flat_size(f, found.patch, found.arc, found.view) for f in (alone, beside, rival))
    for of in ("length", "width"):
        assert getattr(torn, of).expanded >= abs(getattr(torn, of).value - getattr(other, of).value)
        assert getattr(torn, of).u > 1.5 * getattr(sure, of).u


def test_depth_is_worked_out_from_width_and_says_so() -> None:
    for flat, hollow in zip(outcome(LIGHTS["side"]), WORN, strict=True):
        assert flat.depth is not None
        assert "INDIRECT" in flat.depth.flags
        assert abs(flat.depth.value - hollow.depth) <= 3 * flat.depth.u
        assert flat.depth.u / flat.depth.value > flat.width.u / flat.width.value


def test_no_depth_without_the_crowns_height() -> None:
    flats = find_flats(patch_of(SHORT, height_known=False)).flats
    assert len(flats) == 1
    assert flats[0].depth is None


@pytest.mark.parametrize("seed", rest_slow(range(4)))
@pytest.mark.parametrize("lamps", [SIDE, PAIR, OVERHEAD], ids=["side", "pair", "overhead"])
def test_an_unworn_fret_has_no_flats(lamps: tuple[Lamp, ...], seed: int) -> None:
    scratched = 1.5 if seed % 2 else 0.0
    assert outcome(Scene((), lamps, 0.3, length=20.0, scratches=scratched, grain=0.05, seed=seed)) == ()


def test_a_flat_whose_length_is_anybodys_guess_is_not_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    def vague(*asked):
        return [dataclasses.replace(fit, cov=1e4 * fit.cov) for fit in fit_outlines(*asked)]

    monkeypatch.setattr("inspect_app.measure.plan.flats.fit_outlines", vague)
    said = find_flats(patch_of(LIGHTS["side"]))
    assert said.flats == ()
    assert sum("can't be told from scratches" in n.reason for n in said.not_measured) == 3


@pytest.mark.slow
def test_flats_fitted_together_do_not_know_of_each_other(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple] = []

    def noted(*question):
        asked.append(question)
        return fit_outlines(*question)

    monkeypatch.setattr("inspect_app.measure.plan.flats.fit_outlines", noted)
    find_flats(patch_of(LIGHTS["side"]))
    view, reference, arc, starts, extents, _ = asked[0]
    assert len({round(last - first, 1) for first, last in extents}) > 1  # windows of unlike lengths
    together = fit_outlines(view, reference, arc, starts, extents)
    alone = [fit_outlines(view, reference, arc, [s], [edge])[0] for s, edge in zip(starts, extents, strict=True)]
    # alone, a fit ends as soon as its own steps are below a hundredth
    np.testing.assert_allclose([f.params for f in together], [f.params for f in alone], atol=0.01)
    np.testing.assert_allclose([f.log_ratio for f in together], [f.log_ratio for f in alone], rtol=0.01)
    traced = [[(f.traced_length, f.traced_half_width) for f in fits] for fits in (together, alone)]
    np.testing.assert_allclose(*traced, atol=2.0 * view.row_mm)


def test_even_light_is_said_to_hide_flats() -> None:
    """No lamp, a rough crown, a room alike from everywhere: nothing found, and the reason given."""
    found = find_flats(patch_of(Scene((Hollow(6.0, 3.0, 0.05),), (), 0.5, length=12.0, noise=0.02, grain=0.1)))
    assert found.flats == ()
    assert [n.what for n in found.not_measured] == [parse_key("fret 5, flats")]
    assert "would not show" in found.not_measured[0].reason


def test_a_fret_levelled_all_along_is_not_called_unworn() -> None:
    """Its flat looks the same from end to end, so nothing bulges: then what could not be seen has to be said."""
    found = find_flats(patch_of(Scene((), (), 0.4, level=0.1, length=20.0)))
    assert found.flats == ()
    assert found.not_measured


def test_one_boundary_is_enough_and_is_flagged() -> None:
    """Lit from one side, the other boundary lies between equal tones."""
    lit = SHORT.but(lamps=(Lamp(3.0, 35.0, 20.0, 0.8, 1.0),), hollows=(Hollow(6.0, 3.5, 0.1),), grain=0.01)
    (flat,) = outcome(lit)
    assert "ONE_SIDED" in flat.width.flags
    assert flat.width.value == pytest.approx(SHORT.hollows[0].width(SHORT.radius), abs=0.15)
    assert flat.width.u > outcome(SHORT)[0].width.u
    part = {c.source: c.u for c in flat.width.contributions}
    assert part["mirrored side"] > 0.0
    # both edges of the crown are known to 0.02 mm, and so is its top; the width changes by twice of that
    assert math.hypot(part["mirrored side"], part["boundary noise"]) >= 2.0 * math.hypot(0.01, 0.02)
    assert {c.source: c.u for c in outcome(SHORT)[0].width.contributions}["mirrored side"] == 0.0


def test_every_flag_is_registered() -> None:
    for flat in (*outcome(LIGHTS["side"]), *outcome(LIGHTS["overhead"])):
        assert set(flat.width.flags) <= FLAGS.keys()


def test_contributions_are_named_and_make_up_the_whole() -> None:
    (flat,) = outcome(SHORT)
    named = {c.source for c in flat.width.contributions}
    boundary = {"boundary noise", "boundary definition", "burnt out tones", "mirrored side"}
    assert named == boundary | {"outline", "rival outline", "rows", "scale"}
    assert {c.source for c in flat.length.contributions} == named | {"faint ends"}
    assert flat.width.u == pytest.approx(math.hypot(*(c.u for c in flat.width.contributions)))


def test_a_string_across_the_flat_is_looked_past() -> None:
    crossed = SHORT.but(hollows=(Hollow(6.0, 4.4, 0.15),), strings=(6.0,))
    (flat,) = outcome(crossed)
    assert flat.width.value == pytest.approx(crossed.hollows[0].width(crossed.radius), abs=0.15)
    assert flat.length.value == pytest.approx(crossed.hollows[0].length_at(crossed.radius), abs=0.4)


def test_under_a_known_string_and_beside_it_nothing_is_read_and_that_is_said() -> None:
    crossed = LIGHTS["side"].but(strings=(14.5,))
    found = measure_flats(search_flats(patch_of(crossed), (StringCrossing(14.5, 0.3),)))
    assert [round(f.from_treble_end.value) for f in found.flats] == [6, 23]
    (said,) = found.not_measured
    assert said.what == parse_key("fret 5, flats")
    assert "Strings cross the fret 14 mm from the treble end" in said.reason
    assert "take the strings off or slacken them and move them aside" in said.reason


def test_a_string_on_an_unworn_crown_is_no_flat() -> None:
    assert outcome(SHORT.but(hollows=(), strings=(6.0,))) == ()


def test_a_flat_mostly_under_the_scale_is_not_guessed() -> None:
    frame = frame_of(SHORT)
    cover = frame.to_px([-3.0, -3.0, 5.9, 5.9], [-3.0, 3.0, 3.0, -3.0], SHORT.height)
    found = find_flats(patch_of(SHORT, (cover,)))
    assert found.flats == ()


def test_a_flat_partly_under_the_scale_is_flagged() -> None:
    scene = SHORT.but(hollows=(Hollow(5.0, 3.6, 0.15),))
    cover = frame_of(scene).to_px([-3.0, -3.0, 3.4, 3.4], [-3.0, 3.0, 3.0, -3.0], scene.height)
    (flat,) = find_flats(patch_of(scene, (cover,))).flats
    assert "COVERED" in flat.length.flags
    assert flat.width.value == pytest.approx(scene.hollows[0].width(scene.radius), abs=0.15)


def test_outlines_lie_on_the_flat_in_the_photo() -> None:
    scene = LIGHTS["pair"]
    found = find_flats(patch_of(scene))
    frame = frame_of(scene)
    for k, (outline, hollow) in enumerate(zip(found.outlines, WORN, strict=True), 1):
        assert (outline.name, outline.closed, outline.of) == ("flat", True, parse_key(f"fret 5, flats {k}"))
        at = frame.to_fret(np.array(outline.points), scene.height - hollow.depth)
        assert np.ptp(at[:, 1]) == pytest.approx(hollow.width(scene.radius), abs=0.1)
        assert np.mean(at[:, 0]) == pytest.approx(hollow.place, abs=0.15)


def test_without_crown_edges_or_with_hardly_any_crown_nothing_is_guessed() -> None:
    patch = patch_of(SHORT)
    blind = find_flats(dataclasses.replace(patch, crown_width=NotMeasured(parse_key("fret 5, crown width"), "lost")))
    stub = find_flats(dataclasses.replace(patch, along_mm=patch.along_mm[:40], light=patch.light[:40]))
    covered = find_flats(dataclasses.replace(patch, valid=np.zeros_like(patch.valid)))
    for found in (blind, stub, covered):
        assert found.flats == ()
        assert found.not_measured[0].what == parse_key("fret 5, flats")


def test_nothing_handed_in_is_changed() -> None:
    patch = patch_of(SHORT)
    for a in (patch.light, patch.valid, patch.along_mm, patch.across_mm):
        a.flags.writeable = False
    before = patch.light.copy()
    assert find_flats(patch) == find_flats(patch)
    assert np.array_equal(patch.light, before)


@pytest.mark.parametrize("aside", [-0.03, 0.03])
def test_a_centre_line_slightly_off_moves_a_width_by_less_than_its_uncertainty(aside: float) -> None:
    patch = patch_of(LIGHTS["side"])
    moved = dataclasses.replace(patch, across_mm=patch.across_mm + aside)
    found = find_flats(patch).flats
    assert len(found) == len(WORN)
    for a, b in zip(found, find_flats(moved).flats, strict=True):
        assert abs(a.width.value - b.width.value) <= 2 * b.width.u


@pytest.mark.parametrize("crown", CHORDS, ids=lambda c: f"{c['width_mm']}x{c['height_mm']}")
def test_depth_of_a_flat_against_the_circular_segment(crown: dict) -> None:
    """tests/reference/flat_chords.toml."""
    arc = arc_of(crown["width_mm"], crown["height_mm"])
    assert arc.radius == pytest.approx(crown["radius_mm"], abs=5e-6)
    for depth, flat in zip(crown["depth_mm"], crown["flat_mm"], strict=True):
        assert float(arc.depth(flat / 2.0)) == pytest.approx(depth, abs=5e-5)


@pytest.mark.parametrize("width", [0.31, 0.45, 0.9, 1.6])
@pytest.mark.parametrize(("q", "skew", "power"), [(0.75, 0.0, 2.0), (1.0, 0.4, 4.0), (1.3, -0.3, 1.6)])
def test_length_at_a_width_against_root_finding(width: float, q: float, skew: float, power: float) -> None:
    """scipy.optimize.brentq on the outline itself."""
    arc = arc_of()
    p = np.array([10.0, math.log(2.0), math.log(width), 0.0, math.log(q), skew, math.log(power / 2.0)])

    def over(y: float) -> float:
        return 2.0 * float(half_widths(p, np.array([y]), arc.radius)[0]) - FLAT_FROM_MM

    widest = 10.0 - 2.0 * skew
    assert length_at(p, arc) == pytest.approx(brentq(over, widest, 12.0) - brentq(over, 8.0, widest), abs=1e-6)
    assert length_at(p, arc, 1.01 * width) == 0.0
    by_differences = [(length_at(p + e, arc) - length_at(p - e, arc)) / 2e-5 for e in 1e-5 * np.eye(7)]
    assert length_slope(p, arc) == pytest.approx(by_differences, rel=1e-6, abs=1e-9)
    assert not length_slope(p, arc, 1.01 * width).any()


def test_outline_of_a_plain_hollow_is_the_arc_cut_by_its_floor() -> None:
    """With q = 1 the half-width is sqrt(2 r d - d^2) for a floor d = D (1 - s^2)^2, as the drawn frets have it."""
    scene, hollow = LIGHTS["side"], WORN[1]
    p = np.array([hollow.place, math.log(hollow.length / 2.0), math.log(hollow.width(scene.radius)), *[0.0] * 4])
    along = np.linspace(hollow.place - 1.1, hollow.place + 1.1, 41)
    d, _ = hollow.floor(along)
    assert half_widths(p, along, scene.radius) == pytest.approx(np.sqrt(2 * scene.radius * d - d * d), abs=2e-4)


def test_unworn_look_is_learnt_past_wear_over_half_the_fret() -> None:
    """Flats on half of all rows: the fitted look stays that of the unworn crown, drawn without them."""
    many = tuple(Hollow(4.0 + 5.2 * k, 2.0 + 0.3 * k, 0.1 + 0.03 * k) for k in range(5))
    worn, fresh = (view_of(patch_of(Scene(h, PAIR, 0.3))) for h in (many, ()))
    _, fitted = fit_reference(worn)
    middle = np.abs(worn.across_mm) < 0.8
    assert np.median(np.abs(fitted.tone - fresh.tone)[:, middle]) < 0.01
    assert np.quantile(np.abs(fitted.tone - fresh.tone)[:, middle], 0.95) < 0.05


def view_of(patch: FretPatch):
    view = crown_view(patch, SHORT.width, SHORT.height)
    assert view is not None
    return view


@dataclass(frozen=True)
class Trial:
    """One drawn scene: the flat that was drawn, and what was found."""

    scene: Scene
    flats: tuple[Flat, ...]
    said: bool

    @property
    def found(self) -> Flat | None:
        near = [f for f in self.flats if abs(f.from_treble_end.value - self.scene.hollows[0].place) < 1.5]
        return near[0] if near else None


def any_scene(seed: int) -> Scene:
    """Some wire, wear, camera and light, drawn by chance."""
    r = np.random.default_rng(seed)
    across, size, power = r.uniform(20.0, 40.0), r.uniform(10.0, 30.0), r.uniform(0.4, 1.6)
    lamps = (
        (Lamp(r.uniform(-8.0, 8.0), across * r.choice((-1, 1)), size, power),),
        (Lamp(r.uniform(-6.0, 6.0), across, 16.0, power), Lamp(r.uniform(-6.0, 6.0), -across, 16.0, power)),
        (Lamp(r.uniform(-4.0, 4.0), r.uniform(-6.0, 6.0), size, power),),
    )[seed % 3]
    return Scene(
        (Hollow(r.uniform(4.5, 7.5), r.uniform(2.2, 5.0), r.uniform(0.05, 0.22), *_shape(seed)),),
        lamps,
        room=r.uniform(0.12, 0.4),
        width=r.uniform(2.1, 2.9),
        height=r.uniform(1.05, 1.35),
        length=12.0,
        rough=r.uniform(1.5, 6.0),
        camera=(r.uniform(-30.0, 40.0), r.uniform(-50.0, 50.0), r.uniform(260.0, 420.0)),
        px_per_mm=r.uniform(16.0, 26.0),
        blur_px=r.uniform(0.7, 1.2),
        noise=r.uniform(0.002, 0.008),
        grain=r.uniform(0.01, 0.06),
        scratches=1.0 if seed % 5 == 0 else 0.0,
        seed=seed,
    )


def _shape(seed: int) -> tuple[float, float, float]:
    """Every other hollow plain, the others lopsided, narrow or flat-floored."""
    r = np.random.default_rng((seed, 1))
    return (r.uniform(-0.4, 0.4), r.uniform(1.6, 3.5), r.uniform(0.8, 1.3)) if seed % 2 else (0.0, 2.0, 1.0)


@pytest.fixture(scope="module")
def trials() -> list[Trial]:
    out = []
    for seed in range(100, 148):
        scene = any_scene(seed)
        found = find_flats(patch_of(scene))
        out.append(Trial(scene, found.flats, bool(found.not_measured)))
    return out


@pytest.mark.slow
def test_by_chance_scenes_are_read_or_declined_and_nothing_is_invented(trials: list[Trial]) -> None:
    """At most one in twelve missed without a word, one in twenty invented."""
    missed = sum(t.found is None and not t.said for t in trials)
    invented = sum(len(t.flats) - (t.found is not None) for t in trials)
    assert sum(t.found is not None for t in trials) >= 0.75 * len(trials)
    assert missed <= len(trials) / 12
    assert invented <= len(trials) / 20


def errors(trials: list[Trial], name: str) -> tuple[np.ndarray, np.ndarray]:
    """Errors and standard uncertainties of the flats found."""
    true = {
        "from_treble_end": lambda s: s.hollows[0].place,
        "length": lambda s: s.hollows[0].length_at(s.radius),
        "width": lambda s: s.hollows[0].width(s.radius),
    }[name]
    read: list[tuple[Measured, float]] = [(getattr(t.found, name), true(t.scene)) for t in trials if t.found]
    return np.array([m.value - v for m, v in read]), np.array([m.u for m, _ in read])


@pytest.mark.slow
@pytest.mark.parametrize(("name", "rms", "bias"), [("length", 0.4, 0.2), ("width", 0.15, 0.05)])
def test_by_chance_scenes_are_read_without_much_error_or_bias(
    trials: list[Trial], name: str, rms: float, bias: float
) -> None:
    error, _ = errors(trials, name)
    assert np.sqrt(np.mean(error**2)) < rms
    assert abs(np.mean(error)) < bias


@pytest.mark.slow
@pytest.mark.parametrize("name", ["from_treble_end", "length", "width"])
def test_uncertainty_covers_and_does_not_exaggerate(trials: list[Trial], name: str) -> None:
    """Errors inside 2 u about 95 times in 100 (85 allows for chance in 45 trials), and u not far beyond the errors."""
    error, u = errors(trials, name)
    assert np.mean(np.abs(error) <= 2.0 * u) >= 0.85
    assert np.sqrt(np.mean((error / u) ** 2)) > 0.3


def test_uncertainty_grows_with_blur_and_noise() -> None:
    poor = SHORT.but(px_per_mm=11.0, noise=0.02, blur_px=1.4)
    assert outcome(poor)[0].width.u > outcome(SHORT)[0].width.u


def test_a_picture_turned_on_its_head_reads_the_same() -> None:
    """The patch mirrored along and across is the same fret seen from the other side."""
    patch = patch_of(Scene(WORN, PAIR, 0.3, camera=(15.0, 0.0, 330.0)))
    turned = dataclasses.replace(patch, light=np.ascontiguousarray(cv2.rotate(patch.light, cv2.ROTATE_180)))
    there, back = find_flats(patch).flats, find_flats(turned).flats
    length = patch.frame.length_mm
    for a, b in zip(there, reversed(back), strict=True):
        assert a.from_treble_end.value == pytest.approx(length - b.from_treble_end.value, abs=0.1)
        assert a.width.value == pytest.approx(b.width.value, abs=2 * a.width.u)


def test_the_evidence_a_flat_needs_lies_beyond_chance() -> None:
    """Twice a log likelihood ratio of 11 free numbers is distributed as chi-square; 2000 places are tried on a fret."""
    by_chance = float(chdtri(11, 1e-3 / 2000)) / 2.0
    assert by_chance == pytest.approx(25.0, abs=1.0)
    assert 1.5 * by_chance <= flat_doubts.ACCEPT  # the noise is known to about a half
