"""Every way a photo comes in: upright and read, or refused with its own sentence. All files are made here."""

from __future__ import annotations

import builtins
import contextlib
import hashlib
import io
import math
import struct
import zlib

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps

from calib.photo import MAX_BYTES, Camera, linear_light, open_photo
from shared.errors import PhotoError


def picture(width: int = 96, height: int = 64) -> Image.Image:
    """A smooth picture with no symmetry."""
    y, x = np.mgrid[0:height, 0:width].astype(float)
    rgb = np.stack([255 * x / width, 255 * y / height, 255 * (x + y > 60)], axis=-1)
    return Image.fromarray(cv2.GaussianBlur(rgb, (0, 0), 2.0).astype(np.uint8))


def saved(image: Image.Image, kind: str = "JPEG", **options) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def exif(orientation: int | None = None, **camera) -> Image.Exif:
    tags = {"focal_35mm": 41989, "focal_mm": 37386, "resolution": 41486, "unit": 41488, "width": 40962, "height": 40963}
    e = Image.Exif()
    if orientation is not None:
        e[274] = orientation
    ifd = e.get_ifd(0x8769)
    for name, value in camera.items():
        ifd[tags[name]] = value
    return e


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_all_eight_orientations_come_upright(kind, orientation):
    """Pixels equal to Pillow's `exif_transpose` (JPEG decoders may differ by a code or two)."""
    options = {"quality": 95} if kind == "JPEG" else {"lossless": True} if kind == "WEBP" else {}
    data = saved(picture(), kind, exif=exif(orientation), **options)
    expected = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB"))[:, :, ::-1]
    photo = open_photo(data)
    assert photo.bgr.shape == expected.shape
    difference = np.abs(photo.bgr.astype(int) - expected)
    assert difference.max() <= (3 if kind == "JPEG" else 0)


def test_a_photo_is_read_only_and_carries_its_fingerprint():
    data = saved(picture())
    photo = open_photo(data, "board.jpg")
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert (photo.width, photo.height, photo.name) == (96, 64, "board.jpg")
    for array in (photo.bgr, photo.gray):
        with pytest.raises(ValueError, match="read-only"):
            array[0, 0] = 0


@pytest.mark.parametrize("name", ["grey", "grey 16 bit", "16 bit rgb", "alpha", "palette", "cmyk", "progressive"])
def test_unusual_pixels_work(name):
    rgb = picture()
    data = {
        "grey": lambda: saved(rgb.convert("L")),
        "grey 16 bit": lambda: cv2.imencode(".png", np.asarray(rgb.convert("L")).astype(np.uint16) * 257)[1].tobytes(),
        "16 bit rgb": lambda: cv2.imencode(".png", np.asarray(rgb)[:, :, ::-1].astype(np.uint16) * 257)[1].tobytes(),
        "alpha": lambda: saved(rgb.convert("RGBA"), "PNG"),
        "palette": lambda: saved(rgb.quantize(64), "PNG"),
        "cmyk": lambda: saved(rgb.convert("CMYK"), quality=95),
        "progressive": lambda: saved(rgb, progressive=True, quality=95),
    }[name]()
    photo = open_photo(data)
    assert photo.bgr.shape == (64, 96, 3)
    assert photo.bgr.dtype == np.uint8
    expected = np.asarray(rgb.convert("L") if name.startswith("grey") else rgb, dtype=float)
    got = photo.gray if name.startswith("grey") else photo.bgr[:, :, ::-1]
    assert np.abs(got.astype(float) - expected).mean() < (8.0 if name == "palette" else 4.0)


def test_a_multi_picture_jpeg_shows_its_first():
    data = saved(picture(), "MPO", save_all=True, append_images=[picture().transpose(Image.Transpose.ROTATE_180)])
    assert Image.open(io.BytesIO(data)).format == "MPO"
    difference = np.abs(open_photo(data).bgr[:, :, ::-1].astype(int) - np.asarray(picture()))
    assert difference.mean() < 5


def test_bytes_after_the_end_of_a_jpeg_do_no_harm():
    assert open_photo(saved(picture()) + b"appended by a phone" * 10).width == 96


def test_heic_works_with_its_extra():
    heif = pytest.importorskip("pillow_heif")
    heif.register_heif_opener()
    photo = open_photo(saved(picture(), "HEIF", quality=95))
    assert np.abs(photo.bgr[:, :, ::-1].astype(int) - np.asarray(picture())).mean() < 6


def test_heic_without_its_extra_says_what_to_do(monkeypatch):
    real = builtins.__import__

    def without(name, *args, **kwargs):
        if name == "pillow_heif":
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(PhotoError, match="part that reads HEIC is not installed"):
        open_photo(b"\0\0\0\x18ftypheic" + bytes(64))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("part", [0.5, 0.8, 0.97])
def test_a_truncated_file_is_refused(kind, part):
    data = saved(picture(400, 300), kind)
    with pytest.raises(PhotoError, match=r"damaged or cut short|not a picture"):
        open_photo(data[: int(len(data) * part)])


def test_a_truncated_jpeg_with_a_whole_thumbnail_is_refused():
    e = exif(1)
    data = saved(picture(400, 300), exif=e)
    thumbnail = saved(picture(32, 24))
    comment = b"\xff\xfe" + struct.pack(">H", len(thumbnail) + 2) + thumbnail
    whole = data[:2] + comment + data[2:]
    assert open_photo(whole).width == 400
    with pytest.raises(PhotoError, match="damaged or cut short"):
        open_photo(whole[: int(len(whole) * 0.7)])


def test_an_empty_file():
    with pytest.raises(PhotoError, match=r"board\.jpg is empty\. Copy it"):
        open_photo(b"", "board.jpg")


@pytest.mark.parametrize("data", [b"hello", bytes(5000), b"\xff\xd8\xff\xe0" + bytes(100), b"%PDF-1.7\n" + bytes(300)])
def test_garbage(data):
    with pytest.raises(PhotoError, match="not a picture this program can read"):
        open_photo(data)


@given(st.binary(min_size=1, max_size=400))
@settings(max_examples=60, deadline=None)
def test_any_bytes_give_a_photo_or_a_sentence(data):
    with pytest.raises(PhotoError):
        open_photo(b"\xff\xd8\xff" + data)


@given(st.integers(0, 10_000), st.integers(0, 255))
@settings(max_examples=60, deadline=None)
def test_a_damaged_byte_gives_a_photo_or_a_sentence(at, value):
    data = bytearray(saved(picture()))
    data[at % len(data)] = value
    with contextlib.suppress(PhotoError):  # any other error fails
        assert open_photo(bytes(data)).bgr.ndim == 3


def test_a_chunk_that_says_it_is_longer_than_the_file_is_never_given_memory(monkeypatch):
    decoded = []
    monkeypatch.setattr(cv2, "imdecode", lambda *words: decoded.append(words))
    png = io.BytesIO()
    picture().save(png, "PNG")
    data = png.getvalue()
    at = data.index(b"IDAT") - 4
    with pytest.raises(PhotoError, match="damaged or cut short"):
        open_photo(data[:at] + struct.pack(">I", 0x7FFFFFFF) + data[at + 4 :])
    assert not decoded


def test_a_huge_file():
    with pytest.raises(PhotoError, match="larger than 60 MB"):
        open_photo(b"\xff" * (MAX_BYTES + 1))


@pytest.mark.parametrize("side", [12_000, 60_000])
def test_a_pixel_bomb_is_refused_by_its_header(side):
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    data = (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(bytes(100))) + chunk(b"IEND", b"")
    )
    with pytest.raises(PhotoError, match="too many"):
        open_photo(data)


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_an_animation_is_refused(kind):
    data = saved(picture(), kind, save_all=True, append_images=[ImageOps.invert(picture())], duration=100)
    with pytest.raises(PhotoError, match="animation of 2 pictures"):
        open_photo(data)


@pytest.mark.parametrize("kind", ["TIFF", "BMP", "GIF"])
def test_other_formats_are_named(kind):
    with pytest.raises(PhotoError, match=f"is a {kind} file"):
        open_photo(saved(picture(), kind))


@pytest.mark.parametrize("orientation", [1, 6])
def test_focal_length_from_the_35_mm_equivalent(orientation):
    photo = open_photo(saved(picture(96, 72), exif=exif(orientation, focal_35mm=28)))
    assert photo.focal.source == "EXIF"
    assert photo.focal.px == pytest.approx(28 * 96 / 36)
    by_diagonal = 28 * math.hypot(96, 72) / math.hypot(36, 24)
    rounding = 0.5 / math.sqrt(3) / 28
    assert photo.focal.u_rel == pytest.approx(math.hypot(rounding, (1 - by_diagonal / photo.focal.px) / 2))


def test_a_long_lens_focused_close_is_less_certain():
    near = open_photo(saved(picture(), exif=exif(focal_35mm=90, focal_mm=60.0))).focal
    phone = open_photo(saved(picture(), exif=exif(focal_35mm=90, focal_mm=6.0))).focal
    assert near.px == phone.px
    assert near.u_rel > 0.1 > phone.u_rel


@pytest.mark.parametrize(("unit", "per_unit"), [(2, 25.4), (3, 10.0), (4, 1.0)])
def test_focal_length_from_the_focal_plane_resolution(unit, per_unit):
    """50 mm on a sensor of 6000 px on 36 mm, saved at a hundredth of its size."""
    e = exif(focal_mm=50.0, resolution=6000 / 36 * per_unit, unit=unit, width=6000, height=4000)
    photo = open_photo(saved(picture(60, 40), exif=e))
    assert photo.focal.source == "EXIF"
    assert photo.focal.px == pytest.approx(50.0 * 60 / 36, rel=1e-3)


@pytest.mark.parametrize(
    "camera",
    [
        {"focal_mm": 50.0, "focal_35mm": 5},  # a sensor 360 mm wide
        {"focal_mm": 0.6, "focal_35mm": 50},  # one of 0.4 mm
        {"focal_mm": 50.0, "resolution": 6000 / 360 * 10.0, "unit": 3, "width": 6000, "height": 4000},
    ],
)
def test_focal_lengths_that_imply_an_absurd_sensor_are_not_believed(camera):
    focal = open_photo(saved(picture(600, 400), exif=exif(1, **camera))).focal
    assert focal.source == "assumed"


def test_the_camera_is_named_as_exif_has_it():
    camera = open_photo(saved(picture(60, 40), exif=exif(6, focal_mm=6.5, focal_35mm=26))).camera
    assert (camera.focal_mm, camera.focal_35mm, camera.zoom, camera.orientation) == (6.5, 26.0, 1.0, 6)
    assert open_photo(saved(picture(60, 40))).camera == Camera()


@pytest.mark.parametrize("camera", [{}, {"focal_35mm": 0}, {"focal_mm": 50.0}, {"focal_mm": 50.0, "resolution": 72.0}])
def test_an_unknown_focal_length_is_a_wide_assumption(camera):
    focal = open_photo(saved(picture(600, 400), exif=exif(1, **camera))).focal
    assert focal.source == "assumed"
    assert focal.u_rel >= 0.4


def test_linear_light_is_that_of_the_standard():
    """IEC 61966-2-1 decoding: code 0.5 of full scale is 0.2140 of full light, and its linear toe ends at 0.04045."""
    light = linear_light(np.arange(256, dtype=np.uint8))
    assert light[0] == 0.0
    assert light[255] == pytest.approx(1.0)
    assert light[10] == pytest.approx(10 / 255 / 12.92, rel=1e-6)
    assert (light[127] + light[128]) / 2 == pytest.approx(0.21404, abs=2e-5)
    assert np.all(np.diff(light) > 0)


def test_a_jpeg_says_how_coarsely_it_keeps_colours():
    """Annex K.1 of ITU-T T.81 has 17 for the mean of colours at quality 50, and Pillow halves or doubles from there."""
    coarse, fine = (open_photo(saved(picture(), quality=q)).colour_step for q in (50, 95))
    assert coarse == 17 / 8
    assert 0.0 < fine < 0.5
    assert open_photo(saved(picture(), "PNG")).colour_step == 0.0
