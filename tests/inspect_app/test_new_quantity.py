"""A reading that no file of ours knows goes from its photo to page, paper and JSON with one entry and a value."""

import io
import json
from dataclasses import replace

import cv2
import jsonschema
import numpy as np
import pytest
from pypdf import PdfReader
from streamlit.testing.v1 import AppTest

import inspect_app.reading.quantities as quantities
from inspect_app import services
from inspect_app.cli import main
from inspect_app.measure import one_photo
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection, Outline
from inspect_app.reading.key import Key, Place, parse_key
from inspect_app.reading.overlay import draw
from inspect_app.reading.quantities import Edge, Line, Quantity
from inspect_app.reading.schema import answer_schema
from inspect_app.reading.values import readings_of, without
from inspect_app.services.exporting import readings_csv
from inspect_app.services.papers import record_paper
from inspect_app.ui import server
from inspect_app.ui.handles import hand_edge
from inspect_app.ui.scenes import reading_scene
from inspect_app.ui.viewer import MovedHandles, scene_data
from tests.inspect_app.conftest import full_answer, measure_with, mm, noise_jpeg
from tests.inspect_app.deciding_case import elevation, make_job
from tests.inspect_app.ui.conftest import APP

ENTRY = Quantity(
    feature="string height", one="string height", label="string height", unit="mm", views=("elevation",),
    meaning="From the crown's top to the string.", lines=(Line("string", (10, 200, 30)),),
    edges=(Edge("top", (0.0,)), Edge("foot", (1.0,))), follows=("apart",), on_paper=True,
)  # fmt: skip
PLACES = [Place("fret", 2), Place("neck")]
HEIGHT = 2.125


@pytest.fixture(autouse=True)
def listed(monkeypatch):
    monkeypatch.setattr(quantities, "QUANTITIES", (*quantities.QUANTITIES, ENTRY))


def seen(answer, key):
    """The answer with the new reading, and the line that shows it, 85 px long at 20 px to the millimetre."""
    drawn = Outline("string", ((40.0, 20.0), (40.0, 105.0)), of=key)
    return replace(answer, values={key: mm(HEIGHT, 0.01)}, outlines=(drawn,))


@pytest.fixture(params=PLACES, ids=str)
def key(request):
    return Key(request.param, ENTRY.feature, 1)


@pytest.fixture
def measured(store, monkeypatch, key):
    job = make_job(store)
    photo = services.add_photo(store, job, noise_jpeg(), "a.jpg", "elevation").photo
    measure_with(monkeypatch, lambda p, ask: seen(elevation(p, [0.05, 0.1], first=1), key))
    monkeypatch.setattr(server, "store", lambda: store)
    services.measure_photo(store, photo.id, Ask("elevation"))
    return job, services.photo_view(store, photo.id)


def test_it_goes_to_json_and_back_and_fits_the_schema(key):
    answer = seen(full_answer(), key)
    data = json.loads(json.dumps(answer.to_dict()))
    assert data["values"][str(key)]["value"] == HEIGHT
    validator = jsonschema.Draft202012Validator(answer_schema())
    validator.validate(data)
    back = Inspection.from_dict(data)
    assert (back.values, back.outlines) == (answer.values, answer.outlines)
    data["values"][str(key)]["unit"] = "deg"
    assert not validator.is_valid(data)


def test_an_answer_without_any_is_written_as_before():
    assert not {"values", "outlines"} & set(full_answer().to_dict())


def test_it_is_listed_last_of_its_place_and_can_be_rejected(key):
    answer = seen(full_answer(frets=(2, 3)), key)
    mine = [r for r in readings_of(answer) if r.place == key.place]
    assert (mine[-1].key, mine[-1].quantity, mine[-1].value.value) == (key, "string height", HEIGHT)
    assert without(answer, {key}).values == {}
    assert without(answer, {parse_key("fret 2, length")}).values == answer.values


def test_it_is_drawn_in_its_own_colour(key):
    canvas = np.full((120, 160, 3), 90, np.uint8)
    assert draw(canvas, seen(full_answer(frets=()), key))[60, 40].tolist() == list(ENTRY.lines[0].bgr)


def test_the_page_shows_it_with_its_handles_and_its_value_follows_them(measured, store, key):
    job, photo = measured
    rows = services.readings(store, job)
    chosen = next(r for r in rows if r.reading.key == key)
    scene = reading_scene(photo, rows, chosen, "mm")
    assert [h.of for h in scene.handles] == [key.part("top"), key.part("foot")]
    (live,) = scene.readouts
    assert (live.label, live.base) == ("string height", HEIGHT)
    assert live.slopes == (pytest.approx((0.0, -1 / 20.0)), pytest.approx((0.0, 1 / 20.0)))
    assert any(shape["pick"] == str(key) for shape in scene_data(scene)["shapes"])
    moved = MovedHandles(1, scene.subject, scene.handles[0].id, {scene.handles[0].id: (40.0, 30.0)})
    assert hand_edge(moved, scene).what == key.part("top")
    assert Ask.from_dict(Ask("elevation").with_hand_edge(hand_edge(moved, scene)).to_dict()).hand_edges


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_the_readings_page_opens_on_it_and_takes_a_decision(measured, store, key):
    job, photo = measured
    at = AppTest.from_file(APP, default_timeout=60)
    at.query_params["job"] = at.session_state["job"] = str(job)
    at.query_params["reading"], at.query_params["photo"] = str(key), str(photo.id)
    at.run()
    at.switch_page("app_pages/readings.py").run()
    assert not at.exception, at.exception
    said = " ".join(m.value for m in (*at.markdown, *at.header))
    assert str(key)[1:] in said
    assert "2.125 ± 0.020 mm" in said
    at.button(key="accept").click().run()
    assert {r.reading.key: r.verdict for r in services.readings(store, job)}[key] == "accept"


def test_it_stands_in_the_record_and_in_the_export(measured, store, key):
    job, _ = measured
    pages = PdfReader(io.BytesIO(record_paper(store, job).data)).pages
    assert "string height 1" in " ".join(" ".join(p.extract_text() for p in pages).split())
    assert f'"{key}",{HEIGHT}' in readings_csv(store, job)


def test_the_command_writes_it(monkeypatch, tmp_path, capsys, key):
    photo, out = tmp_path / "a.jpg", tmp_path / "a.json"
    photo.write_bytes(cv2.imencode(".jpg", np.full((120, 160, 3), 90, np.uint8))[1].tobytes())
    plain = full_answer(frets=())
    monkeypatch.setattr(one_photo, "measure", lambda photo, ask: seen(plain, key))
    assert main(["measure", str(photo), "--view", "elevation", "--json", str(out)]) == 0
    assert f"{key}   2.125 ± 0.020 mm" in capsys.readouterr().out
    assert str(key) in json.loads(out.read_text())["values"]
