"""What makes a fret in front of the backdrop doubtful: measured on drawn photos."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from inspect_app.measure import calibrate
from inspect_app.measure.backdrop.blur import blur_towards_card, lens_blur, outline_blur
from inspect_app.measure.backdrop.covering import crossings
from inspect_app.measure.backdrop.crown_line import CrossProfile, cross_profile
from inspect_app.measure.backdrop.fret import (
    SOFT_FOR_AN_OUTLINE,
    DetectedFret,
    card_above,
    card_tone_below,
    detect_fret,
    edge_above,
    is_dark_above,
    why_not_outline,
)
from inspect_app.measure.backdrop.mirrored_card import steps_to_burnt_out
from inspect_app.reading.key import NotMeasured
from tests.inspect_app.measure.backdrop.fret_pictures import CARD_X, Scene, draw, scene_ask


def upright_card(scene):
    photo, _ = draw(scene)
    scale, plane = calibrate(photo, scene_ask(scene))
    return photo, scale, detect_fret(photo, scale, plane, scene_ask(scene))


@pytest.mark.slow
@pytest.mark.parametrize("blur", [1.0, 1.6, 2.5])
def test_the_lenss_blur_is_read_off_the_print(blur):
    scene = Scene(divots=(), blur=blur, seed=1)
    photo, scale, fret = upright_card(scene)
    drawn = np.hypot(blur, 0.5)  # reducing the picture by two adds half a pixel
    assert lens_blur(photo, scale) == pytest.approx(drawn, rel=0.15)
    assert fret.resolved_mm == pytest.approx(2.0 * np.hypot(drawn, 1.2) * fret.mm_per_px, rel=0.15)


@pytest.mark.slow
@pytest.mark.parametrize(("blur", "told"), [(0.9, False), (3.0, True)])
def test_metal_whose_light_goes_on_changing_below_its_outline_is_no_soft_edge(blur, told):
    """An edge fitted to both sides is as soft as that change: one photo along the neck in fifteen had been refused."""
    photo, scale, fret = upright_card(Scene(divots=(), blur=0.7, seed=4))
    line = fret.line.edge.px[np.argsort(fret.line.edge.px[:, 0])]
    below = np.arange(photo.height)[:, None] - np.interp(np.arange(photo.width), *line.T)[None, :]
    card = float(np.median(photo.gray[(below > -9.0) & (below < -5.0)]))
    metal = card - 30.0 - 6.0 * np.clip(below, 0.0, 10.0)
    drawn = gaussian_filter1d(np.where(below < 0.0, card, metal), blur, axis=0)
    gray = np.where(np.abs(below) < 12.0, drawn, photo.gray)
    gray = np.clip(gray + np.random.default_rng(4).normal(0.0, 1.0, gray.shape), 0, 255).astype(np.uint8)
    graded = type(photo)(np.repeat(gray[:, :, None], 3, axis=2), photo.sha256, photo.name, photo.focal)
    lens, both = lens_blur(graded, scale), outline_blur(graded, fret.line, fret.mm_per_px)
    up = np.tile([0.0, -1.0], (len(fret.line.y), 1))
    assert both > SOFT_FOR_AN_OUTLINE * lens
    assert blur_towards_card(graded, fret.line, up) == pytest.approx(blur, rel=0.35)
    assert ("softer" in why_not_outline(graded, fret.pose, fret.line, fret.mm_per_px, both, lens)) is told


@pytest.mark.slow
@pytest.mark.parametrize(("band", "burnt", "told"), [(0.0, 255, True), (0.0, 200, False), (8.0, 255, False)])
def test_a_line_that_leads_to_burnt_out_metal_is_the_lamps(band, burnt, told):
    """At its own outline a crown mirrors the card: a darker band lies before the lamp's line, where it is not lost."""
    photo, _, fret = upright_card(Scene(divots=(), seed=4, card=180))
    line = fret.line.edge.px[np.argsort(fret.line.edge.px[:, 0])]
    below = np.arange(photo.height)[:, None] - np.interp(np.arange(photo.width), *line.T)[None, :]
    metal = np.where(below < band, 110.0, burnt)
    drawn = gaussian_filter1d(np.where(below < 0.0, 180.0, metal), 1.0, axis=0)
    gray = np.where(np.abs(below) < 20.0, drawn, photo.gray).astype(np.uint8)
    lit = type(photo)(np.repeat(gray[:, :, None], 3, axis=2), photo.sha256, photo.name, photo.focal)
    assert steps_to_burnt_out(lit, fret.line, np.tile([0.0, -1.0], (len(fret.line.y), 1))) is told
    other = replace(fret, burnt_out=told)
    assert (other.hidden_band_mm == fret.resolved_mm) is told


@pytest.mark.slow
def test_a_clean_outline_has_no_edge_above_it_and_no_metal_of_the_cards_tone():
    scene = Scene(divots=(), seed=2)
    photo, _, fret = upright_card(scene)
    across = cross_profile(photo, fret.pose, fret.line, fret.mm_per_px)
    assert edge_above(across, fret.blur_px) < 0.05
    assert card_tone_below(across) < 0.05


@pytest.mark.slow
def test_a_fainter_edge_above_is_measured_against_the_one_followed():
    scene = Scene(divots=(), seed=3)
    photo, _, fret = upright_card(scene)
    across = cross_profile(photo, fret.pose, fret.line, fret.mm_per_px)
    steep = across.steepness.copy()
    steep[across.on - 9] = 0.4 * steep[across.on]
    doubled = type(across)(across.light, steep, across.on, across.noise, across.pitch)
    assert edge_above(doubled, fret.blur_px) == pytest.approx(0.4, rel=0.1)


@pytest.mark.slow
@pytest.mark.parametrize(("way", "seen"), [(1.0, 0.0), (-1.0, 0.2)])
def test_a_faint_edge_that_steps_the_other_way_than_the_one_followed_is_seen_sooner(way, seen):
    """As over the lamp's line on metal that is darker than the card: six deviations of the card's noise."""
    photo, _, fret = upright_card(Scene(divots=(), seed=3))
    across = cross_profile(photo, fret.pose, fret.line, fret.mm_per_px)
    own = across.steepness[across.on]
    steep = np.where(np.abs(np.arange(len(across.steepness)) - across.on) < 3, across.steepness, 0.0)
    steep[across.on - 12] = 0.2 * way * own
    doubled = replace(across, steepness=steep, noise=0.2 * abs(own) / 6.0)
    assert edge_above(doubled, fret.blur_px) == pytest.approx(seen, abs=0.02)


@pytest.mark.slow
def test_a_soft_shadow_on_the_card_is_no_edge_above():
    scene = Scene(divots=(), seed=3)
    photo, _, fret = upright_card(scene)
    across = cross_profile(photo, fret.pose, fret.line, fret.mm_per_px)
    rows, sigma = np.arange(len(across.steepness)), np.hypot(fret.blur_px, 1.2)
    at = across.on - 14
    for wider, seen in ((1.0, 0.3), (2.2, 0.0)):
        bump = 0.3 * np.abs(across.steepness[across.on]) * np.exp(-0.5 * ((rows - at) / (wider * sigma)) ** 2)
        shaded = replace(across, steepness=across.steepness + bump)
        assert edge_above(shaded, fret.blur_px) == pytest.approx(seen, abs=0.05)


@pytest.mark.parametrize(
    ("blur", "dark", "told"),
    [
        pytest.param(1.0, 0.5, True, id="a crown's dark side"),
        pytest.param(6.0, 0.5, False, id="a soft shadow on the card"),
        pytest.param(1.0, 0.8, False, id="paper of another tone"),
    ],
)
def test_a_dark_band_above_a_line_is_told_by_how_sharply_it_begins(blur, dark, told):
    rows = np.arange(40.0)
    band = 1.0 - (1.0 - dark) / (1.0 + np.exp(-1.7 * (rows - 10.0) / blur))  # as an edge of that blur, nearly
    light = np.where(rows < 26, band, 1.5)
    across = CrossProfile(light, np.gradient(light), 26, 0.01, 0.05)
    assert is_dark_above(across, 1.0) == told


@pytest.mark.slow
@pytest.mark.parametrize("rows", [6, 8])
def test_a_crowns_dark_side_above_the_lamps_line_is_seen_where_it_leaves_few_rows_of_card(rows):
    """Its own edge reaches into the rows that noise is judged by, and is no noise."""
    photo, _, fret = upright_card(Scene(divots=(), seed=3, metal=250, card=180))
    line = fret.line.edge.px[np.argsort(fret.line.edge.px[:, 0])]
    over = np.interp(np.arange(photo.width), *line.T)[None, :] - np.arange(photo.height)[:, None]
    gray = np.where((over > 0.0) & (over < rows), 120, photo.gray).astype(np.uint8)
    banded = type(photo)(np.repeat(gray[:, :, None], 3, axis=2), photo.sha256, photo.name, photo.focal)
    plain, dark = (cross_profile(p, fret.pose, fret.line, fret.mm_per_px) for p in (photo, banded))
    assert edge_above(plain, fret.blur_px) < 0.05
    assert edge_above(dark, fret.blur_px) > 0.3


@pytest.mark.slow
@pytest.mark.parametrize(("flat", "blurred"), [(None, False), (175, True)])
def test_a_flat_of_a_tone_between_card_and_metal_blurs_its_hollows_outline(flat, blurred):
    """Both its edges, 0.1 mm apart, run into one: through a messenger 0.18 mm had been read for 0.08 at U 0.04."""
    scene = Scene(divots=((0.0, 0.15, 5.0),), flat=flat, elevation=7.6, seed=11)
    photo, _, fret = upright_card(scene)
    deep = np.abs(fret.line.y + CARD_X) < 1.25
    blur = outline_blur(photo, fret.line, fret.mm_per_px, deep)
    assert (blur > 1.5 * fret.blur_px) is blurred
    assert (fret.u_light_mm(blur) > fret.u_light_mm() + 0.01) is blurred


@pytest.mark.slow
def test_a_hollow_has_plain_card_above_it_and_another_edge_of_the_crown_has_not():
    photo, _, fret = upright_card(Scene(divots=((-8.0, 0.3, 4.0),), seed=6))
    middle = sum(fret.line.span) / 2.0  # the divot lies 8 mm from the middle of this board, towards the treble
    drop = 9.0 * fret.mm_per_px
    assert card_above(photo, fret, middle - 8.0, 4.0, drop)
    assert card_above(photo, fret, middle + 6.0, 4.0, drop) is False  # followed too low: the crown's edge is above
    assert card_above(photo, fret, middle + 6.0, 4.0, 2.0 * fret.mm_per_px) is None
    # followed too low in the hollow itself: the metal's edge lies between it and where the crown was
    assert card_above(photo, fret, middle - 8.0, 1.0, 0.3 + 8.0 * fret.mm_per_px) is False


@pytest.mark.slow
def test_in_noise_that_would_hide_an_edge_a_hollow_is_not_called_clear():
    photo, _, fret = upright_card(Scene(divots=((-8.0, 0.3, 4.0),), noise=14.0, card=150, metal=130, seed=6))
    middle = sum(fret.line.span) / 2.0
    assert card_above(photo, fret, middle + 6.0, 4.0, 9.0 * fret.mm_per_px) is not True


@pytest.mark.slow
@pytest.mark.parametrize("thick", [9.0, 12.0, 20.0])
def test_strings_are_counted(thick):
    assert crossings(*upright_card(Scene(strings=((-9.0, thick), (5.0, thick)), seed=4))[::2]) == 2


@pytest.mark.slow
def test_a_soft_streak_on_the_card_is_no_string():
    scene = Scene(divots=(), seed=5)
    photo, _, fret = upright_card(scene)
    assert isinstance(fret, DetectedFret)
    columns = np.arange(photo.width)
    streak = 1.0 + 0.15 * np.exp(-0.5 * ((columns - 1000) / 25.0) ** 2)
    bright = np.clip(photo.bgr * streak[None, :, None], 0, 255).astype(np.uint8)
    bright.flags.writeable = False
    assert crossings(type(photo)(bright, photo.sha256, photo.name, photo.focal), fret) == 0


def with_crown_above(photo, fret, rows, codes):
    """The photo, its card speckled as paper in a raking light is, with light painted at rows above the crown line."""
    order = np.argsort(fret.line.edge.px[:, 0])
    line = fret.line.edge.px[order]
    columns = np.arange(photo.width)
    y, x = np.mgrid[: photo.height, : photo.width]
    over = np.interp(columns, line[:, 0], line[:, 1])[None, :] - y
    along = (x > line[0, 0]) & (x < line[-1, 0])
    gray = photo.gray.astype(float)
    rng = np.random.default_rng(8)
    speckled = (over > rows[-1]) & (gray > 80.0) & (rng.random(gray.shape) < 0.15)
    gray = np.where(speckled, 190.0, gray)
    painted = np.interp(over, rows, codes) + rng.normal(0.0, 1.0, gray.shape)
    gray = np.where(along & (over > 2.0) & (over <= rows[-1]), painted, gray)
    bgr = np.repeat(np.clip(np.round(gray), 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)
    bgr.flags.writeable = False
    return type(photo)(bgr, photo.sha256, photo.name, photo.focal)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("codes", "believed"),
    [((105, 112, 135, 150, 135, 60, 62, 96), False), ((60, 64, 68, 72, 80, 88, 92, 96), True)],
    ids=["a darker crown with the lamp on it", "a shadow on the card"],
)
def test_the_nearer_frets_crown_line_is_not_taken_for_that_of_the_fret_behind_it(codes, believed):
    scene = Scene(divots=(), card=98, metal=250, wood=60, elevation=3.0, seed=8)
    photo, _, fret = upright_card(scene)
    photo = with_crown_above(photo, fret, (0, 6, 12, 18, 24, 30, 33, 35), codes)
    ask = scene_ask(scene, scale_length=640.0)
    found = detect_fret(photo, *calibrate(photo, ask), ask)
    assert isinstance(found, DetectedFret) == believed
    if not believed:
        assert isinstance(found, NotMeasured)
        assert "another crown shows above" in found.reason
