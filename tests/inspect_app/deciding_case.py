"""A job with known readings, for the tests of decisions and their pages: photos of noise, answers as given."""

import io

import numpy as np
from PIL import Image

from inspect_app.jobs.details import InstrumentDetails, JobDetails
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import CameraSummary, Divot, FretReading, Inspection, PhotoSummary
from inspect_app.services import add_photo, create_job, measure_photo
from shared.measured import Measured
from tests.inspect_app.conftest import measure_with


def mm(value, u=0.005, unit="mm"):
    return Measured.of(value, unit, reading=u)


def jpeg(seed, gps=False):
    noise = np.random.default_rng(seed).integers(0, 255, (120, 160, 3), dtype=np.uint8)
    image, out = Image.fromarray(noise), io.BytesIO()
    exif = Image.Exif()
    if gps:
        exif.get_ifd(0x8825)[2] = (48.0, 12.0, 3.0)
        exif[0x9C9D] = b"owner"
    image.save(out, "JPEG", exif=exif)
    return out.getvalue()


def elevation(photo, depths, bevel=30.0, first=1):
    frets = tuple(
        FretReading(
            first + i,
            blind_depth=mm(0.004),
            bevel_treble=mm(bevel, 0.4, "deg"),
            divots=(Divot(mm(20.0, 0.1), mm(5.0, 0.2), mm(d)),) if d else (),
        )
        for i, d in enumerate(depths)
    )
    camera = CameraSummary(4000.0, "EXIF", 0.0, 220.0, 5.0, 20.0)
    who = PhotoSummary(photo.name, photo.sha256, photo.width, photo.height)
    return Inspection("elevation", who, "t", {}, frets, camera=camera)


def make_job(store, scale_length=648.0):
    """A six-fret instrument with its wire's height written down."""
    guitar = InstrumentDetails(
        scale_length=scale_length, frets=6, strings=6, crown_height=1.1, board_wood="Rosewood", name="Board no. 6"
    )
    return create_job(store, JobDetails("A. Customer", instrument=guitar, asked_for="Buzzes"))


def put_elevation(store, monkeypatch, job, seed, depths, visit="intake", **kwargs):
    """Add a photo whose measuring gives a known answer."""
    measure_with(monkeypatch, lambda photo, ask: elevation(photo, depths, **kwargs))
    photo = add_photo(store, job, jpeg(seed, gps=True), f"e{seed}.jpg", "elevation", visit).photo
    return measure_photo(store, photo.id, Ask("elevation"))
