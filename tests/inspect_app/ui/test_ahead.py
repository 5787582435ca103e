"""What is begun before somebody asks for it: its errors wait, and the rest is loaded without being drawn."""

from threading import Event

from inspect_app.report import pdf
from inspect_app.ui.ahead import begin, glance, load_the_rest
from shared.errors import OptionError


def test_an_error_met_ahead_is_said_to_nobody_and_what_follows_is_done():
    def fails(number):
        raise OptionError(f"{number} is not there.", "Choose another.")

    glance(fails, 3)
    assert begin(lambda: 5).result(10) == 5


def test_fonts_are_there_when_the_rest_is_loaded(monkeypatch):
    done, looked = Event(), []
    monkeypatch.setattr(pdf, "_fonts", looked.append)
    load_the_rest(done.set)
    assert done.wait(60)
    assert looked == [False, True]
