"""A known thing on the shop's page: held, marked, read, found out where it is another, kept and taken back."""

from __future__ import annotations

import math
import os
from dataclasses import replace

import pytest

from calib.photo import open_photo
from calib.scales.ask import u_of_air
from inspect_app.measure.one_photo import PhotoAnswer
from inspect_app.services import known_things as services
from inspect_app.services import repeat_studies
from inspect_app.services.bench_checks import bench_checks
from inspect_app.services.gauges import add_gauge, gauges
from inspect_app.services.prints import new_print, prints
from shared.data_folder import PREVIEWS
from shared.errors import InspectError, PhotoError
from shared.measured import Measured
from tests.inspect_app.conftest import noise_jpeg
from tests.inspect_app.ui.conftest import open_page, send
from tests.inspect_app.ui.test_pages import press, words

pytestmark = pytest.mark.usefixtures("served")
LEAF = (10.0, 20.0, 60.0, 24.0)


@pytest.fixture
def reads(monkeypatch):
    """What the photo says of a thing: 0.500 mm, whatever was marked; the questions are kept."""
    asked = []

    def read(data, name, ask, what, picture=""):
        asked.append((ask, what))
        photo = open_photo(data, name)
        summary = services.PhotoSummary(name, photo.sha256, photo.width, photo.height)
        return services.ThingReading(summary, Measured.of(0.5, "mm", edges=0.003), ())

    monkeypatch.setattr(services, "read_thing", read)
    return asked


def at_page(store, job, points=LEAF, thing="Feeler leaf, end-on"):
    held = services.hold_photo(store, noise_jpeg(), "leaf.jpg")
    at = open_page("shop.py", job)
    at.session_state["thing-photo"] = held
    if points:
        at.session_state["thing-points"] = (f"{held.sha256[:12]} {thing}", 4, points)
    at.selectbox(key="thing").set_value(thing)
    at.run()
    return at


def say(at, size, limit):
    at.text_input(key="thing-size").set_value(size)
    at.text_input(key="thing-limit").set_value(limit)
    send(at, "Read it")


@pytest.mark.slow
def test_a_leaf_that_agrees_is_said_kept_and_taken_back(store, job, reads):
    at = at_page(store, job)
    say(at, "0.50", "0.005")
    assert "They agree" in words(at)
    ask, what = reads[-1]
    assert (ask.view, ask.scale.kind, what.kind, what.points) == ("section", "backdrop", "across", LEAF)
    press(at, "keep-thing")
    (kept,) = bench_checks(store)
    assert (kept.view, kept.result["what"], kept.result["agrees"]) == ("section", "distance across", True)
    assert "**agrees**" in words(at)
    press(at, f"retire-thing-{kept.id}")
    assert [c.retired for c in bench_checks(store)] == [True]


@pytest.mark.slow
def test_an_answer_goes_when_another_thing_is_chosen(store, job, reads):
    at = at_page(store, job)
    say(at, "0.50", "0.005")
    assert at.button(key="keep-thing")
    at.selectbox(key="thing").set_value("Drill shank or rod")
    at.run()
    assert "They agree" not in words(at)
    assert not any(b.key == "keep-thing" for b in at.button)


@pytest.mark.parametrize(
    ("size", "sentence"),
    [("0.55", "It reads like another thing, of 0.500 mm"), ("0.49", "2 % too large: measure the print")],
)
def test_another_leaf_and_a_wrong_print_are_found_out(store, job, reads, size, sentence):
    at = at_page(store, job)
    say(at, size, "0.001")
    (said,) = (w.value.replace("\\", "") for w in at.warning if "not agree" in w.value)
    assert sentence in said


@pytest.mark.slow
def test_what_is_missing_is_said(store, job, reads):
    at = at_page(store, job, points=())
    say(at, "0.5", "0.005")
    assert "Nothing is marked" in words(at)
    at = at_page(store, job)
    say(at, "", "0.005")
    assert "size is missing" in words(at)
    say(at, "0.5", "")
    assert "How far off it may be is missing" in words(at)
    say(at, "0.5", "a bit")
    assert "not a length" in words(at)
    assert reads == []


@pytest.mark.slow
def test_a_gauge_of_the_register_stands_for_the_limit(store, job, reads):
    add_gauge(store, "calliper 2", "calliper", 0.01, 0.012)
    at = at_page(store, job)
    next(s for s in at.selectbox if s.label == "Measured with").set_value("calliper 2")
    say(at, "0.5", "")
    press(at, "keep-thing")
    expected = Measured.from_dict(bench_checks(store)[0].result["expected"])
    assert expected.u == pytest.approx((0.012**2 + 0.01**2 / 12.0) ** 0.5)


def test_held_photos_go_after_a_day_and_what_is_none_is_refused(store):
    first = services.hold_photo(store, noise_jpeg(1), "a.jpg")
    path = services.held_path(store, first.sha256)
    assert path is not None
    assert path.is_relative_to(store.data_dir / PREVIEWS)
    os.utime(path, (0.0, 0.0))
    second = services.hold_photo(store, noise_jpeg(2), "b.jpg")
    assert services.held_path(store, first.sha256) is None
    assert services.held_path(store, second.sha256) is not None
    with pytest.raises(InspectError, match="not a picture"):
        services.hold_photo(store, b"x", "c.jpg")
    with pytest.raises(InspectError, match="no longer held"):
        services.try_thing(store, first, services.Ask("section"), "fret 1, crown width", 2.0, 0.01)


@pytest.mark.slow
def test_a_gauge_is_entered_read_with_and_retired_and_a_bar_carries_it_with_the_humidity(store, job):
    new = new_print(store, "strip")
    at = open_page("shop.py", job)
    send(at, "Enter this gauge")
    assert "its uncertainty is missing" in words(at)
    for label, typed in (
        ("Gauge", "calliper 2"),
        ("It resolves, mm", "0.01"),
        ("Its standard uncertainty, mm", "0.012"),
    ):
        next(t for t in at.text_input if t.label == label).set_value(typed)
    send(at, "Enter this gauge")
    press(at, "use-gauge-1")
    assert "reads the heights" in words(at)
    next(t for t in at.text_input if t.label.startswith("Its check bar")).set_value("99.8")
    next(s for s in at.selectbox if s.label == "With").set_value("calliper 2")
    next(n for n in at.number_input if n.label.startswith("The air")).set_value(45)
    send(at, "Keep this print")
    (kept,) = prints(store)
    assert (kept.id, kept.gauge, kept.humidity) == (new.id, "calliper 2", 45.0)
    assert kept.u_factor == pytest.approx(
        math.hypot(0.012 / 100.0, 0.01 / 100.0 / math.sqrt(12.0), 0.0003, u_of_air(45.0))
    )
    at.selectbox(key="lost-print").set_value(kept)
    at.run()
    send(at, "Use this print no more")
    press(at, "retire-gauge-1")
    assert (prints(store)[0].retired, [g.retired for g in gauges(store)]) == (True, [True])


@pytest.mark.slow
def test_a_repeat_study_is_measured_shown_kept_and_taken_back(store, job, monkeypatch, make_answer):
    """Three photos each by two people, whose widths differ by 0.01 mm from photo to photo; one shows nothing."""
    count = iter(range(100))

    def answered(data, name, ask):
        photo, k = open_photo(data, name), next(count)
        answer = make_answer(name, photo.sha256, ask)
        if name == "bad.jpg":
            raise PhotoError("bad.jpg shows no strip.", "Take it again.")
        wider = [replace(f, crown_width=replace(f.crown_width, value=2.4 + 0.01 * (k % 3))) for f in answer.frets]
        return PhotoAnswer(replace(answer, frets=tuple(wider)))

    monkeypatch.setattr(repeat_studies, "answer_photo", answered)
    at = open_page("shop.py", job)
    send(at, "Add these photos")
    assert "Who photographed is missing" in words(at)
    names = [*(("A", f"{k}.jpg") for k in range(3)), *(("B", f"{k}.jpg") for k in range(3)), ("B", "bad.jpg")]
    at.session_state["study-photos"] = [
        (who, services.hold_photo(store, noise_jpeg(i), name)) for i, (who, name) in enumerate(names)
    ]
    at.run()
    assert "**B**: 4 photos" in words(at)
    send(at, "Compare them")
    said = " ".join(t.value.to_string() for t in at.table).replace("\\", "")
    assert "crown width" in said
    assert "0.010 mm" in said  # s_r of three widths 0.01 mm apart
    assert "shows no strip" in said
    press(at, "keep-study")
    (kept,) = bench_checks(store)
    assert (kept.kind, kept.view, len(kept.result["photos"])) == ("repeat study", "plan", 7)
    assert "7 photos by 2 people" in words(at)
    press(at, f"retire-study-{kept.id}")
    assert [c.retired for c in bench_checks(store)] == [True]
