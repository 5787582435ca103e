"""What an earlier version wrote is read as it stands: a key's text is what it was, so nothing stored had to change.

`old/` was written by the version before keys had a form of their own: an answer, and the tables of a store (revision
0003) with two judgements and two edges placed by hand.
"""

import json
import sqlite3
from pathlib import Path

import jsonschema

from inspect_app import services
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.key import parse_key
from inspect_app.reading.schema import answer_schema
from inspect_app.reading.values import readings_of

OLD = Path(__file__).parent / "old"
ANSWER = json.loads((OLD / "answer-1.json").read_text(encoding="utf-8"))
PLACED = ["fret 3, crown nut side", "fret 3, flats 1, treble end"]


def opened(folder):
    """A store opened on the tables that the earlier version left."""
    folder.mkdir()
    tables = sqlite3.connect(folder / "jobs.sqlite")
    tables.executescript((OLD / "store-0003.sql").read_text(encoding="utf-8"))
    tables.close()
    return services.open_store(folder)


def test_an_old_answer_is_read_and_written_again_without_a_difference():
    jsonschema.validate(ANSWER, answer_schema())
    answer = Inspection.from_dict(ANSWER)
    assert json.loads(json.dumps(answer.to_dict())) == ANSWER
    assert [str(e.what) for e in Ask.from_dict(answer.options).hand_edges] == PLACED
    assert len(readings_of(answer)) == 25


def test_an_old_store_keeps_every_reading_judgement_and_placed_edge(tmp_path):
    store = opened(tmp_path / "data")
    (job,) = services.find_jobs(store).rows
    (photo,) = services.job_view(store, job.id).photos
    assert json.loads(json.dumps(photo.inspection.answer.to_dict())) == ANSWER
    assert [str(e.what) for e in photo.inspection.ask.hand_edges] == PLACED
    said = {str(r.reading.key): (r.verdict, r.reason) for r in services.readings(store, job.id) if r.verdict != "open"}
    assert said == {"fret 3, crown width": ("accept", ""), "fret 3, flats 2, width": ("reject", "a scratch")}
    (kept,) = services.history(store, photo.id, parse_key("fret 3, flats 2, width"))
    assert (kept.verdict, kept.reason) == ("reject", "a scratch")
    store.close()


def test_what_is_judged_anew_is_written_as_before(tmp_path):
    store = opened(tmp_path / "data")
    (job,) = services.find_jobs(store).rows
    first = services.readings(store, job.id)[0]
    services.judge(store, first.inspection_id, first.reading.key, "accept")
    store.close()
    tables = sqlite3.connect(tmp_path / "data" / "jobs.sqlite")
    assert str(first.reading.key) in {text for (text,) in tables.execute("SELECT reading FROM judgements")}
    tables.close()
