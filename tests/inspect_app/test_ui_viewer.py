"""What goes to the viewer and what is taken from it: plain finite JSON out, only this scene's handles in."""

import json
import math

import pytest

from inspect_app.ask import Ask
from inspect_app.inspection import FretReading, Inspection, Outline, PhotoSummary
from inspect_app.services import add_photo, judge, measure_photo, photo_view, readings
from inspect_app.ui.scenes import edges_of, hand_edge, plain_scene, reading_scene, tone_of
from inspect_app.ui.viewer import Handle, Photo, Place, Scene, Shape, parse_moved, scene_data
from tests.inspect_app.conftest import noise_jpeg

SHA = "a" * 64
SCENE = Scene(
    Photo(SHA, 400, 300), "alt", "fret 5", handles=(Handle("e 0", 10, 20, "one"), Handle("e 1", 30, 40, "two"))
)


def sent(**changes):
    good = {"rev": 3, "photo": SHA, "subject": "fret 5", "moved": "e 0", "pts": {"e 0": [11, 21], "e 1": [30, 40]}}
    return {**good, **changes}


def test_a_scene_becomes_plain_json():
    data = scene_data(SCENE)
    assert json.loads(json.dumps(data)) == data
    assert data["photo"]["preview"] == f"/photo/{SHA}/preview.jpg"


def test_a_number_that_is_none_is_refused_before_it_reaches_the_browser():
    with pytest.raises(ValueError, match="Out of range"):
        scene_data(Scene(Photo(SHA, 400, 300), "alt", shapes=(Shape(((math.nan, 1.0),)),)))


def test_a_move_of_this_scene_is_taken():
    moved = parse_moved(sent(), SCENE)
    assert moved.rev == 3
    assert moved.points["e 0"] == (11.0, 21.0)


@pytest.mark.parametrize(
    "raw",
    [
        None,
        "text",
        sent(photo="b" * 64),
        sent(subject="fret 6"),
        sent(pts={}),
        sent(pts={"other": [1, 2]}),
        sent(pts={"e 0": [1]}),
        sent(pts={"e 0": ["x", 2]}),
        sent(pts={"e 0": [math.nan, 2]}),
        sent(pts={"e 0": [1, math.inf]}),
        sent(pts={"e 0": [401, 2]}),
        sent(rev="soon"),
        sent(pts=[[1, 2]]),
    ],
)
def test_anything_else_is_not(raw):
    assert parse_moved(raw, SCENE) is None


def test_points_of_a_tool_are_taken_by_their_number():
    place = Place("distance", "Distance", ("a", "b"), (1.0,) * 9)
    scene = Scene(Photo(SHA, 400, 300), "alt", "fret 5", place=place)
    assert parse_moved(sent(pts={"p1": [1, 2], "p2": [3, 4]}), scene) is not None
    assert parse_moved(sent(pts={"p3": [1, 2]}), scene) is None


@pytest.fixture
def measured(store, job, fake_measuring):
    photo = add_photo(store, job, noise_jpeg(), "a.jpg").photo
    measure_photo(store, photo.id, Ask("plan"))
    return photo_view(store, photo.id), readings(store, job)


def of_key(rows, key):
    return next(r for r in rows if r.reading.key == key)


def test_only_the_chosen_reading_has_handles(measured):
    photo, rows = measured
    assert reading_scene(photo, rows, None, "mm").handles == ()
    scene = reading_scene(photo, rows, of_key(rows, "fret 3, flats 1, length"), "mm")
    assert {h.id.rpartition(" ")[0] for h in scene.handles} == {"fret 3, flats 1"}
    assert scene.focus is not None
    scene_data(scene)


def test_a_moved_handle_names_its_edge_with_all_its_points(measured):
    photo, rows = measured
    scene = reading_scene(photo, rows, of_key(rows, "fret 3, flats 1, length"), "mm")
    pts = {h.id: [h.x + 1, h.y] for h in scene.handles}
    raw = {"rev": 1, "photo": photo.sha256, "subject": scene.subject, "moved": scene.handles[0].id, "pts": pts}
    edge = hand_edge(parse_moved(raw, scene), scene)
    assert edge.what == "fret 3, flats 1"
    assert edge.points == ((10.0, 40.0), (13.0, 45.0), (10.0, 50.0))


def test_tones_tell_what_was_decided(measured, store):
    photo, rows = measured
    one = of_key(rows, "fret 3, flats 1, depth")
    assert tone_of([one]) == "doubt"
    judge(store, one.inspection_id, one.reading.key, "reject", "a scratch")
    again = of_key(readings(store, photo.job_id), one.reading.key)
    assert tone_of([again]) == "rejected"


def test_a_crowns_two_edges_are_told_apart_by_where_the_nut_is(measured):
    _, rows = measured
    chosen = of_key(rows, "fret 3, crown width")
    edges = (
        Outline("crown_edge", ((10.0, 0.0), (10.0, 9.0)), of="fret 3, crown width"),
        Outline("crown_edge", ((30.0, 0.0), (30.0, 9.0)), of="fret 3, crown width"),
    )
    for nut, first in (("left", "nut"), ("right", "body")):
        answer = Inspection(
            "plan", PhotoSummary("a", SHA, 40, 10), "t", {"nut": nut}, (FretReading(3, outlines=edges),)
        )
        found = edges_of(answer, chosen)
        assert found[f"fret 3, crown {first} side"].points[0][0] == 10.0
        assert len(found) == 2


def test_a_photo_without_readings_is_shown_all_the_same(store, job):
    photo = add_photo(store, job, noise_jpeg(2), "bare.jpg", "finding").photo
    scene = plain_scene(photo)
    assert scene.shapes == ()
    scene_data(scene)
