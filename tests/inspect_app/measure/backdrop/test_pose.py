"""The board frame: against OpenCV's projection and pose solver, and its lean from nearer frets."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from inspect_app.measure.backdrop.circle import fit_circle
from inspect_app.measure.backdrop.pose import TILT_U, BoardPose
from inspect_app.measure.backdrop.tilt_from_board_edges import tilt_from_board_edges
from inspect_app.measure.backdrop.tilt_from_frets import fret_distance, nearer_fret_distances, tilt_from_frets
from tests.inspect_app.measure.backdrop.fret_pictures import Scene, draw

pytestmark = pytest.mark.slow

POINTS = np.random.default_rng(1).uniform([-60, -25, -2], [2, 25, 2], (60, 3))


def camera_of(pose):
    """Rotation and translation from the board frame to the camera, and the intrinsic matrix."""
    rotation = pose.plane.rotation @ pose.axes
    translation = pose.plane.rotation @ pose.origin + pose.plane.translation
    f, (cx, cy) = pose.plane.focal_px, pose.plane.centre_px
    return rotation, translation, np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])


def test_projection_agrees_with_opencv():
    pose = Scene(tilt=1.3, yaw=-3.0).pose()
    rotation, translation, k = camera_of(pose)
    seen, _ = cv2.projectPoints(POINTS, cv2.Rodrigues(rotation)[0], translation, k, None)
    assert np.allclose(pose.to_px(POINTS), seen[:, 0], atol=1e-6)


def test_pose_agrees_with_opencv_solver():
    pose = Scene(tilt=-1.0, yaw=2.0, elevation=7.0).pose()
    rotation, translation, k = camera_of(pose)
    ok, rvec, tvec = cv2.solvePnP(POINTS, pose.to_px(POINTS), k, None)
    assert ok
    assert np.allclose(cv2.Rodrigues(rvec)[0], rotation, atol=1e-6)
    assert np.allclose(tvec.ravel(), translation, atol=1e-4)


def test_crossing_a_plane_undoes_projection():
    pose = replace(Scene().pose(), turn=0.01, roll=-0.02)
    for x in (-40.0, 0.0, 0.7):
        on_plane = np.column_stack([np.full(60, x), POINTS[:, 1:]])
        assert np.allclose(pose.cross(pose.to_px(on_plane), x), POINTS[:, 1:], atol=1e-8)


@pytest.mark.parametrize("elevation", [2.0, 5.0, 9.0])
def test_elevation_is_the_cameras(elevation):
    scene = Scene(elevation=elevation, yaw=0.0)
    pose = scene.pose()
    assert math.degrees(pose.elevation(scene.height)) == pytest.approx(elevation, abs=1e-6)


def test_leaning_changes_the_elevation_by_the_lean():
    pose = Scene(yaw=0.0).pose()
    ray = pose.rays([[1000.0, 700.0]])[0]
    turned = pose.tilted(pose.tilt + 0.01).rays([[1000.0, 700.0]])[0]
    change = math.atan(-turned[2]) - math.atan(-ray[2])
    assert abs(change) == pytest.approx(0.01, rel=1e-3)


def test_uncertainty_of_the_elevation_is_never_below_that_of_the_lean():
    pose = Scene().pose()
    middle = pose.to_px([[0.0, 0.0, 1.2]])[0]
    assert pose.u_elevation(middle) >= pose.u_tilt
    assert pose.tilted(0.0, 0.001).u_elevation(middle) < math.radians(0.2)


def test_distance_between_frets_follows_equal_temperament():
    """x_n = L (1 - 2^(-n/12)): 12 frets are half the scale length."""
    assert fret_distance(648.0, 12, 0) == pytest.approx(324.0)
    pose = Scene().pose()
    assert nearer_fret_distances(648.0, 3, pose) == pytest.approx(
        [fret_distance(648.0, 3, 2), fret_distance(648.0, 3, 1)]
    )
    assert nearer_fret_distances(648.0, 1, pose) == []


def true_crown_line(scene):
    y = np.linspace(-15.0, 15.0, 200)
    return fit_circle(y, np.sqrt(scene.radius**2 - y**2) - scene.radius + scene.height)


@pytest.mark.parametrize("tilt", [-1.4, -0.5, 0.0, 0.9, 1.6])
def test_nearer_frets_give_the_lean(tilt):
    scene = Scene(tilt=tilt, divots=(), near=(26.0, 53.0), seed=int(10 * tilt) + 40)
    photo, pose = draw(scene)
    upright = about_the_crown(pose, scene, 0.0)
    found = tilt_from_frets(photo, upright, true_crown_line(scene), (-15.0, 15.0), scene.height, [26.0, 53.0])
    assert found.u_tilt < math.radians(0.35)
    assert abs(math.degrees(found.tilt) - tilt) < 2.0 * math.degrees(found.u_tilt)


def about_the_crown(pose: BoardPose, scene, tilt):
    """The pose with another lean, the crown's middle staying where it is seen."""
    at = np.array([0.0, 0.0, scene.height])
    new = replace(pose, tilt=tilt, u_tilt=TILT_U)
    shift = np.array(pose.shift) + pose.axes @ at - new.axes @ at
    return replace(new, shift=tuple(shift))


def test_without_a_lamps_line_the_lean_is_left_as_it_was():
    scene = Scene(divots=())
    photo, pose = draw(scene)
    upright = about_the_crown(pose, scene, 0.0)
    found = tilt_from_frets(photo, upright, true_crown_line(scene), (-15.0, 15.0), scene.height, [26.0])
    assert (found.tilt, found.u_tilt) == (0.0, TILT_U)


def by_edges(scene):
    photo, pose = draw(scene)
    upright = about_the_crown(pose, scene, 0.0)
    low, high = (
        end + side * scene.height * math.tan(math.radians(b))
        for end, side, b in zip(scene.ends, (1, -1), scene.bevels, strict=True)
    )
    return tilt_from_board_edges(photo, upright, true_crown_line(scene), (low, high), scene.height)


def test_the_boards_edges_give_the_lean_in_any_light():
    """Boards that widen by 0.010 to 0.018 a millimetre, as drawn from the uncertainty stated for it."""
    rng, errors = np.random.default_rng(7), []
    for k in range(14):
        scene = Scene(
            tilt=rng.uniform(-1.8, 1.8),
            elevation=rng.uniform(2.5, 8.0),
            yaw=rng.uniform(-1.5, 1.5),
            widening=rng.normal(0.014, 0.004),
            card=int(rng.choice([225, 150, 235])),
            wood=int(rng.choice([30, 60, 90])),
            divots=(),
            seed=60 + k,
        )
        found = by_edges(scene)
        assert found.u_tilt < math.radians(0.5)
        errors.append((math.degrees(found.tilt) - scene.tilt) / math.degrees(found.u_tilt))
    assert np.mean(np.abs(errors) < 2.0) >= 0.9
    assert math.sqrt(np.mean(np.square(errors))) > 0.4  # not timid either


def test_with_one_edge_of_the_board_in_sight_the_lean_is_left_as_it_was():
    found = by_edges(Scene(divots=(), look_y=-20.0, seed=80))
    assert (found.tilt, found.u_tilt) == (0.0, TILT_U)


def test_edges_that_disagree_are_not_believed():
    scene = Scene(divots=(), seed=81)
    photo, pose = draw(scene)
    upright = about_the_crown(pose, scene, 0.0)
    picture = photo.bgr.copy()
    y = scene.ends[0]
    cloth = pose.to_px([[-2.0, y + 0.2, -0.7], [-70.0, y + 5.0, -0.7], [-70.0, y - 30.0, -0.7], [-2.0, y - 30.0, -0.7]])
    cv2.fillPoly(picture, [np.round(cloth).astype(np.int32)], (250, 250, 250))  # lies on the board, askew
    crossed = replace(photo, bgr=picture)
    found = tilt_from_board_edges(crossed, upright, true_crown_line(scene), (-21.3, 21.4), scene.height)
    assert (found.tilt, found.u_tilt) == (0.0, TILT_U)


@pytest.mark.parametrize(("tilt", "elevation"), [(-1.4, 5.0), (0.0, 4.0), (1.5, 4.0)])
def test_close_frets_that_hide_each_other_never_give_a_sure_wrong_lean(tilt, elevation):
    """From so low each fret hides the foot of the next, and over its crown the next one's shadow shows."""
    near = (16.0, 33.0, 51.0, 70.0)
    scene = Scene(tilt=tilt, divots=(), near=near, elevation=elevation, distance=260.0, seed=3)
    photo, pose = draw(scene)
    upright = about_the_crown(pose, scene, 0.0)
    found = tilt_from_frets(photo, upright, true_crown_line(scene), (-15.0, 15.0), scene.height, list(near))
    assert abs(math.degrees(found.tilt) - tilt) < 2.0 * math.degrees(found.u_tilt)


def test_turned_about_a_point_the_board_is_seen_there_as_before():
    pose, point = Scene().pose(), (0.0, 7.0, 1.2)
    turned = pose.turned_about(point, tilt=0.01, turn=0.02)
    assert np.allclose(turned.to_px([point]), pose.to_px([point]), atol=1e-8)
    assert np.abs(turned.to_px(POINTS) - pose.to_px(POINTS)).max() > 1.0
