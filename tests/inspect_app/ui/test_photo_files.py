"""Photos over HTTP: previews made once, pieces pixel for pixel, and nothing but stored photos."""

from functools import cache

import cv2
import numpy as np
import pytest
from starlette.applications import Starlette

from inspect_app.services import add_photo, photo_path
from inspect_app.ui.photo_files import PREVIEW_PX, make_preview, preview_path, routes
from tests.inspect_app.conftest import noise_jpeg
from tests.inspect_app.ui.asgi import Client


@cache
def smooth_jpeg(width, height):
    y, x = np.mgrid[:height, :width]
    picture = np.stack([x * 255 / width, y * 255 / height, np.full_like(x, 90)], axis=-1)
    return cv2.imencode(".jpg", picture.astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()


@pytest.fixture
def served(store, job, tmp_path):
    sha = add_photo(store, job, smooth_jpeg(3000, 2000), "big.jpg").photo.sha256
    app = Starlette(routes=routes(lambda s: photo_path(store, s), tmp_path / "previews"))
    return Client(app), sha


def decoded(answer):
    return cv2.imdecode(np.frombuffer(answer.content, np.uint8), cv2.IMREAD_COLOR)


def test_a_preview_is_small_enough_and_kept_for_ever(served):
    client, sha = served
    answer = client.get(f"/photo/{sha}/preview.jpg")
    assert decoded(answer).shape == (1600, PREVIEW_PX, 3)
    assert "immutable" in answer.headers["cache-control"]
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_a_piece_shows_the_same_pixels(served, store):
    client, sha = served
    whole = cv2.imdecode(np.fromfile(photo_path(store, sha), np.uint8), cv2.IMREAD_COLOR)
    piece = decoded(client.get(f"/photo/{sha}/crop.jpg?x=500&y=300&w=200&h=120"))
    assert piece.shape == (120, 200, 3)
    assert np.abs(piece.astype(int) - whole[300:420, 500:700]).max() <= 6  # JPEG at quality 92


@pytest.mark.parametrize("query", ["", "x=0&y=0&w=0&h=9", "x=-5&y=0&w=9&h=9", "x=a&y=0&w=9&h=9", "x=99999&y=0&w=9&h=9"])
def test_an_impossible_piece_is_not_found(served, query):
    client, sha = served
    assert client.get(f"/photo/{sha}/crop.jpg?{query}").status_code == 404


@pytest.mark.parametrize("sha", ["0" * 64, "A" * 64, "..%2f..%2fetc%2fpasswd", "x"])
def test_only_stored_photos_are_found(served, sha):
    client, _ = served
    assert client.get(f"/photo/{sha}/preview.jpg").status_code == 404


def test_a_missing_file_is_not_found(served, store):
    client, sha = served
    photo_path(store, sha).unlink()
    assert client.get(f"/photo/{sha}/preview.jpg").status_code == 404


def test_a_preview_has_no_camera_data_and_is_made_once(store, job, tmp_path):
    sha = add_photo(store, job, noise_jpeg(5), "a.jpg").photo.sha256
    made = make_preview(sha, lambda s: photo_path(store, s), tmp_path)
    assert made == preview_path(tmp_path, sha)
    assert b"Exif" not in made.read_bytes()
    before = made.stat().st_mtime_ns
    make_preview(sha, lambda s: photo_path(store, s), tmp_path)
    assert made.stat().st_mtime_ns == before
    assert list(made.parent.glob("*.part")) == []
