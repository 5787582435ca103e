"""The board frame: against OpenCV's projection and pose solver, and its lean from nearer frets."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from inspect_app.features.circle import fit_circle
from inspect_app.features.lean import fret_distance, lean_from_frets, nearer_frets
from inspect_app.features.pose import LEAN_U, BoardPose
from tests.inspect_app.fret_pictures import Scene, draw

POINTS = np.random.default_rng(1).uniform([-60, -25, -2], [2, 25, 2], (60, 3))


def camera_of(pose):
    """Rotation and translation from the board frame to the camera, and the intrinsic matrix."""
    rotation = pose.plane.rotation @ pose.axes
    translation = pose.plane.rotation @ pose.origin + pose.plane.translation
    f, (cx, cy) = pose.plane.focal_px, pose.plane.centre_px
    return rotation, translation, np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])


def test_projection_agrees_with_opencv():
    pose = Scene(lean=1.3, yaw=-3.0).pose()
    rotation, translation, k = camera_of(pose)
    seen, _ = cv2.projectPoints(POINTS, cv2.Rodrigues(rotation)[0], translation, k, None)
    assert np.allclose(pose.to_px(POINTS), seen[:, 0], atol=1e-6)


def test_pose_agrees_with_opencv_solver():
    pose = Scene(lean=-1.0, yaw=2.0, elevation=7.0).pose()
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
    turned = pose.leaning(pose.lean + 0.01).rays([[1000.0, 700.0]])[0]
    change = math.atan(-turned[2]) - math.atan(-ray[2])
    assert abs(change) == pytest.approx(0.01, rel=1e-3)


def test_uncertainty_of_the_elevation_is_never_below_that_of_the_lean():
    pose = Scene().pose()
    middle = pose.to_px([[0.0, 0.0, 1.2]])[0]
    assert pose.u_elevation(middle) >= pose.u_lean
    assert pose.leaning(0.0, 0.001).u_elevation(middle) < math.radians(0.2)


def test_distance_between_frets_follows_equal_temperament():
    """x_n = L (1 - 2^(-n/12)): 12 frets are half the scale length."""
    assert fret_distance(648.0, 12, 0) == pytest.approx(324.0)
    pose = Scene().pose()
    assert nearer_frets(648.0, 3, pose) == pytest.approx([fret_distance(648.0, 3, 2), fret_distance(648.0, 3, 1)])
    assert nearer_frets(648.0, 1, pose) == []


def true_crown_line(scene):
    y = np.linspace(-15.0, 15.0, 200)
    return fit_circle(y, np.sqrt(scene.radius**2 - y**2) - scene.radius + scene.height)


@pytest.mark.parametrize("lean", [-1.4, -0.5, 0.0, 0.9, 1.6])
def test_nearer_frets_give_the_lean(lean):
    scene = Scene(lean=lean, divots=(), near=(26.0, 53.0), seed=int(10 * lean) + 40)
    photo, pose = draw(scene)
    upright = about_the_crown(pose, scene, 0.0)
    found = lean_from_frets(photo, upright, true_crown_line(scene), (-15.0, 15.0), scene.height, [26.0, 53.0])
    assert found.u_lean < math.radians(0.35)
    assert abs(math.degrees(found.lean) - lean) < 2.0 * math.degrees(found.u_lean)


def about_the_crown(pose: BoardPose, scene, lean):
    """The pose with another lean, the crown's middle staying where it is seen."""
    at = np.array([0.0, 0.0, scene.height])
    new = replace(pose, lean=lean, u_lean=LEAN_U)
    shift = np.array(pose.shift) + pose.axes @ at - new.axes @ at
    return replace(new, shift=tuple(shift))


def test_without_a_lamps_line_the_lean_is_left_as_it_was():
    scene = Scene(divots=())
    photo, pose = draw(scene)
    upright = about_the_crown(pose, scene, 0.0)
    found = lean_from_frets(photo, upright, true_crown_line(scene), (-15.0, 15.0), scene.height, [26.0])
    assert (found.lean, found.u_lean) == (0.0, LEAN_U)
