"""Decode a photo safely, upright, with its focal length and its fingerprint."""

from __future__ import annotations

import hashlib
import io
import math
import warnings
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

from shared.errors import PhotoError

__all__ = ["Photo", "Focal", "open_photo", "linear_light", "MAX_PIXELS", "MAX_BYTES"]

MAX_PIXELS = 120_000_000
"""Largest picture decoded, in pixels: above any present camera, below what would fill a bench computer's memory."""
MAX_BYTES = 60_000_000
"""Largest file read, in bytes."""
_FORMATS = ("JPEG", "PNG", "WEBP", "HEIF")
_FULL_FRAME_WIDTH_MM = 36.0
_FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)


@dataclass(frozen=True, slots=True)
class Focal:
    """Focal length in pixels of the upright picture, its relative standard uncertainty, and where it came from."""

    px: float
    u_rel: float
    source: str


@dataclass(frozen=True)
class Photo:
    """A decoded photo.

    Attributes
    ----------
    bgr : ndarray of uint8, shape (height, width, 3)
        Upright pixels in OpenCV's channel order, read-only.
    sha256 : str
        Of the file's bytes, hexadecimal.
    name : str
        File name as given.
    focal : Focal
        From EXIF, or a wide assumption (``source == "assumed"``).
    """

    bgr: NDArray[np.uint8]
    sha256: str
    name: str
    focal: Focal

    @property
    def width(self) -> int:
        """Width in pixels."""
        return int(self.bgr.shape[1])

    @property
    def height(self) -> int:
        """Height in pixels."""
        return int(self.bgr.shape[0])

    @cached_property
    def gray(self) -> NDArray[np.uint8]:
        """Luma of the photo (ITU-R BT.601 weights), uint8, shape (height, width), read-only."""
        g = np.asarray(cv2.cvtColor(self.bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
        g.flags.writeable = False
        return g


def _srgb_table() -> NDArray[np.float32]:
    """IEC 61966-2-1 decoding of 8-bit codes to linear light, 0 to 1."""
    v = np.arange(256) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


_SRGB = _srgb_table()


def linear_light(codes: NDArray[np.uint8]) -> NDArray[np.float32]:
    """sRGB codes (any shape, uint8) to linear light 0..1 (IEC 61966-2-1).

    Blur happens in light, not in codes: an edge located at half level of the codes is displaced towards
    the dark side, by most of the blur's sigma for a black-to-white step.
    """
    return _SRGB[codes]


def open_photo(data: bytes, name: str = "photo") -> Photo:
    """Decode the bytes of a JPEG, PNG or WebP file (HEIC with the ``heic`` extra) into an upright photo.

    Raises
    ------
    PhotoError
        If the bytes are not a photo that can be measured; the message says why and what to do.
    """
    if not data:
        raise PhotoError(f"{name} is empty.", "Copy it from the camera again.")
    if len(data) > MAX_BYTES:
        raise PhotoError(f"{name} is larger than {MAX_BYTES // 1_000_000} MB.", "Save it as a JPEG of normal quality.")
    header = _read_header(data, name)
    bgr = _decode(data, name, header)
    bgr.flags.writeable = False
    return Photo(bgr, hashlib.sha256(data).hexdigest(), name, _focal(header, bgr.shape[1], bgr.shape[0]))


@dataclass(frozen=True, slots=True)
class _Header:
    format: str
    focal_35mm: float | None
    frames: int


def _read_header(data: bytes, name: str) -> _Header:
    """Look at the file without decoding its pixels."""
    if data[4:12] in (b"ftypheic", b"ftypheix", b"ftypmif1", b"ftyphevc"):
        _register_heif(name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            im = Image.open(io.BytesIO(data))
            exif = im.getexif().get_ifd(0x8769)
    except (UnidentifiedImageError, OSError, ValueError, Image.DecompressionBombError, SyntaxError):
        raise PhotoError(f"{name} is not a picture this program can read.", "Use a JPEG, PNG or WebP photo.") from None
    if im.format not in _FORMATS:
        raise PhotoError(f"{name} is a {im.format} file.", "Save it as JPEG, PNG or WebP.")
    if im.width * im.height > MAX_PIXELS:
        raise PhotoError(f"{name} has {im.width} x {im.height} pixels, too many to decode.", "Use a smaller size.")
    frames = int(getattr(im, "n_frames", 1))
    if frames > 1 and im.format != "JPEG":
        raise PhotoError(f"{name} is an animation of {frames} pictures.", "Use a single still photo.")
    f35 = exif.get(41989)
    try:
        f35 = float(f35) if f35 else None
    except (TypeError, ValueError):
        f35 = None
    return _Header(str(im.format), f35 if f35 and 5.0 < f35 < 3000.0 else None, frames)


def _register_heif(name: str) -> None:
    try:
        from pillow_heif import register_heif_opener
    except ImportError:
        raise PhotoError(
            f"{name} is a HEIC photo, and the part that reads HEIC is not installed.",
            "Install the heic extra, or set the phone to save JPEG.",
        ) from None
    register_heif_opener()


def _decode(data: bytes, name: str, header: _Header) -> NDArray[np.uint8]:
    if header.format == "HEIF":
        with Image.open(io.BytesIO(data)) as im:
            return np.ascontiguousarray(np.asarray(im.convert("RGB"))[:, :, ::-1])
    try:
        bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    except cv2.error:
        bgr = None
    if bgr is None:
        raise PhotoError(f"{name} is damaged or cut short.", "Copy it from the camera again.")
    return np.asarray(bgr, dtype=np.uint8)


def _focal(header: _Header, width: int, height: int) -> Focal:
    """Focal length from EXIF ``FocalLengthIn35mmFilm`` (tag 41989), else a wide assumption.

    Exif 2.32 does not say whether the equivalence is by width or by diagonal; for a 4:3 picture they differ by 4 %.
    The width is used, and half that difference is carried as standard uncertainty besides the rounding to 1 mm.
    """
    long_side = max(width, height)
    if header.focal_35mm is None:
        return Focal(1.3 * long_side, 0.4, "assumed")
    px = header.focal_35mm * long_side / _FULL_FRAME_WIDTH_MM
    by_diagonal = header.focal_35mm * math.hypot(width, height) / _FULL_FRAME_DIAGONAL_MM
    u_rounding = 0.5 / math.sqrt(3.0) / header.focal_35mm
    return Focal(px, math.hypot(u_rounding, abs(by_diagonal / px - 1.0) / 2.0), "EXIF")
