"""Edges a person placed on a wire's section: they stand where they were put, with the person's uncertainty."""

import math
from functools import cache

import numpy as np
import pytest

from inspect_app.measure import calibrate, look
from inspect_app.measure.manual import PLACED_U_PX
from inspect_app.measure.section.by_hand import EDGES, dimensions_between, marks_of
from inspect_app.measure.section.wire_outline import DIMENSIONS, WireShape
from inspect_app.reading.ask import HandEdge
from inspect_app.reading.key import parse_key
from inspect_app.reading.values import readings_of
from inspect_app.ui.handles import edges_of, follow
from shared.errors import OptionError
from tests.inspect_app.measure.section.wire_pictures import Scene, Wire, draw, section_ask

SCENES = {"worn": Scene(Wire(level=0.15), turn=6.0), "round": Scene(turn=-4.0)}
RESTS = {name: {f for e in parts.values() for f in e.dimensions} for name, parts in EDGES.items()}


@cache
def case(name):
    """A drawn wire as looked at, its question, and its readings by figure with the edges each may be moved by."""
    photo, ask = draw(SCENES[name]), section_ask()
    calibrated = calibrate(photo, ask)
    read = look(photo, ask, calibrated)
    answer = read(ask)
    edges = {r.quantity: (r, edges_of(answer, r)) for r in readings_of(answer)}
    return photo, calibrated, ask, read, answer, edges


def with_edge(ask, edge, by=(0.0, 0.0)):
    return ask.with_hand_edge(HandEdge(edge.key, tuple((x + by[0], y + by[1]) for x, y in edge.points)))


def every_edge(name):
    return [(r, e) for r, found in case(name)[5].values() for e in found]


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENES)
def test_every_figure_has_an_edge_to_move_on_each_side(name):
    dimensions = {q: {e.key.name for e in found} for q, (_, found) in case(name)[5].items()}
    known = {f"{feature}, {part}" if part else feature for feature, parts in EDGES.items() for part in parts}
    assert len(dimensions) == (6 if name == "worn" else 5)
    assert all(2 <= len(f) <= 3 for f in dimensions.values())
    assert set().union(*dimensions.values()) == known - (
        set() if name == "worn" else {"flat width, left", "flat width, right"}
    )


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENES)
def test_an_edge_left_where_it_was_found_changes_no_value_and_says_so(name):
    _, _, ask, read, answer, _ = case(name)
    for reading, edge in every_edge(name):
        held = {r.quantity: r.value for r in readings_of(read(with_edge(ask, edge)))}
        for r in readings_of(answer):
            assert held[r.quantity].value == pytest.approx(r.value.value, abs=2e-5), (edge.name, r.quantity)
            rests = r.quantity.replace(" ", "_") in RESTS[edge.key.feature] and (
                "underside" in edge.name or r.quantity == reading.quantity
            )
            assert held[r.quantity].by_hand == rests == ("BY_HAND" in held[r.quantity].flags), (edge.name, r.quantity)


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENES)
def test_the_value_that_follows_a_handle_is_the_one_measured_when_it_is_let_go(name):
    _, _, ask, read, answer, edges = case(name)
    for quantity, (reading, found) in edges.items():
        (live,) = follow(reading, found, answer, "mm")
        for edge in found:
            for by in ((3.0, 0.0), (0.0, -3.0)):
                said = live.base + sum(float(np.dot(live.slopes[live.handles.index(i)], by)) for i in edge.ids)
                held = next(r for r in readings_of(read(with_edge(ask, edge, by))) if r.quantity == quantity)
                # the wire is turned by up to 6 degrees: a move aside of an edge counts with the sine of that
                assert held.value.value == pytest.approx(said, abs=0.004), (edge.name, by)


@pytest.mark.slow
def test_one_look_reads_as_a_new_measurement_does():
    photo, calibrated, ask, read, _, _ = case("worn")
    for _, edge in every_edge("worn"):
        moved = with_edge(ask, edge, (1.5, -1.0))
        assert read(moved) == look(photo, moved, calibrated)(moved)


@pytest.mark.slow
def test_an_edge_moved_past_the_other_is_refused():
    _, _, ask, read, answer, edges = case("worn")
    px = answer.camera.px_per_mm
    for quantity, part, by in (
        ("crown width", "left", (3.0 * px, 0.0)),
        ("crown height", "top", (0.0, 2.0 * px)),
        ("flat width", "left", (2.0 * px, 0.0)),
        ("tang width", "right", (-px, 0.0)),
        ("tang depth", "tip", (0.0, -3.0 * px)),
    ):
        edge = next(e for e in edges[quantity][1] if e.name.endswith(part))
        with pytest.raises(OptionError, match="moved past"):
            read(with_edge(ask, edge, by))


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENES)
def test_edges_placed_on_the_drawn_ones_scatter_as_stated(name):
    """Both edges of a figure placed by chance about the drawn ones: the errors are those that U speaks of."""
    _, _, ask, read, _, edges = case(name)
    truth, rng = SCENES[name].wire.truth(), np.random.default_rng(3)
    for quantity, (_, found) in edges.items():
        values, placement = [], 0.0
        for _ in range(60):
            moved = ask
            for e in found:
                put = tuple((x + dx, y + dy) for (x, y), (dx, dy) in zip(e.points, noise(rng, e), strict=True))
                moved = moved.with_hand_edge(HandEdge(e.key, put))
            held = next(r for r in readings_of(read(moved)) if r.quantity == quantity).value
            values.append(held.value)
            placement = {c.source: c.u for c in held.contributions}["placement"]
            assert {"edge noise", "edge definition"}.isdisjoint(c.source for c in held.contributions)
        assert np.std(values, ddof=1) == pytest.approx(placement, rel=0.3), quantity
        assert np.mean(values) == pytest.approx(truth[quantity.replace(" ", "_")], abs=held.expanded + 0.004), quantity


def noise(rng, edge):
    return rng.normal(0.0, PLACED_U_PX, (len(edge.points), 2))


@pytest.mark.slow
def test_with_one_of_two_edges_placed_half_of_what_was_found_remains():
    _, _, ask, read, answer, edges = case("worn")
    reading, found = edges["tang width"]
    was = {c.source: c.u for c in reading.value.contributions}
    held = next(r for r in readings_of(read(with_edge(ask, found[0]))) if r.quantity == "tang width").value
    now = {c.source: c.u for c in held.contributions}
    assert now["placement"] == pytest.approx(PLACED_U_PX / answer.camera.px_per_mm, rel=0.02)
    assert 0.4 < now["edge definition"] / was["edge definition"] < 1.1
    assert now["scale"] == pytest.approx(was["scale"], rel=1e-3)


@pytest.mark.slow
def test_a_flat_that_was_not_found_is_measured_between_two_placed_ends():
    _, _, ask, read, answer, _ = case("round")
    top = next(o for o in answer.frets[0].outlines if o.of.feature == "crown height").points[0]
    half = 0.25 * answer.camera.px_per_mm
    turn = math.radians(SCENES["round"].turn)
    ends = [(top[0] + s * half * math.cos(turn), top[1] - s * half * math.sin(turn)) for s in (-1.0, 1.0)]
    one = ask.with_hand_edge(HandEdge(parse_key("fret 5, flat width, left"), (ends[0],)))
    (said,) = read(one).not_measured
    assert said.what == parse_key("fret 5, flat width")
    assert "place the others too" in said.reason
    both = read(one.with_hand_edge(HandEdge(parse_key("fret 5, flat width, right"), (ends[1],))))
    assert both.frets[0].flat_width.value == pytest.approx(0.5, abs=0.005)
    assert both.frets[0].flat_width.by_hand
    assert not both.not_measured


@pytest.mark.parametrize("worn", [True, False])
def test_the_marks_give_the_figures_of_the_outline(worn):
    params = np.array([0.3, -0.2, 0.1, 1.3, -0.25, 0.95, 0.02, 0.05, 0.27, 1.8])
    shape = WireShape.of(params, worn)
    assert dimensions_between(marks_of(shape)) == pytest.approx(shape.dimensions(), abs=1e-9)
    assert len(DIMENSIONS) == len(shape.dimensions())
