"""Edges a person placed: they stand where they were put, say so, and everything else stays as it was read."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from calib.photo import open_photo
from inspect_app.demo import ask_of
from inspect_app.measure import calibrate, look
from inspect_app.measure.backdrop import elevation
from inspect_app.measure.manual import u_along
from inspect_app.reading.ask import HandEdge
from inspect_app.reading.key import parse_key
from sample_images import photos
from shared.errors import OptionError


@cache
def sample(view):
    """The first sample photo of a view as looked at: its question, and what it answers to others of its kind."""
    found = next(s for s in photos() if ask_of(s).view == view)
    ask, photo = ask_of(found), open_photo(found.path.read_bytes(), found.path.name)
    calibrated = calibrate(photo, ask)
    return photo, calibrated, ask, look(photo, ask, calibrated)


def outline(fret, name):
    return next(o for o in fret.outlines if o.of == name)


def flat_edges(fret, k=1):
    """Each part of a flat's outline with the point it stands for."""
    pts = outline(fret, parse_key(f"fret {fret.number}, flats {k}")).points
    n = len(pts) // 4
    return {"treble end": pts[0], "body side": pts[n], "bass end": pts[2 * n], "nut side": pts[3 * n]}


@cache
def flat_case():
    _, _, ask, read = sample("plan")
    fret = next(f for f in read(ask).frets if len(f.flats) > 1 and f.length)
    return ask, read, fret


def placed(ask, *edges):
    for name, point in edges:
        ask = ask.with_hand_edge(HandEdge(name, (tuple(point),)))
    return ask


def again(read, ask, number):
    return next(f for f in read(ask).frets if f.number == number)


@pytest.mark.slow
def test_one_look_reads_as_a_new_measurement_does():
    photo, calibrated, ask, read = sample("plan")
    fret = flat_case()[2]
    flat = flat_edges(fret)["body side"]
    edge = outline(fret, parse_key(f"fret {fret.number}, crown nut side")).points
    for name, points in (
        (parse_key(f"fret {fret.number}, flats 1, body side"), ((flat[0] + 3.0, flat[1]),)),
        (parse_key(f"fret {fret.number}, crown nut side"), tuple((x - 2.0, y) for x, y in (edge[0], edge[-1]))),
        (parse_key(f"fret {fret.number}, treble end"), (tuple(np.add(edge[-1], (0.0, 9.0))),)),
    ):
        moved = ask.with_hand_edge(HandEdge(name, points))
        assert read(moved) == look(photo, moved, calibrated)(moved)
    assert read(ask) == look(photo, ask, calibrated)(ask)


def test_only_the_fret_whose_edge_moved_reads_otherwise():
    ask, read, fret = flat_case()
    x, y = flat_edges(fret)["bass end"]
    said = read(placed(ask, (parse_key(f"fret {fret.number}, flats 1, bass end"), (x, y - 12.0))))
    for before, after in zip(read(ask).frets, said.frets, strict=True):
        assert (before == after) == (before.number != fret.number)


def test_a_flats_edge_left_where_it_was_changes_no_value():
    ask, read, fret = flat_case()
    for part, point in flat_edges(fret).items():
        flat = again(read, placed(ask, (parse_key(f"fret {fret.number}, flats 1, {part}"), point)), fret.number).flats[
            0
        ]
        was = fret.flats[0]
        assert flat.width.value == pytest.approx(was.width.value, abs=0.01)
        assert flat.length.value == pytest.approx(was.length.value, abs=0.02)
        assert flat.from_treble_end.value == pytest.approx(was.from_treble_end.value, abs=0.02)


@pytest.mark.parametrize("part", ["treble end", "bass end"])
def test_a_flats_end_moves_its_length_and_half_its_place(part):
    ask, read, fret = flat_case()
    px_per_mm = read(ask).camera.px_per_mm
    x, y = flat_edges(fret)[part]
    out = 1.0 if part == "treble end" else -1.0  # the treble side is at the bottom of the photo
    moved = placed(ask, (parse_key(f"fret {fret.number}, flats 1, {part}"), (x, y + out * 0.4 * px_per_mm)))
    flat, was = again(read, moved, fret.number).flats[0], fret.flats[0]
    assert flat.from_treble_end.value - was.from_treble_end.value == pytest.approx(-out * 0.2, abs=0.02)
    assert 0.2 < flat.length.value - was.length.value < 0.45  # stated where it is 0.3 mm wide: less than at its tips
    assert flat.length.by_hand
    assert flat.from_treble_end.by_hand
    assert "BY_HAND" in flat.length.flags
    assert flat.width.value == pytest.approx(was.width.value)
    assert not flat.width.by_hand


@pytest.mark.parametrize("part", ["nut side", "body side"])
def test_a_flats_side_moves_its_width_and_depth(part):
    ask, read, fret = flat_case()
    px_per_mm = read(ask).camera.px_per_mm
    x, y = flat_edges(fret)[part]
    out = -1.0 if part == "nut side" else 1.0  # the nut is at the left
    moved = placed(ask, (parse_key(f"fret {fret.number}, flats 1, {part}"), (x + out * 0.2 * px_per_mm, y)))
    flat, was = again(read, moved, fret.number).flats[0], fret.flats[0]
    assert flat.width.value - was.width.value == pytest.approx(0.2, abs=0.02)
    assert flat.width.by_hand
    assert flat.depth is None or flat.depth.value > was.depth.value
    assert flat.from_treble_end.value == pytest.approx(was.from_treble_end.value)
    assert not flat.from_treble_end.by_hand


def test_an_edge_moved_past_the_other_is_refused():
    ask, read, fret = flat_case()
    parts = flat_edges(fret)
    with pytest.raises(OptionError, match="moved past"):
        read(placed(ask, (parse_key(f"fret {fret.number}, flats 1, nut side"), np.add(parts["body side"], (9.0, 0.0)))))
    x, y = np.mean(outline(fret, parse_key(f"fret {fret.number}, crown body side")).points, axis=0)
    with pytest.raises(OptionError, match="moved past"):
        read(placed(ask, (parse_key(f"fret {fret.number}, crown nut side"), (x + 9.0, y))))


def test_a_flat_narrowed_to_nothing_is_refused_instead_of_read_as_nothing_long():
    ask, read, fret = flat_case()
    parts = flat_edges(fret)
    x, y = parts["nut side"]
    with pytest.raises(OptionError, match=r"0\.20 mm wide"):
        read(
            placed(
                ask, (parse_key(f"fret {fret.number}, flats 1, body side"), (x + 0.2 * read(ask).camera.px_per_mm, y))
            )
        )


def test_a_flat_that_is_gone_is_said():
    ask, read, fret = flat_case()
    name = parse_key(f"fret {fret.number}, flats 40")
    said = read(placed(ask, (parse_key(f"{name}, nut side"), flat_edges(fret)["nut side"])))
    assert any("flats 40" in n.reason for n in said.not_measured)


@pytest.mark.slow
@pytest.mark.parametrize("view", ["elevation", "end"])
def test_a_bevel_left_where_it_was_drawn_keeps_its_angle(view):
    _, _, ask, read = sample(view)
    fret = read(ask).frets[0]
    end = "treble" if fret.bevel_treble else "bass"
    pts = outline(fret, parse_key(f"fret {fret.number}, bevel {end}")).points
    names = [parse_key(f"fret {fret.number}, bevel {end}, {part}") for part in ("foot", "top")]
    held = again(read, placed(ask, (names[0], pts[0]), (names[1], pts[-1])), fret.number)
    was, now = getattr(fret, f"bevel_{end}"), getattr(held, f"bevel_{end}")
    assert now.value == pytest.approx(was.value, abs=0.2)
    if view == "end":  # close up, a person places an end less exactly than a hundred edge points do
        assert now.u > was.u
    assert now.by_hand


def test_a_bevels_foot_moved_outwards_makes_it_steeper():
    _, _, ask, read = sample("end")
    fret = read(ask).frets[0]
    end = "treble" if fret.bevel_treble else "bass"
    (x0, y0), (x1, y1) = (outline(fret, parse_key(f"fret {fret.number}, bevel {end}")).points[i] for i in (0, -1))
    px = 0.05 * abs(y1 - y0)
    foot = (x0 + (px if end == "treble" else -px), y0)  # the treble end is at the right
    now = getattr(
        again(read, placed(ask, (parse_key(f"fret {fret.number}, bevel {end}, foot"), foot)), fret.number),
        f"bevel_{end}",
    )
    grown = np.degrees(np.arctan2(abs(x1 - foot[0]), abs(y1 - y0)) - np.arctan2(abs(x1 - x0), abs(y1 - y0)))
    assert now.value - getattr(fret, f"bevel_{end}").value == pytest.approx(grown, abs=0.8)


@pytest.mark.slow
def test_the_arc_left_where_it_was_keeps_its_radius_and_says_how_well_three_points_tell_it():
    _, _, ask, read = sample("elevation")
    fret = read(ask).frets[0]
    pts = outline(fret, parse_key(f"fret {fret.number}, crown line radius")).points
    parts = dict(zip(("treble end", "middle", "bass end"), (pts[0], pts[len(pts) // 2], pts[-1]), strict=True))
    name = parse_key(f"fret {fret.number}, crown line radius")
    held = again(read, placed(ask, *((parse_key(f"{name}, {k}"), p) for k, p in parts.items())), fret.number)
    r, was = held.crown_line_radius, fret.crown_line_radius
    assert r.value == pytest.approx(was.value, rel=0.01)
    chord = np.hypot(*np.subtract(pts[-1], pts[0])) / read(ask).camera.px_per_mm
    by_sagitta = 8.0 * r.value**2 / chord**2 * np.sqrt(1.5) / read(ask).camera.px_per_mm  # s = c^2 / (8 r)
    assert r.u == pytest.approx(by_sagitta, rel=0.25)
    assert all(d.depth.by_hand for d in held.divots)


@pytest.mark.slow
def test_what_hides_an_outline_from_being_read_is_no_doubt_of_an_arc_placed_by_hand():
    photo, calibrated, ask, read = sample("elevation")
    fret = read(ask).frets[0]
    seen = elevation.detect(photo, *calibrated, ask)
    lit = replace(seen, fret=replace(seen.fret, burnt_out=True))
    name = parse_key(f"fret {fret.number}, crown line radius")
    pts = outline(fret, name).points
    parts = dict(zip(("treble end", "middle", "bass end"), (pts[0], pts[len(pts) // 2], pts[-1]), strict=True))
    by_hand = placed(ask, *((parse_key(f"{name}, {k}"), p) for k, p in parts.items()))
    now, held = (elevation.measure_detected(d, by_hand).frets[0].crown_line_radius for d in (lit, seen))
    assert now == held
    radius = elevation.measure_detected(lit, ask).frets[0].crown_line_radius
    assert radius is None or radius.u > 2.0 * fret.crown_line_radius.u


@pytest.mark.slow
def test_a_divots_floor_moved_down_makes_it_deeper():
    _, _, ask, read = sample("elevation")
    fret = read(ask).frets[0]
    k = int(np.argmax([d.depth.value for d in fret.divots]))
    name = parse_key(f"fret {fret.number}, divots {k + 1}")
    x, y = max(outline(fret, name).points, key=lambda p: p[1])
    held = again(read, placed(ask, (parse_key(f"{name}, floor"), (x, y + 2.0))), fret.number).divots[k]
    px_per_mm = read(ask).camera.px_per_mm
    assert held.depth.value - fret.divots[k].depth.value > 1.5 / px_per_mm
    assert held.depth.u > 0.8 / px_per_mm
    assert held.depth.by_hand
    assert not held.length.by_hand


def test_a_divots_ends_moved_in_make_it_shorter():
    _, _, ask, read = sample("elevation")
    fret = read(ask).frets[0]
    k = int(np.argmax([d.length.value for d in fret.divots]))
    pts = outline(fret, parse_key(f"fret {fret.number}, divots {k + 1}")).points
    inside = pts[len(pts) // 5]
    moved = placed(ask, (parse_key(f"fret {fret.number}, divots {k + 1}, treble end"), inside))
    held = again(read, moved, fret.number).divots[k]
    assert held.length.value < 0.9 * fret.divots[k].length.value
    assert held.length.by_hand
    assert held.depth == fret.divots[k].depth


def test_an_end_that_tapers_is_placed_less_exactly_along_than_across():
    assert u_along(0.05, 1.0, 1.0) == pytest.approx(0.05 * np.sqrt(2.0))
    assert u_along(0.05, 4.0, 0.5) == pytest.approx(0.05 * np.hypot(1.0, 8.0))


@pytest.mark.slow
def test_placed_points_scatter_as_stated():
    """Edges placed again and again with a pixel's error: the width scatters by what its uncertainty says."""
    ask, read, fret = flat_case()
    parts = flat_edges(fret)
    rng = np.random.default_rng(5)
    widths = []
    for _ in range(60):
        moved = ask
        for part in ("nut side", "body side"):
            name = parse_key(f"fret {fret.number}, flats 1, {part}")
            moved = placed(moved, (name, np.add(parts[part], rng.normal(0.0, 1.0, 2))))
        widths.append(again(read, moved, fret.number).flats[0].width)
    own = ("boundary noise",)
    by_hand = [replace(w, contributions=tuple(c for c in w.contributions if c.source in own)) for w in widths]
    said = float(np.mean([w.u for w in by_hand]))
    assert np.std([w.value for w in widths], ddof=1) == pytest.approx(said, rel=0.3)
