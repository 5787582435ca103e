"""What goes to the viewer and what is taken from it: plain finite JSON out, only this scene's handles in."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from inspect_app.demo import load_demo
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import CameraSummary, Divot, Flat, FretReading, Inspection, Outline, PhotoSummary
from inspect_app.reading.key import parse_key
from inspect_app.reading.values import readings_of
from inspect_app.services import add_photo, judge, measure_photo, open_store, photo_view, readings
from inspect_app.ui.handles import edges_of, follow, hand_edge
from inspect_app.ui.scenes import plain_scene, reading_scene, tone_of
from inspect_app.ui.viewer import Handle, Photo, PointsToPlace, Scene, Shape, parse_moved, scene_data
from shared.measured import Measured
from tests.inspect_app.conftest import mm, noise_jpeg

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
    place = PointsToPlace("distance", "Distance", ("a", "b"), (1.0,) * 9)
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
    scene = reading_scene(photo, rows, of_key(rows, parse_key("fret 3, flats 1, length")), "mm")
    parts = {"treble end", "bass end", "nut side", "body side"}
    assert {h.of for h in scene.handles} == {parse_key(f"fret 3, flats 1, {part}") for part in parts}
    assert scene.focus is not None
    scene_data(scene)


def test_a_moved_handle_names_its_edge_with_all_its_points(measured):
    photo, rows = measured
    scene = reading_scene(photo, rows, of_key(rows, parse_key("fret 3, flats 1, length")), "mm")
    pts = {h.id: [h.x + 1, h.y] for h in scene.handles}
    raw = {"rev": 1, "photo": photo.sha256, "subject": scene.subject, "moved": scene.handles[0].id, "pts": pts}
    edge = hand_edge(parse_moved(raw, scene), scene)
    assert edge.what == scene.handles[0].of
    assert edge.points == ((scene.handles[0].x + 1, scene.handles[0].y),)


def test_tones_tell_what_was_decided(measured, store):
    photo, rows = measured
    one = of_key(rows, parse_key("fret 3, flats 1, depth"))
    assert tone_of([one]) == "doubt"
    judge(store, one.inspection_id, one.reading.key, "reject", "a scratch")
    again = of_key(readings(store, photo.job_id), one.reading.key)
    assert tone_of([again]) == "rejected"


def fret_seen(nut="left", treble="bottom"):
    """A fret upright in the photo, its nut side and treble end where the options say; 10 pixels to the millimetre."""
    at = "fret 5"
    x = 1.0 if nut == "left" else -1.0
    y = -1.0 if treble == "bottom" else 1.0  # towards the bass end

    def points(*xy):
        return tuple((200.0 + x * a, 150.0 + y * b) for a, b in xy)

    ring = [(6 * np.sin(t), -20 * np.cos(t)) for t in np.linspace(0, 2 * np.pi, 48, endpoint=False)]
    outlines = (
        Outline("crown_edge", points((-12, -60), (-12, 60)), of=parse_key(f"{at}, crown nut side")),
        Outline("crown_edge", points((12, -60), (12, 60)), of=parse_key(f"{at}, crown body side")),
        Outline("fret_end", points((-12, -60), (12, -60)), of=parse_key(f"{at}, treble end")),
        Outline("fret_end", points((-12, 60), (12, 60)), of=parse_key(f"{at}, bass end")),
        Outline("flat", points(*ring), True, parse_key(f"{at}, flats 1")),
    )
    flat = Flat(mm(6.0), mm(3.6), mm(1.2), mm(0.14))
    fret = FretReading(5, crown_width=mm(2.4), length=mm(12.0), flats=(flat,), outlines=outlines)
    camera = CameraSummary(3000.0, "EXIF", 0.0, 300.0, 2.0, 10.0)
    seen = PhotoSummary("a", SHA, 400, 300)
    return Inspection("plan", seen, "t", {"nut": nut, "treble": treble}, (fret,), camera=camera)


WAYS = [("left", "bottom"), ("left", "top"), ("right", "bottom"), ("right", "top")]


@pytest.mark.parametrize(("nut", "treble"), WAYS)
def test_a_flats_edges_are_told_apart_by_how_the_neck_lies(nut, treble):
    answer = fret_seen(nut, treble)
    reading = next(r for r in readings_of(answer) if r.quantity == "flat width")
    at = {e.name: e.points[0] for e in edges_of(answer, reading)}
    assert (at["nut side"][0] < at["body side"][0]) == (nut == "left")
    assert (at["treble end"][1] > at["bass end"][1]) == (treble == "bottom")


@pytest.mark.parametrize(("nut", "treble"), WAYS)
@pytest.mark.parametrize(
    ("quantity", "edge", "change"),
    [
        ("crown width", "crown body side", 0.1),
        ("length", "treble end", 0.1),
        ("flat width", "nut side", 0.1),
        ("flat length", "bass end", 0.1),
        ("flat from treble end", "treble end", -0.05),
        ("flat depth", "body side", 0.1 * 1.2 / (4 * (1.2**2 / 4 - 0.14**2) / (2 * 0.14))),
    ],
)
def test_values_follow_their_handles(nut, treble, quantity, edge, change):
    answer = fret_seen(nut, treble)
    reading = next(r for r in readings_of(answer) if r.quantity == quantity)
    edges = edges_of(answer, reading)
    (live,) = follow(reading, edges, answer, "mm")
    assert live.base == reading.value.value
    moved = next(e for e in edges if e.name.endswith(edge))
    other = next(e for e in edges if e.outline is not moved.outline or e.at != moved.at)
    centre = np.mean([p for e in edges for p in e.points], axis=0)
    out = np.sign(np.mean(moved.points, axis=0) - centre) * (np.abs(np.mean(moved.points, axis=0) - centre) > 5)
    by = sum(float(np.dot(live.slopes[live.handles.index(h)], out)) for h in moved.ids)  # outwards by one pixel
    assert by == pytest.approx(change, rel=0.02)
    assert other.name != moved.name


def standing(end="treble"):
    """A fret before the backdrop: an arc, a divot and a bevel at the right of the photo, as the treble end is seen."""
    at, x = "fret 7", 300.0 if end == "treble" else 100.0
    inward = -1.0 if end == "treble" else 1.0
    bevel = tuple((x + inward * 5.0 * t, 200.0 - 10.0 * t) for t in np.linspace(0, 1, 12))
    hollow = tuple((220.0 - 4 * i, 150.0 + 9 - (i - 5) ** 2 * 0.36) for i in range(11))
    arc = tuple((300.0 - 2 * i, 150.0 + 0.01 * (i - 50) ** 2) for i in range(101))
    outlines = (
        Outline("arc", arc, of=parse_key(f"{at}, crown line radius")),
        Outline("divot", hollow, of=parse_key(f"{at}, divots 1")),
        Outline("bevel", bevel, of=parse_key(f"{at}, bevel {end}")),
    )
    angle = Measured.of(26.57, "deg", edges=0.5)
    fret = FretReading(
        7, crown_line_radius=mm(254.0), divots=(Divot(mm(9.0), mm(4.0), mm(0.2)),), outlines=outlines,
        **{f"bevel_{end}": angle},
    )  # fmt: skip
    camera = CameraSummary(3000.0, "EXIF", 0.0, 300.0, 2.0, 40.0)
    return Inspection("elevation", PhotoSummary("a", SHA, 400, 300), "t", {}, (fret,), camera=camera)


@pytest.mark.parametrize("end", ["treble", "bass"])
def test_a_bevels_angle_follows_its_foot_as_the_line_turns(end):
    answer = standing(end)
    reading = next(r for r in readings_of(answer) if r.quantity == f"bevel {end}")
    edges = edges_of(answer, reading)
    (live,) = follow(reading, edges, answer, "mm")
    out = 0.2 if end == "treble" else -0.2  # a foot farther out makes the bevel lie flatter: a larger angle
    said = live.base + live.slopes[live.handles.index(f"fret 7, bevel {end}, foot 0")][0] * out
    assert said - live.base == pytest.approx(math.degrees(math.atan2(5.2, 10) - math.atan2(5, 10)), rel=0.03)
    assert live.unit == "°"


def test_a_divots_depth_follows_its_floor_and_the_radius_its_arc():
    answer = standing()
    depth = next(r for r in readings_of(answer) if r.quantity == "divot depth")
    edges = edges_of(answer, depth)
    assert {e.name for e in edges} == {"treble end", "floor", "bass end"}
    (live,) = follow(depth, edges, answer, "mm")
    assert live.slopes[live.handles.index("fret 7, divots 1, floor 0")] == pytest.approx((0.0, 1 / 40.0))
    radius = next(r for r in readings_of(answer) if r.quantity == "crown line radius")
    (live,) = follow(radius, edges_of(answer, radius), answer, "inch")
    assert (live.kind, live.base, live.unit) == ("circle", 254.0, "in")


def test_a_divots_floor_stays_where_a_person_put_it():
    name, put = parse_key("fret 7, divots 1, floor"), (198.0, 163.5)
    asked = {"hand_edges": [{"what": str(name), "points": [list(put)]}]}
    answer = replace(standing(), options=asked)
    edges = {
        e.key: e.points for e in edges_of(answer, next(r for r in readings_of(answer) if r.key.feature == "divots"))
    }
    assert edges[name] == (put,)
    assert edges[parse_key("fret 7, divots 1, treble end")] == ((220.0, 150.0),)


def test_a_photo_without_readings_is_shown_all_the_same(store, job):
    photo = add_photo(store, job, noise_jpeg(2), "bare.jpg", "finding").photo
    scene = plain_scene(photo)
    assert scene.shapes == ()
    scene_data(scene)


@pytest.mark.slow
def test_every_photo_of_the_demo_shows_what_was_found_whichever_reading_is_chosen(demo_data):
    """All five views; lines that several frets share, as the string across the neck, are drawn as well."""
    opened = open_store(demo_data)
    every = readings(opened, load_demo(opened))
    views = set()
    for photo_id in {r.photo_id for r in every}:
        photo, rows = photo_view(opened, photo_id), [r for r in every if r.photo_id == photo_id]
        drawn = plain_scene(photo)
        scene_data(drawn)
        views.add(photo.view)
        for row in rows:
            assert len(reading_scene(photo, rows, row, "mm").shapes) >= len(drawn.shapes)
    opened.close()
    assert views == {"plan", "elevation", "end", "section", "side"}
