"""Looking at photos ahead of the person: whatever the order of asking, everything asked is answered."""

import threading
from concurrent.futures import Future
from pathlib import Path

import pytest

from inspect_app.reading.ask import Ask
from inspect_app.services import decoded
from shared.errors import InspectError

PATIENCE_S = 30.0
"""An answer that has not come by then never comes: nothing here takes time."""


@pytest.fixture
def gate(monkeypatch):
    """Looking waits until it is opened; a photo of the hash ``"bad"`` shows nothing."""
    opened = threading.Event()

    def look(photo, ask, calibrated):
        assert opened.wait(PATIENCE_S)
        if photo == "bad":
            raise InspectError("Nothing is in it.", "Take another.")
        return lambda asked: photo

    monkeypatch.setattr(decoded, "decoded", lambda path, sha256: sha256)
    monkeypatch.setattr(decoded, "calibration", lambda path, sha256, ask: None)
    monkeypatch.setattr(decoded, "look", look)
    decoded._looking.cache_clear()
    yield opened
    opened.set()
    decoded._looking.cache_clear()


def answer(sha256):
    """What is said of a photo, asked from a thread of its own as a page does."""
    said: Future = Future()

    def ask():
        try:
            said.set_result(decoded.looked(Path("p"), sha256, Ask("plan"))(Ask("plan")))
        except InspectError as error:
            said.set_exception(error)

    threading.Thread(target=ask, daemon=True).start()
    return said


def test_photos_leafed_through_faster_than_they_are_looked_at_are_all_answered(gate):
    for name in ("a", "b", "c", "d"):
        decoded.look_ahead(Path("p"), name, Ask("plan"))
    gate.set()
    assert [answer(n).result(PATIENCE_S) for n in ("d", "a", "b")] == ["d", "a", "b"]


def test_a_photo_that_shows_nothing_does_not_keep_the_next_one_waiting(gate):
    decoded.look_ahead(Path("p"), "bad", Ask("plan"))
    waiting = answer("bad")
    gate.set()
    with pytest.raises(InspectError):
        waiting.result(PATIENCE_S)
    decoded.look_ahead(Path("p"), "good", Ask("plan"))
    assert answer("good").result(PATIENCE_S) == "good"
