"""Edges placed by hand on a measured photo: kept, taken back, and judgements that go along."""

from dataclasses import replace

import pytest

from inspect_app import services
from inspect_app.reading.ask import HandEdge
from inspect_app.reading.key import parse_key
from shared.errors import OptionError, ScaleError
from shared.measured import Measured
from tests.inspect_app.conftest import measure_with

EDGE = HandEdge(parse_key("fret 3, crown nut side"), ((10.0, 20.0), (10.0, 90.0)))


@pytest.fixture
def photo(store, job, make_jpeg):
    return services.add_photo(store, job, make_jpeg(1), "a.jpg").photo


@pytest.fixture
def measured(store, photo, fake_measuring):
    return services.measure_photo(store, photo.id, services.suggested_ask(store, photo.id))


@pytest.fixture
def moving(monkeypatch, fake_measuring, make_answer):
    """Measuring whose crown width of fret 3 follows the placed edge; everything else stays."""

    def measure(photo, ask):
        answer = make_answer(photo.name, photo.sha256, ask)
        if not ask.hand_edges:
            return answer
        x = ask.hand_edges[-1].points[0][0]
        if x < 0:
            raise ScaleError("The edge lies outside the photo.", "Move it back.")
        width = replace(Measured.of(x / 4.0, "mm", ("BY_HAND",), placement=0.02), by_hand=True)
        return replace(answer, frets=(replace(answer.frets[0], crown_width=width), *answer.frets[1:]))

    measure_with(monkeypatch, measure)


def width_of(view):
    return view.answer.frets[0].crown_width.value


def test_a_placed_edge_takes_the_place_and_can_be_taken_back(store, photo, measured, moving):
    before = width_of(measured)
    placed = services.place_edge(store, measured.id, EDGE)
    assert width_of(placed) == 2.5
    assert placed.answer.frets[0].crown_width.by_hand
    assert placed.ask.hand_edges == (EDGE,)
    second = services.place_edge(store, placed.id, replace(EDGE, points=((12.0, 20.0), (12.0, 90.0))))
    assert width_of(second) == 3.0
    assert width_of(services.undo(store, photo.id)) == 2.5
    assert width_of(services.undo(store, photo.id)) == before
    with pytest.raises(OptionError, match="nothing left to take back"):
        services.undo(store, photo.id)
    assert len(services.earlier_inspections(store, photo.id)) == 5


def test_a_new_edge_after_an_undo_starts_from_what_is_shown(store, photo, measured, moving):
    placed = services.place_edge(store, measured.id, EDGE)
    back = services.undo(store, photo.id)
    assert back.ask.hand_edges == ()
    again = services.place_edge(store, back.id, EDGE)
    assert again.ask.hand_edges == (EDGE,)
    assert width_of(services.undo(store, photo.id)) == width_of(measured)
    assert width_of(placed) == width_of(again)


def test_edges_of_two_windows_are_both_kept(store, measured, moving):
    other = replace(EDGE, what=parse_key("fret 3, crown body side"))
    services.place_edge(store, measured.id, EDGE)
    both = services.place_edge(store, measured.id, other)  # this window still shows the first inspection
    assert {h.what for h in both.ask.hand_edges} == {EDGE.what, other.what}


def test_an_edge_that_cannot_be_measured_changes_nothing(store, photo, measured, moving):
    with pytest.raises(ScaleError, match="outside the photo"):
        services.place_edge(store, measured.id, replace(EDGE, points=((-5.0, 0.0), (-5.0, 9.0))))
    assert services.photo_view(store, photo.id).inspection.id == measured.id


def test_judgements_go_along_where_the_reading_is_the_same(store, job, photo, measured, moving):
    services.judge(store, measured.id, parse_key("fret 3, crown width"), "accept")
    services.judge(store, measured.id, parse_key("fret 4, crown width"), "reject", "shadow")
    services.place_edge(store, measured.id, EDGE)
    verdicts = {r.reading.key: (r.verdict, r.reason) for r in services.readings(store, job)}
    assert verdicts[parse_key("fret 3, crown width")] == ("open", "")
    assert verdicts[parse_key("fret 4, crown width")] == ("reject", "shadow")
    assert [j.verdict for j in services.history(store, photo.id, parse_key("fret 4, crown width"))] == ["reject"]
    services.undo(store, photo.id)
    verdicts = {r.reading.key: r.verdict for r in services.readings(store, job)}
    assert verdicts[parse_key("fret 4, crown width")] == "reject"
