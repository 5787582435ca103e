"""What tests of the pages share: the store they are served from, photos that were measured, opening and pressing."""

from functools import cache
from pathlib import Path

import pytest
from streamlit.components.v2 import manifest_scanner
from streamlit.testing.v1 import AppTest

import inspect_app.ui
from inspect_app.reading.ask import Ask
from inspect_app.services import add_photo, measure_photo
from inspect_app.ui import server
from tests.inspect_app.conftest import noise_jpeg
from tests.inspect_app.deciding_case import make_job, put_elevation

APP = str(Path(inspect_app.ui.__file__).parent / "app.py")


@pytest.fixture(autouse=True, scope="session")
def packages_searched_once():
    """Streamlit searches all installed packages for components whenever a page is opened: a quarter of a second."""
    manifest_scanner.scan_component_manifests = cache(manifest_scanner.scan_component_manifests)


@pytest.fixture
def served(store, monkeypatch):
    """The store, which the pages use as well."""
    monkeypatch.setattr(server, "store", lambda: store)
    return store


@pytest.fixture
def measured(store, job, fake_measuring):
    """A photo of the job, measured."""
    photo = add_photo(store, job, noise_jpeg(), "a.jpg").photo
    measure_photo(store, photo.id, Ask("plan", scale_length=640.0))
    return photo


@pytest.fixture
def worn_job(store, monkeypatch):
    """A job with divots of 0.15 mm on six frets."""
    made = make_job(store)
    put_elevation(store, monkeypatch, made, 1, [0.15] * 6)
    return made


def open_page(file, job=None, looked_at=None, frets=None, changing=None, fold=None, **params):
    """A page, of a job where one is given; the photo `looked_at` was looked at before, by this window, which saw
    `frets`; the form of the photo `changing` is open, and the page's `fold` of that name."""
    at = AppTest.from_file(APP, default_timeout=60)
    if job is not None:
        at.query_params["job"] = at.session_state["job"] = str(job)
    if looked_at is not None:
        at.session_state[f"sight-{looked_at}"], at.session_state[f"frets-{looked_at}"] = "", frets
    if changing is not None:
        at.session_state[f"change-{changing}"] = True
    if fold is not None:
        at.session_state[f"{fold}-of-{job}"] = True
    for name, value in params.items():
        at.query_params[name] = value
    at.run()
    at.switch_page(f"app_pages/{file}").run()
    assert not at.exception, at.exception
    return at


def send(at, label):
    """Press the button that says so."""
    next(b for b in at.button if b.label == label).click()
    at.run()
    assert not at.exception, at.exception
