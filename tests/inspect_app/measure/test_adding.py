"""What was not found, marked by a person: it becomes a reading like those that were found, with that uncertainty."""

from dataclasses import replace
from functools import cache
from io import BytesIO

import numpy as np
import pytest
from PIL import Image
from PIL.ImageFilter import GaussianBlur

from calib.photo import open_photo
from inspect_app import services
from inspect_app.demo import ask_of
from inspect_app.measure import calibrate, look
from inspect_app.reading.ask import HandEdge
from inspect_app.reading.inspection import FretReading, Inspection, Outline, PhotoSummary
from inspect_app.reading.key import parse_key
from inspect_app.reading.values import readings_of
from inspect_app.services.deciding import wear_of
from inspect_app.ui.feature_marking import additions
from inspect_app.ui.handles import edges_of
from sample_images import photos
from shared.errors import OptionError
from tests.inspect_app.measure.test_by_hand import flat_edges, outline
from tests.inspect_app.ui.test_viewer import WAYS, fret_seen


@cache
def seen(name, smeared=None):
    """A sample photo as looked at: its question, what it answers, and the answer; smeared in the rectangle `smeared`
    (left, top, right, bottom), px."""
    path = next(s.path for s in photos() if s.path.stem == name)
    photo = open_photo(smeared_photo(path, smeared) if smeared else path.read_bytes(), path.name)
    ask = replace(next(ask_of(s) for s in photos() if s.path == path), crown_height=1.12)
    read = look(photo, ask, calibrate(photo, ask))
    return ask, read, read(ask)


def smeared_photo(path, rectangle):
    with Image.open(path) as picture:
        picture.paste(picture.crop(rectangle).filter(GaussianBlur(30.0)), rectangle[:2])
        picture.save(out := BytesIO(), "JPEG", quality=95, exif=picture.getexif())
    return out.getvalue()


def marked(name, kind, points, smeared=None):
    """What the photo answers once the points were marked, and the key of the new reading."""
    ask, read, answer = seen(name, smeared)
    marking = next(a for a in additions(answer) if a.name == kind).mark(answer, points)
    for edge in marking.edges:
        ask = ask.with_hand_edge(edge)
    return read(ask), marking.key


def value_of(answer, key):
    return next(r.value for r in readings_of(answer) if r.key == key)


def widest_flat(answer):
    return max(((f, k) for f in answer.frets for k in range(len(f.flats))), key=lambda x: x[0].flats[x[1]].width.value)


@pytest.mark.slow
@pytest.mark.parametrize("order", [(0, 1, 2, 3), (2, 3, 0, 1), (0, 3, 2, 1)])
def test_a_flat_marked_where_one_was_found_reads_as_that_does(order):
    answer = seen("intake-plan-1")[2]
    fret, k = widest_flat(answer)
    at = list(flat_edges(fret, k + 1).values())
    said, key = marked("intake-plan-1", "Flat", [at[i] for i in order])
    assert key == parse_key(f"fret {fret.number}, flats {len(fret.flats) + 1}, width")
    new, was = next(f for f in said.frets if f.number == fret.number).flats[-1], fret.flats[k]
    assert new.width.value == pytest.approx(was.width.value, abs=0.01)
    assert new.length.value == pytest.approx(was.length.value, abs=was.length.expanded)
    assert new.from_treble_end.value == pytest.approx(was.from_treble_end.value, abs=0.02)
    assert new.depth.value == pytest.approx(was.depth.value, abs=0.005)
    for q in (new.width, new.length, new.from_treble_end, new.depth):
        assert q.by_hand
        assert "BY_HAND" in q.flags
    px = answer.camera.px_per_mm
    assert new.width.u == pytest.approx(np.sqrt(2.0) / px, rel=0.05)  # both sides, each placed to a pixel


@pytest.mark.slow
def test_the_flats_that_were_found_keep_their_names():
    answer = seen("intake-plan-1")[2]
    fret, k = widest_flat(answer)
    said, _ = marked("intake-plan-1", "Flat", list(flat_edges(fret, k + 1).values()))
    now = next(f for f in said.frets if f.number == fret.number)
    assert now.flats[: len(fret.flats)] == fret.flats
    assert [f for f in said.frets if f != now] == [f for f in answer.frets if f.number != fret.number]


@pytest.mark.slow
def test_an_added_flats_edges_can_be_moved_like_any_others():
    ask, read, answer = seen("intake-plan-1")
    fret, k = widest_flat(answer)
    said, key = marked("intake-plan-1", "Flat", list(flat_edges(fret, k + 1).values()))
    reading = next(r for r in readings_of(said) if r.key == key)
    edges = {e.name: e for e in edges_of(said, reading)}
    x, y = edges["nut side"].points[0]
    for name in ("treble end", "bass end", "body side"):
        ask = ask.with_hand_edge(HandEdge(edges[name].key, edges[name].points))
    ask = ask.with_hand_edge(HandEdge(edges["nut side"].key, ((x - 0.2 * answer.camera.px_per_mm, y),)))
    moved = next(f for f in read(ask).frets if f.number == fret.number).flats[-1]
    assert moved.width.value - reading.value.value == pytest.approx(0.2, abs=0.02)


@pytest.mark.parametrize(("nut", "treble"), WAYS)
def test_a_flats_edges_are_named_by_how_the_neck_lies(nut, treble):
    answer = fret_seen(nut, treble)
    reading = next(r for r in readings_of(answer) if r.quantity == "flat width")
    found = {e.name: e.points[0] for e in edges_of(answer, reading)}
    turned = turned_edges(answer, found)
    order = [found[p] for p in ("bass end", "nut side", "treble end", "body side")]
    marking = additions(turned)[0].mark(turned, order)
    assert {e.what.edge: e.points[0] for e in marking.edges} == found


def turned_edges(answer, found):
    """The answer with its crown's edges named, and run from treble to bass, as the flat's own are."""
    (fret,) = answer.frets
    x = {"nut": found["nut side"][0], "body": found["body side"][0]}
    y = [found["treble end"][1], found["bass end"][1]]
    edges = tuple(
        Outline("crown_edge", tuple((3 * x[s] - 400, 2 * v - 150) for v in y), of=parse_key(f"fret 5, crown {s} side"))
        for s in ("nut", "body")
    )
    turned = FretReading(5, flats=fret.flats, outlines=edges)
    return Inspection("plan", answer.photo, "t", answer.options, (turned,), camera=answer.camera)


def moved_by(points, dx):
    return [(x + dx, y) for x, y in points]


def test_a_flat_marked_beside_every_crown_is_refused():
    answer = seen("intake-plan-1")[2]
    fret, k = widest_flat(answer)
    with pytest.raises(OptionError, match="no fret's crown"):
        marked("intake-plan-1", "Flat", moved_by(flat_edges(fret, k + 1).values(), 3.0 * answer.camera.px_per_mm))


def test_a_flat_that_reaches_over_the_crowns_edge_or_is_too_narrow_is_refused():
    answer = seen("intake-plan-1")[2]
    fret, k = widest_flat(answer)
    at = flat_edges(fret, k + 1)
    edge = outline(fret, parse_key(f"fret {fret.number}, crown body side")).points
    beyond = {**at, "body side": (np.mean(edge, axis=0)[0] + 20.0, at["body side"][1])}
    with pytest.raises(OptionError, match="beside the fret's crown"):
        marked("intake-plan-1", "Flat", list(beyond.values()))
    x = at["nut side"][0]
    narrow = {**at, "body side": (x + 0.25 * answer.camera.px_per_mm, at["nut side"][1])}
    with pytest.raises(OptionError, match=r"0\.2\d mm wide"):
        marked("intake-plan-1", "Flat", list(narrow.values()))


def test_an_added_flat_without_all_its_edges_is_said():
    ask, read, answer = seen("intake-plan-1")
    fret, k = widest_flat(answer)
    name = parse_key(f"fret {fret.number}, flats {len(fret.flats) + 1}")
    point = flat_edges(fret, k + 1)["nut side"]
    said = read(ask.with_hand_edge(HandEdge(parse_key(f"{name}, nut side"), (point,))))
    assert any(f"flats {len(fret.flats) + 1}" in n.reason for n in said.not_measured)


def test_a_frets_end_that_is_marked_bounds_its_length():
    answer = seen("intake-plan-1")[2]
    fret = answer.frets[2]
    edge = np.mean(outline(fret, parse_key(f"fret {fret.number}, treble end")).points, axis=0)
    for by in (0.0, 1.0):
        said, key = marked("intake-plan-1", "Fret end", [(edge[0], edge[1] + by * answer.camera.px_per_mm)])
        assert key == parse_key(f"fret {fret.number}, length")
        assert value_of(said, key).value - fret.length.value == pytest.approx(by, abs=0.02)
        assert value_of(said, key).by_hand


def divot_points(fret, k):
    at = outline(fret, parse_key(f"fret {fret.number}, divots {k}")).points
    return [at[0], max(at, key=lambda p: p[1]), at[-1]]


@pytest.mark.slow
def test_a_divot_marked_where_one_was_found_reads_as_that_does():
    answer = seen("intake-elevation-2")[2]
    (fret,) = answer.frets
    k = int(np.argmax([d.depth.value for d in fret.divots]))
    points = divot_points(fret, k + 1)
    said, key = marked("intake-elevation-2", "Divot", points[::-1])
    assert key == parse_key(f"fret {fret.number}, divots {len(fret.divots) + 1}, depth")
    new, was = said.frets[0].divots[-1], fret.divots[k]
    px = answer.camera.px_per_mm
    assert new.depth.value == pytest.approx(was.depth.value, abs=1.5 / px)
    assert new.length.value == pytest.approx(was.length.value, abs=0.2)
    assert new.from_treble_end.value == pytest.approx(was.from_treble_end.value, abs=0.5)
    assert new.depth.by_hand
    assert new.length.by_hand
    assert new.depth.u > 0.8 / px
    assert said.frets[0].divots[: len(fret.divots)] == fret.divots


@pytest.mark.slow
def test_a_divot_whose_floor_lies_above_the_crown_line_is_refused():
    (fret,) = seen("intake-elevation-2")[2].frets
    (x0, y0), (x, _), (x1, y1) = divot_points(fret, 1)
    with pytest.raises(OptionError, match="below the crown line"):
        marked("intake-elevation-2", "Divot", [(x0, y0), (x, min(y0, y1) - 40.0), (x1, y1)])


@pytest.mark.slow
def test_a_bevel_that_could_not_be_read_is_marked_by_its_foot_and_top():
    """On a fret seen square on, the bass bevel is about the treble one's mirror image."""
    name, bass_end = "intake-elevation-3", (300, 960, 420, 1100)
    answer = seen(name, bass_end)[2]
    (fret,) = answer.frets
    assert [a.name for a in additions(answer)] == ["Divot", "Bevel, bass end"]
    line = np.array(outline(fret, parse_key(f"fret {fret.number}, bevel treble")).points)[[0, -1]]
    arc = np.array(outline(seen(name)[2].frets[0], parse_key(f"fret {fret.number}, crown line radius")).points)
    mirrored = [(2.0 * arc[:, 0].mean() - x, y) for x, y in line]
    said, key = marked(name, "Bevel, bass end", mirrored, bass_end)
    angle = value_of(said, key)
    assert angle.by_hand
    assert angle.value == pytest.approx(fret.bevel_treble.value, abs=6.0)
    assert not any(n.what == key for n in said.not_measured)


def test_a_wire_without_a_flat_is_given_one_between_two_marks():
    wire = FretReading(
        1, outlines=(Outline("section", ((10.0, 10.0), (50.0, 10.0)), True, parse_key("fret 1, crown width")),)
    )
    answer = Inspection("section", PhotoSummary("a", "0" * 64, 99, 99), "t", {}, (wire,))
    (flat,) = additions(answer)
    marking = flat.mark(answer, [(40.0, 12.0), (20.0, 11.0)])
    assert [(e.what, e.points) for e in marking.edges] == [
        (parse_key("fret 1, flat width, left"), ((20.0, 11.0),)),
        (parse_key("fret 1, flat width, right"), ((40.0, 12.0),)),
    ]


@pytest.mark.slow
def test_a_marked_flat_is_kept_as_one_step_counts_as_wear_and_is_taken_back_at_once(store):
    instrument = services.InstrumentDetails("loan no. 7", "guitar", scale_length=630.0, frets=20, strings=6)
    job = services.create_job(store, services.JobDetails("Harbour Street Music School", instrument=instrument))
    sample = next(s for s in photos() if s.path.stem == "after-plan-1")
    photo = services.add_photo(store, job, sample.path.read_bytes(), sample.path.name, "plan").photo
    kept = services.measure_photo(store, photo.id, ask_of(sample))
    fret = next(f for f in kept.answer.frets if not f.flats and f.length)
    nut, body = (
        np.array(outline(fret, parse_key(f"fret {fret.number}, crown {s} side")).points) for s in ("nut", "body")
    )  # fmt: skip

    def middle(t, across):
        return tuple((1.0 - across) * at(nut, t) + across * at(body, t))

    marking = additions(kept.answer)[0].mark(
        kept.answer, [middle(0.46, 0.5), middle(0.5, 0.2), middle(0.54, 0.5), middle(0.5, 0.8)]
    )
    added = services.place_edge(store, kept.id, *marking.edges)
    assert value_of(added.answer, marking.key).by_hand
    worn = next(f for f in wear_of(store, job, photo.visit.label).frets if f.number == fret.number)
    (spot,) = worn.spots
    assert spot.flat_width.value == pytest.approx(0.6 * fret.crown_width.value, rel=0.1)
    assert services.undo(store, photo.id).answer == kept.answer
    assert not next(f for f in wear_of(store, job, photo.visit.label).frets if f.number == fret.number).spots


def at(line, t):
    return (1.0 - t) * line[0] + t * line[-1]
