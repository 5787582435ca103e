"""What tests of the store, the services and the command share: photos, answers, an empty data folder."""

import io
import shutil
from dataclasses import fields

import cv2
import numpy as np
import pytest
from PIL import Image

import inspect_app.services.measuring as measuring
from calib.scales.printed import DICTIONARY, STRIP, STRIP_SIZE
from inspect_app.measure import one_photo
from inspect_app.reading.ask import Ask, ScaleAsk
from inspect_app.reading.inspection import (
    CameraSummary,
    Divot,
    Flat,
    FretReading,
    Inspection,
    Outline,
    PhotoSummary,
    ScaleSummary,
)
from inspect_app.reading.key import NotMeasured, parse_key
from inspect_app.services import InstrumentDetails, JobDetails, create_job, open_store
from inspect_app.services.photo_cache import decoded_photo
from shared.measured import Measured


def mm(value, u=0.01, flags=()):
    return Measured.of(value, "mm", flags, edge_noise=u * 0.8, scale=u * 0.6)


def deg(value, u=0.4):
    return Measured.of(value, "deg", edge_noise=u)


def noise_jpeg(seed=0, size=(120, 160)):
    """A small JPEG of its own: noise from a seed."""
    pixels = np.random.default_rng(seed).integers(0, 255, (*size, 3), dtype=np.uint8)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=85)
    return out.getvalue()


def full_fret(number):
    """A fret with every field filled in."""
    filled = {
        f.name: deg(30.0 + i) if f.name.startswith("bevel_") and f.name != "bevel_straight" else mm(1.0 + i / 8.0)
        for i, f in enumerate(fields(FretReading))
        if f.name not in ("number", "flats", "divots", "outlines")
    }
    at = f"fret {number}"
    return FretReading(
        number,
        **filled,
        flats=(Flat(mm(12.0), mm(4.0), mm(0.9), mm(0.05, flags=("INDIRECT",))), Flat(mm(21.5), mm(3.0), mm(0.6))),
        divots=(Divot(mm(12.1), mm(4.2), mm(0.06, 0.02)),),
        outlines=(
            Outline("crown_edge", ((10.5, 20.0), (10.5, 90.25)), of=parse_key(f"{at}, crown width")),
            Outline("flat", ((9.0, 40.0), (12.0, 45.0), (9.0, 50.0)), True, parse_key(f"{at}, flats 1")),
        ),
    )


def full_answer(name="a.jpg", sha256="0" * 64, ask=None, frets=(3, 4)):
    """An answer with every field filled in."""
    ask = ask or Ask("plan", ScaleAsk("strip"), scale_length=640.0)
    return Inspection(
        ask.view,
        PhotoSummary(name, sha256, 160, 120),
        "0.1.0",
        ask.to_dict(),
        tuple(full_fret(n) for n in frets),
        (NotMeasured(parse_key("fret 5, flats"), "glare over the crown"),),
        ("FOCAL_ASSUMED",),
        ScaleSummary("strip", "crown", 0.08, 40, Outline("scale", ((1.0, 1.0), (50.0, 1.0), (50.0, 9.0)), True)),
        CameraSummary(3000.0, "EXIF", -0.02, 350.0, 3.2, 8.5),
        {"spacing_ratio": 1.0004, "spacing_ratio_u": 0.0008},
    )


def strip_photo(px_per_mm=8.0, size=(1300, 900)):
    """A PNG of the printed strip lying square on, 40 px from the left and 300 px from the top, and its bytes."""
    sheet = np.full((round(STRIP_SIZE[1] * px_per_mm), round(STRIP_SIZE[0] * px_per_mm)), 255, np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    for m in STRIP:
        side = round(m.side * px_per_mm)
        x, y = round(m.left * px_per_mm), round(m.top * px_per_mm)
        sheet[y : y + side, x : x + side] = cv2.aruco.generateImageMarker(dictionary, m.id, side)
    photo = np.full((size[1], size[0]), 150, np.uint8)
    photo[300 : 300 + sheet.shape[0], 40 : 40 + sheet.shape[1]] = sheet
    photo = cv2.GaussianBlur(photo, (0, 0), 0.9)
    return cv2.imencode(".png", photo)[1].tobytes()


@pytest.fixture(scope="session")
def new_data_dir(tmp_path_factory):
    """A data folder as it is made new, never written to: its migrations take most of a short test's time."""
    folder = tmp_path_factory.mktemp("new") / "data"
    open_store(folder).close()
    return folder


@pytest.fixture
def data_dir(tmp_path, new_data_dir):
    """A new data folder."""
    return shutil.copytree(new_data_dir, tmp_path / "data")


@pytest.fixture
def store(data_dir):
    opened = open_store(data_dir)
    yield opened
    opened.close()


@pytest.fixture
def job(store):
    instrument = InstrumentDetails("loan no. 7", "school guitar", scale_length=640.0, frets=20, strings=6)
    return create_job(store, JobDetails("Harbour Street Music School", "front desk", instrument, "buzzes"))


def measure_with(monkeypatch, measure):
    """Let `measure(photo, ask)` answer for what a photo shows."""

    def looked(path, sha256, _):
        return lambda ask: measure(decoded_photo(path, sha256), ask)

    monkeypatch.setattr(one_photo, "measure", measure)
    monkeypatch.setattr(measuring, "detected_photo", looked)
    monkeypatch.setattr(measuring, "look_ahead", lambda *_: None)


@pytest.fixture
def fake_measuring(monkeypatch):
    """Measuring gives `full_answer` for the photo asked about; returns the questions put."""
    asked = []
    measure_with(monkeypatch, lambda photo, ask: asked.append(ask) or full_answer(photo.name, photo.sha256, ask))
    return asked


@pytest.fixture
def make_jpeg():
    """`noise_jpeg`."""
    return noise_jpeg


@pytest.fixture
def make_answer():
    """`full_answer`."""
    return full_answer


@pytest.fixture(scope="session")
def strip_png():
    """`strip_photo` at 8 px to the millimetre."""
    return strip_photo()
