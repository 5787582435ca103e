"""What tests of the pages share: the store they are served from, and a photo that was measured."""

import pytest

from inspect_app.reading.ask import Ask
from inspect_app.services import add_photo, measure_photo
from inspect_app.ui import server
from tests.inspect_app.conftest import noise_jpeg


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
