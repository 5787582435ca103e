"""What is begun before somebody asks for it: its errors wait, and the rest is loaded without being drawn."""

from pathlib import Path
from threading import Event

import streamlit

from inspect_app.report import pdf
from inspect_app.ui import script_links
from inspect_app.ui.prepare_ahead import begin, glance, load_the_rest
from shared.errors import OptionError

STREAMLIT_SCRIPTS = Path(streamlit.__file__).parent / "static" / "static" / "js"


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


def test_every_script_named_ahead_is_there_and_each_kind_the_pages_use_is_among_them():
    named = [Path(link.split(">")[0].lstrip("<")).name for link in script_links.links().split(", ")]
    assert len(named) == len(set(named))
    assert {n.split(".")[0] for n in named} >= {"NumberInput", "TextArea", "ArrowVegaLiteChart", "embed"}
    assert [n for n in named if not (STREAMLIT_SCRIPTS / n).is_file()] == []
