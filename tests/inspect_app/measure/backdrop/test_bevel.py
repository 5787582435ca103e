"""Bevels from the rim of the cut face: the trade's common angles recovered, the naive reading shown wrong, coverage."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.special import ndtr

from calib.photo import Focal, Photo
from inspect_app.instrument.crown import Crown
from inspect_app.measure.backdrop.beside_edge import crowded_px, is_soft
from inspect_app.measure.backdrop.bevel import Bevel, fit_bevel, measure_bevel
from inspect_app.measure.backdrop.circle import fit_circle
from inspect_app.measure.backdrop.crown_line import CrownLine
from inspect_app.measure.backdrop.edge_path import EdgePath, gradient_corrected, place_edge, with_grain
from inspect_app.measure.backdrop.end_outline import EndOutline, place_rim, rim_shows
from inspect_app.measure.backdrop.end_seen import is_an_end
from inspect_app.measure.backdrop.fret import DetectedFret
from inspect_app.measure.backdrop.outline import FLOOR
from inspect_app.measure.backdrop.pose import TURN_U
from inspect_app.measure.backdrop.rim_line import RIM_DEFINITION_PX
from inspect_app.reading.key import NotMeasured
from tests.inspect_app.instrument.fret_solid import FretSolid, rim
from tests.inspect_app.measure.backdrop.fret_pictures import Scene

MM_PER_PX = 1.0 / 30.0


def crown_line(scene):
    y = np.linspace(-30.0, 30.0, 400)
    return fit_circle(y, np.sqrt(scene.radius**2 - y**2) - scene.radius + scene.height)


def end_outline(scene, pose, end, noise_px=0.05, seed=0, low=0.3, uneven_px=0.0, rims=(0, 1)):
    """Whichever rim stands further out in the picture, bottom to top; of `rims`, far (0) and near (1)."""
    y = np.array([-30.0, 30.0])
    solid = FretSolid(scene.crown, scene.radius, y, 0.0 * y, scene.ends, scene.bevels)
    h = np.linspace(0.0, scene.height, 400)
    far, near = (pose.to_px(rim(solid, end, h, f)) for f in (True, False))
    outward = 1.0 if end == "treble" else -1.0
    at = scene.ends[0 if end == "treble" else 1]
    foot = math.sqrt(scene.radius**2 - at**2) - scene.radius
    rows = pose.to_px([[0.0, at, foot + v] for v in np.linspace(low, scene.height - 0.12, 60)])[:, 1]
    columns = [np.interp(-rows, -p[:, 1], p[:, 0]) for p in (far, near)]
    out = np.max(outward * np.array(columns)[list(rims)], axis=0) * outward
    rng = np.random.default_rng(seed)
    aside = np.repeat(rng.normal(0.0, uneven_px, 2), 30)  # what the light on the metal does to either half
    px = np.column_stack([out + aside + rng.normal(0.0, noise_px, 60), rows])
    return EdgePath.plain(px, np.full(60, noise_px), np.full(60, 50.0), 1.0)


@pytest.mark.parametrize("end", ["treble", "bass"])
@pytest.mark.parametrize("elevation", [2.0, 6.0, 9.0])
@pytest.mark.parametrize("bevel", [20.0, 30.0, 35.0])
def test_common_bevels_are_recovered(bevel, elevation, end):
    """20, 30 and 35 degrees: common practice, no source."""
    scene = Scene(bevels=(bevel, bevel), elevation=elevation)
    pose = scene.pose()
    edge = end_outline(scene, pose, end, noise_px=1e-3)
    fit = fit_bevel(edge, pose, crown_line(scene), scene.crown, end, MM_PER_PX)
    assert math.degrees(fit.angle) == pytest.approx(bevel, abs=0.15)
    assert fit.foot == pytest.approx(scene.ends[0 if end == "treble" else 1], abs=0.02)


def test_the_slope_in_the_photo_reads_several_degrees_too_steep():
    scene = Scene(bevels=(30.0, 30.0), elevation=8.0, yaw=0.0, tilt=0.0, radius=1e5, look_y=22.0)
    px = end_outline(scene, scene.pose(), "bass", noise_px=1e-3).px
    naive = math.degrees(math.atan(abs(np.polyfit(px[:, 1], px[:, 0], 1)[0])))
    assert naive > 32.0


def test_part_of_the_edge_lost_to_another_does_not_pull_the_line():
    scene = Scene(elevation=6.0)
    pose = scene.pose()
    edge = end_outline(scene, pose, "treble", noise_px=0.02)
    px = edge.px.copy()
    px[:15, 0] -= 6.0
    fit = fit_bevel(replace(edge, px=px), pose, crown_line(scene), scene.crown, "treble", MM_PER_PX)
    assert math.degrees(fit.angle) == pytest.approx(scene.bevels[0], abs=0.6)


@pytest.mark.parametrize(("rim_seen", "far"), [(0, True), (1, False)])
def test_a_cut_face_of_the_cards_tone_is_told_by_how_straight_either_rim_is(rim_seen, far):
    """In sight from 9 degrees; burnt-out metal at the foot blooms and must have no say in which rim it is."""
    scene = Scene(bevels=(36.0, 36.0), elevation=9.0, yaw=0.0, focal_px=26000.0, width=2.9, height=1.3)
    pose, mm_per_px = scene.pose(), 1.0 / 120.0
    edge = end_outline(scene, pose, "treble", noise_px=0.05, rims=(rim_seen,))
    px, doubt = edge.px.copy(), np.zeros(60)
    px[:12, 0] += np.linspace(3.0, 0.0, 12)
    doubt[:12] = 0.5
    edge = replace(edge, px=px, u_shared_px=doubt)
    fit = fit_bevel(edge, pose, crown_line(scene), scene.crown, "treble", mm_per_px)
    assert fit.far is far
    u = math.hypot(fit.u_angle, fit.u_definition)
    assert abs(fit.angle - math.radians(36.0)) < 2.0 * u


@pytest.mark.parametrize(("near_rim", "far"), [(0.9, False), (0.02, True)])
def test_which_rim_it_is_follows_what_shows_of_the_other(near_rim, far):
    scene = Scene(bevels=(36.0, 36.0), elevation=9.0, yaw=0.0, width=2.9, height=1.3)
    pose = scene.pose()
    edge = end_outline(scene, pose, "treble", noise_px=0.2, rims=(0 if far else 1,))
    told = EndOutline(**vars(edge), near_rim=near_rim)
    fit = fit_bevel(told, pose, crown_line(scene), scene.crown, "treble", MM_PER_PX)
    assert fit.far is far
    assert math.degrees(fit.angle) == pytest.approx(36.0, abs=1.5)


def test_two_ends_of_a_line_with_another_edge_between_make_no_straight_part():
    """A burnt-out line on the metal bulges over an end: what shows above and below it is a quarter of the points."""
    scene = Scene(elevation=6.0)
    pose = scene.pose()
    edge = end_outline(scene, pose, "treble", noise_px=0.02)
    px, doubt = edge.px.copy(), np.zeros(60)
    bulge = slice(6, 50)
    px[bulge, 0] += 5.0 + 3.0 * np.sin(np.linspace(0.0, math.pi, 44))
    doubt[bulge] = 0.5
    edge = replace(edge, px=px, u_shared_px=doubt)
    assert fit_bevel(edge, pose, crown_line(scene), scene.crown, "treble", MM_PER_PX) is None


@pytest.mark.parametrize(
    ("bulge_px", "turns", "read"), [(None, False, False), (None, True, True), (4.0, False, False), (1.2, False, True)]
)
def test_a_line_over_a_third_without_an_edge_on_it_joins_two_parts(bulge_px, turns, read):
    """Metal darker than the card above and below shows its outline between as well, unless its light turns there."""
    scene = Scene(elevation=6.0)
    pose = scene.pose()
    edge = end_outline(scene, pose, "treble", noise_px=0.02)
    middle, px = slice(16, 40), edge.px.copy()
    px[middle, 0] -= 0.0 if bulge_px is None else bulge_px
    edge = replace(edge, px=px, part=np.repeat([0, int(turns)], 30))
    if bulge_px is None:
        edge = edge.only(~np.isin(np.arange(60), np.arange(60)[middle]))
    fit = fit_bevel(edge, pose, crown_line(scene), scene.crown, "treble", MM_PER_PX)
    assert (fit is not None) is read


@pytest.mark.parametrize(("every", "read"), [(1, True), (4, False)])
def test_points_scattered_along_an_end_make_no_straight_part_by_chance(every, read):
    """A denoiser leaves a point here and there: fifteen over a hundred rows lie in line by chance."""
    scene = Scene(elevation=9.0, focal_px=26000.0, width=2.9, height=1.3)
    pose = scene.pose()
    edge = end_outline(scene, pose, "treble").only(np.arange(60) % every == 0)
    fit = fit_bevel(edge, pose, crown_line(scene), scene.crown, "treble", 1.0 / 120.0)
    assert (fit is not None) is read


def _step_photo(blotch_px=0.0, at=60.0):
    """A card above, metal below an even edge; the card white-noisy, or in blotches of the same spread."""
    noise = np.random.default_rng(3).normal(0.0, 1.0, (120, 200))
    if blotch_px:
        noise = cv2.GaussianBlur(noise, (0, 0), blotch_px)
        noise /= noise.std()
    light = np.where(np.arange(120)[:, None] < at, 170.0, 90.0) + 4.0 * noise
    bgr = np.repeat(np.clip(cv2.GaussianBlur(light, (0, 0), 1.0), 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    return Photo(bgr, "0" * 64, "step.png", Focal(3000.0, 0.01, "EXIF"))


def _row(y):
    x = np.arange(20.0, 180.0)
    return np.column_stack([x, np.full_like(x, y)])


def test_an_edge_farther_off_than_was_looked_is_none():
    assert np.median(place_edge(_step_photo(), _row(61.0), within=3.0, only_peaks=True).strength) > FLOOR
    assert np.median(place_edge(_step_photo(), _row(56.5), within=1.5, only_peaks=True).strength) < FLOOR


def _banded_photo(tones, noise):
    """Rows of even tones, (first row, code) each, blurred and white-noisy."""
    codes = np.zeros((120, 200))
    for row, code in tones:
        codes[row:] = code
    codes = cv2.GaussianBlur(codes, (0, 0), 1.0) + np.random.default_rng(3).normal(0.0, noise, codes.shape)
    bgr = np.repeat(np.clip(codes, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    return Photo(bgr, "0" * 64, "bands.png", Focal(3000.0, 0.01, "EXIF"))


def test_a_cut_face_keeps_its_outline_before_far_brighter_metal_just_beyond_the_look():
    """Card, the cut face six pixels wide, burnt-out metal: from the face's edge on the slope rises out of the look."""
    photo = _banded_photo([(0, 170), (60, 150), (66, 255)], 1.0)
    edge = place_edge(photo, _row(60.5)[::-1], within=4.0, only_peaks=True)  # the card lies to the right
    assert np.median(edge.strength) > FLOOR
    assert abs(float(np.median(edge.px[:, 1])) - 59.5) < 0.3


@pytest.mark.parametrize(("wide", "crowded"), [(3, True), (5, True), (9, False)])
def test_a_thin_dark_face_before_bright_metal_is_in_doubt_by_as_much_as_that_pushes_its_outline(wide, crowded):
    """Through a messenger 35 degrees had been read for 30 at U 2.8, a face of three pixels over half of the rim."""
    photo = _banded_photo([(0, 135), (60, 80), (60 + wide, 220)], 0.5)
    edge = place_edge(photo, _row(59.5)[::-1], within=3.0, only_peaks=True)  # the card lies to the right
    pushed = 59.5 - float(np.median(edge.px[:, 1]))
    told = float(np.median(crowded_px(photo, edge)))
    assert (told > 0.1) is crowded
    assert pushed <= 2.0 * max(told, 0.1)


def test_a_rim_too_faint_in_each_place_is_placed_by_its_stretches():
    photo = _banded_photo([(0, 170), (60, 165)], 6.0)
    alone = place_edge(photo, _row(59.5)[::-1], within=3.0, only_peaks=True)
    assert np.mean(alone.strength > FLOOR) < 0.5
    rim = place_rim(photo, _row(59.5)[::-1], 3.0)
    assert len(rim.px) > 0.5 * len(_row(59.5))
    assert rim.noise_correlation >= 11.0  # as many as were pooled
    assert abs(float(np.median(rim.px[:, 1])) - 59.5) < 0.5


@pytest.mark.parametrize(("deepens_px", "soft"), [(0.0, False), (1.0, False), (7.0, True)])
def test_shade_that_deepens_towards_bright_metal_is_no_cut_face(deepens_px, soft):
    """Card, a darker band, bright metal: the band's outer edge is sharp or comes on over so many pixels."""
    row = np.arange(120.0)
    darker = np.clip((row - 60.0) / max(deepens_px, 1e-9) + 1.0, 0.0, 1.0) ** 2
    codes = np.where(row < 63.0, 175.0 - 30.0 * darker, 240.0)[:, None] * np.ones((120, 200))
    codes = cv2.GaussianBlur(codes, (0, 0), 0.8) + np.random.default_rng(4).normal(0.0, 0.7, codes.shape)
    bgr = np.repeat(np.clip(codes, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    photo = Photo(bgr, "0" * 64, "shade.png", Focal(3000.0, 0.01, "EXIF"))
    edge = place_edge(photo, _row(59.0)[::-1], within=3.0, only_peaks=True)  # the card lies to the right
    assert np.median(edge.strength) > FLOOR
    assert is_soft(photo, edge, 0.8) is soft


@pytest.mark.parametrize(("blur_px", "metal", "soft"), [(0.8, 140.0, False), (6.0, 140.0, True), (6.0, 200.0, False)])
def test_light_on_the_card_is_no_outline_where_a_steeper_edge_lies_behind_it(blur_px, metal, soft):
    """Card that the metal's light brightens before it, and the metal, darker, some twenty pixels farther on."""
    row = np.arange(120.0)
    light = 228.0 - 22.0 * ndtr((row - 55.0) / blur_px)
    rng = np.random.default_rng(5)
    codes = np.where(row < 76.0, light, metal)[:, None] + rng.normal(0.0, 0.5, (120, 200))
    codes = cv2.GaussianBlur(codes, (0, 0), 0.8)
    photo = Photo(
        np.repeat(codes.astype(np.uint8)[..., None], 3, axis=2), "0" * 64, "lit.png", Focal(3e3, 0.01, "EXIF")
    )
    edge = place_edge(photo, _row(55.0)[::-1], within=3.0, pool=17, only_peaks=True)  # the card lies to the right
    assert np.median(edge.strength) > FLOOR
    assert is_soft(photo, edge, 0.8) is soft


def test_points_that_lie_straight_on_the_hidden_rim_alone_make_no_bevel():
    """The far rim is behind the near one, on which what is seen is too short; on the far one it read 6 degrees off."""
    scene = Scene(bevels=(30.0, 30.0), elevation=8.0, yaw=3.0)
    pose = scene.pose()
    edge = end_outline(scene, pose, "treble", low=0.87)
    assert fit_bevel(edge, pose, crown_line(scene), scene.crown, "treble", MM_PER_PX) is None


def test_a_rim_shows_where_it_is_and_nowhere_else():
    photo = _step_photo()
    assert rim_shows(photo, _row(60.0))
    assert not rim_shows(photo, _row(40.0))


def test_blotches_on_the_card_move_more_points_together_than_white_noise():
    row = _row(60.0)
    photos = _step_photo(), _step_photo(4.0)
    plain, blotched = (with_grain(p, row, place_edge(p, row)).noise_correlation for p in photos)
    assert blotched > 1.3 * plain


def test_no_straight_edge_is_said_and_not_guessed():
    scene = Scene()
    pose = scene.pose()
    edge = end_outline(scene, pose, "treble")
    px = edge.px + np.column_stack([np.random.default_rng(0).uniform(-15, 15, 60), np.zeros(60)])
    got = measure_bevel(replace(edge, px=px), pose, crown_line(scene), scene.crown, "treble", MM_PER_PX, 0.01, 0.002)
    assert isinstance(got, NotMeasured)


@pytest.mark.slow
def test_stated_uncertainty_of_the_angle_covers_its_error_and_is_not_timid():
    rng = np.random.default_rng(7)
    ratio = []
    for k in range(120):
        bevel, end = rng.uniform(18, 38), ("treble", "bass")[k % 2]
        scene = Scene(bevels=(bevel, bevel), elevation=rng.uniform(2, 9), yaw=rng.uniform(-3, 3))
        true = scene.pose()
        believed = Crown(scene.width + rng.normal(0, 0.03), scene.height + rng.normal(0, 0.03), 0.03, 0.03)
        u_tilt, u_roll = math.radians(rng.choice([0.15, 1.0])), math.radians(0.3)
        edge = end_outline(scene, true, end, noise_px=rng.uniform(0.1, 0.4), seed=k, uneven_px=RIM_DEFINITION_PX)
        turned = about(true, scene, rng.normal(0, u_tilt), rng.normal(0, TURN_U), rng.normal(0, u_roll), end)
        got = measure_bevel(edge, turned, crown_line(scene), believed, end, MM_PER_PX, u_tilt, u_roll)
        if not isinstance(got, NotMeasured):
            ratio.append((got[1].value - bevel) / got[1].u)
    assert len(ratio) > 110
    assert 0.90 <= np.mean(np.abs(ratio) <= 2.0) <= 0.995
    assert 0.6 < np.sqrt(np.mean(np.square(ratio))) < 1.25


def about(pose, scene, tilt, turn, roll, end):
    """The pose with its angles off, the top of the fret's end staying where it is seen."""
    i = 0 if end == "treble" else 1
    y = scene.ends[i]
    at = np.array([0.0, y, scene.height + math.sqrt(scene.radius**2 - y**2) - scene.radius])
    new = replace(pose, tilt=pose.tilt + tilt, turn=turn, roll=roll)
    shift = np.array(pose.shift) + pose.axes @ at - new.axes @ at
    return replace(new, shift=tuple(shift))


def slanted(angle_deg, blur=1.0, noise=0.6, seed=0):
    """A photo of an end at an angle: the card to the right, metal with a soft bright band across it to the left."""
    rng = np.random.default_rng(seed)
    fine = 4
    rows, columns = np.mgrid[0 : 120 * fine, 0 : 120 * fine] / fine
    edge_x = 60.0 + (rows - 60.0) * math.tan(math.radians(angle_deg))
    metal = 90.0 + 130.0 * np.exp(-0.5 * ((rows - 60.0) / 7.0) ** 2)
    light = cv2.GaussianBlur(np.where(columns < edge_x, metal, 70.0) / 255.0, (0, 0), blur * fine)
    light = cv2.resize(light, (120, 120), interpolation=cv2.INTER_AREA) + rng.normal(0.0, noise / 255.0, (120, 120))
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0) ** (1 / 2.4) - 0.055)
    grey = np.clip(np.round(coded * 255.0), 0, 255).astype(np.uint8)
    return Photo(
        np.ascontiguousarray(np.repeat(grey[:, :, None], 3, axis=2)), "0" * 64, "drawn", Focal(6000.0, 60.0, "drawn")
    )


@pytest.mark.parametrize("angle_deg", [20.0, 30.0, 40.0])
def test_light_that_changes_across_a_slanting_end_does_not_turn_its_edge(angle_deg):
    photo = slanted(angle_deg)
    y = np.arange(74.0, 46.0, -1.0)  # up the end, the card to the right: the bright band with its flanks
    tan = math.tan(math.radians(angle_deg))
    edge = place_edge(photo, np.column_stack([59.9 + (y - 59.5) * tan, y]), within=3.0)
    edge = replace(edge, part=np.ones(len(y), np.intp))
    placed = gradient_corrected(edge, np.array([0.0, 1.0]), math.hypot(1.0, 0.3))

    def turned(e):
        inner = (e.px[:, 1] > 48.0) & (e.px[:, 1] < 72.0)
        return math.degrees(math.atan(np.polyfit(e.px[inner, 1], e.px[inner, 0], 1)[0])) - angle_deg

    assert abs(turned(edge)) > 0.75  # degrees
    assert abs(turned(placed)) < 0.4
    assert placed.u_shared_px.max() < 0.1


def test_an_edge_square_to_its_wire_stays_where_it_is():
    photo = slanted(0.0)
    y = np.arange(74.0, 46.0, -1.0)
    edge = replace(place_edge(photo, np.column_stack([np.full(len(y), 59.5), y])), part=np.ones(len(y), np.intp))
    placed = gradient_corrected(edge, np.array([0.0, 1.0]), 1.0)
    assert np.abs(placed.px - edge.px).max() < 0.05


@pytest.mark.parametrize(("top", "believed"), [(1.0, True), (0.45, False)])
def test_a_straight_part_in_the_lower_half_of_the_crown_is_no_bevel(top, believed):
    """There the wood's own end makes the outline."""
    scene = Scene()
    circle = crown_line(scene)
    y = np.linspace(scene.ends[0] + scene.height * math.tan(math.radians(30.0)), 20.0, 400)
    edge = EdgePath.plain(np.column_stack([y, y]), np.full(400, 0.1), np.full(400, 50.0), 1.0)
    all_of_it = np.ones(400, bool)
    line = CrownLine(edge, y, circle.z(y), np.zeros(400), circle, all_of_it, 0.002, scene.crown.radius)
    fret = DetectedFret(scene.pose(), line, scene.crown, MM_PER_PX, 1.0, 1.0, 0.1, 0.01, ())
    bevel = Bevel(math.radians(30.0), scene.ends[0], 0.005, 0.01, 0.5, (0.05, top))
    assert is_an_end(bevel, fret, "treble") == believed
