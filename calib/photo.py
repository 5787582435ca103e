"""Decode a photo safely, upright, with its focal length and its fingerprint."""

from __future__ import annotations

import hashlib
import io
import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray
from PIL import ExifTags, Image

from calib.camera import ASSUMED, CENTRE_PRIOR, PROFILE, Camera, Focal
from shared.errors import PhotoError

__all__ = [
    "Photo",
    "Focal",
    "Camera",
    "ASSUMED",
    "CENTRE_PRIOR",
    "PROFILE",
    "open_photo",
    "read_photo",
    "linear_light",
    "MAX_PIXELS",
    "MAX_BYTES",
    "MIN_SIDE",
]

MAX_PIXELS = 120_000_000
"""Largest picture decoded, in pixels: above any present camera, below what would fill a bench computer's memory."""
MAX_BYTES = 60_000_000
"""Largest file read, in bytes: half a byte a pixel of the largest picture, as a JPEG of high quality takes."""
MIN_SIDE = 32
"""Shortest side of a picture that can be measured, in pixels: a printed scale's marker is six modules wide, and its
bits are told apart from about five pixels a module (common practice, no source); nothing narrower shows a scale."""
HARMLESS = ("Invalid SOS parameters", "Unknown JFIF revision", "Unknown Adobe color transform")
"""What libjpeg warns of that changes no pixel: parameters and versions it does not know (jerror.h)."""
_NO_LENGTH = (0x01, *range(0xD0, 0xD8))  # JPEG markers TEM and RSTn
_FORMATS = ("JPEG", "MPO", "PNG", "WEBP", "HEIF")
_MM_PER_UNIT = {2: 25.4, 3: 10.0, 4: 1.0}  # FocalPlaneResolutionUnit: inch, cm (Exif 2.32), and mm (TIFF/EP)
_INCH = 2  # the unit where none is stated (Exif 2.32)
_POSSIBLE_FOCAL_MM, _POSSIBLE_35MM = (0.5, 3000.0), (5.0, 3000.0)  # from the shortest to the longest lens made
_POSSIBLE_RESOLUTION, _POSSIBLE_SIDE_PX = (10.0, 1e6), (1.0, 1e6)
_POSSIBLE_FOCAL = (0.3, 100.0)  # of the longer side: beyond it the resolution stated is not the sensor's
_POSSIBLE_ZOOM = (1.0, 100.0)  # of the picture by enlarging its middle; 0 stands for none (Exif 2.32)
_POSSIBLE_SENSOR_MM = (1.0, 70.0)
"""Longer side of a sensor: from an endoscope's to more than a digital back's 54 mm (common practice, no source). Where
the focal lengths stated imply another, one of them is wrong, and which is not known."""
_LONG_LENS, _U_LONG_LENS = 0.28, 0.2
"""Of the distance photos are taken from: a lens that long focuses inside (common practice, no source), and half of what
a thin one would move by is then about this share of its focal length."""
_ASSUMED_FOCAL, _U_ASSUMED_FOCAL = 1.3, 0.4  # of the longer side: from a phone's 0.7 to a portrait lens's 2.4
_FOCUS_MM = 300.0  # the distance photos of a fingerboard are taken from, about
_U_NOMINAL_FOCAL = 0.02  # a marked focal length is good to a few percent (common practice, no source)
_FULL_FRAME_WIDTH_MM = 36.0  # EXIF 2.32, FocalLengthIn35mmFilm: of the 24 mm by 36 mm frame
_FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)


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
        From EXIF, or a wide assumption (its source is then `ASSUMED`), or from a lens profile.
    camera : Camera
        As EXIF names it.
    colour_step : float
        What the file rounds a block's mean colour differences to, codes of 255; 0 where it is not known.
    """

    bgr: NDArray[np.uint8]
    sha256: str
    name: str
    focal: Focal
    camera: Camera = field(default_factory=Camera)
    colour_step: float = 0.0

    @property
    def width(self) -> int:
        """Width in pixels."""
        return int(self.bgr.shape[1])

    @property
    def height(self) -> int:
        """Height in pixels."""
        return int(self.bgr.shape[0])

    def part(self, first: Sequence[int], last: Sequence[int]) -> NDArray[np.uint8]:
        """The pixels from column and row `first` to before `last`, as they are measured."""
        return self.bgr[first[1] : last[1], first[0] : last[0]]

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

    >>> [f"{light:.3f}" for light in linear_light(np.array([0, 128, 255], dtype=np.uint8))]
    ['0.000', '0.216', '1.000']
    """
    return np.asarray(cv2.LUT(codes, _SRGB), dtype=np.float32) if 2 <= codes.ndim <= 3 and codes.size else _SRGB[codes]


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
        raise _too_large(name)
    header = _read_header(data, name)
    bgr = _decode(data, name, header)
    bgr.flags.writeable = False
    focal = _focal(header, bgr.shape[1], bgr.shape[0])
    return Photo(bgr, hashlib.sha256(data).hexdigest(), name, focal, header.camera, header.colour_step)


def read_photo(path: Path) -> bytes:
    """The bytes of a photo's file; one that is no plain file or larger than any photo is not begun to be read.

    Raises
    ------
    PhotoError
        If it can't be read.
    """
    try:
        if not path.is_file():
            path.stat()  # says why it is not there
            raise PhotoError(f"{path} is not a file.", "Name a photo's file.")
        if path.stat().st_size > MAX_BYTES:
            raise _too_large(path.name)
        return path.read_bytes()
    except (OSError, ValueError) as error:  # a name with a NUL in it is a ValueError
        why = getattr(error, "strerror", None) or error
        raise PhotoError(f"{path} can't be read: {why}.", "Check the name of the file.") from None


def _too_large(name: str) -> PhotoError:
    return PhotoError(f"{name} is larger than {MAX_BYTES // 1_000_000} MB.", "Save it as a JPEG of normal quality.")


@dataclass(frozen=True, slots=True)
class _Header:
    """What the file says of itself: format, camera, sensor px/mm, longer side (px), step of block colours (codes)."""

    format: str
    camera: Camera
    px_per_mm: float | None
    exif_side: float | None
    colour_step: float


def _read_header(data: bytes, name: str) -> _Header:
    """Look at the file without decoding its pixels."""
    if data[4:8] == b"ftyp" and data[8:12] in (b"heic", b"heix", b"heim", b"heis", b"hevc", b"mif1", b"msf1"):
        _register_heif(name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of large pictures; the limit here is checked below
            im = Image.open(io.BytesIO(data))
            _check(im, name)
            # a PNG without this chunk in front would be decoded to look for it behind
            exif = im.getexif() if im.format != "PNG" or "exif" in im.info else Image.Exif()
            camera = exif.get_ifd(ExifTags.IFD.Exif)
    except Image.DecompressionBombError:
        raise PhotoError(f"{name} has far too many pixels to decode.", "Use a smaller size.") from None
    except PhotoError:
        raise
    except Exception:  # whatever a parser of a stranger's bytes ends in, the file is none it can read
        raise PhotoError(f"{name} is not a picture this program can read.", "Use a JPEG, PNG or WebP photo.") from None
    tag = ExifTags.Base
    unit_mm = _MM_PER_UNIT.get(camera.get(tag.FocalPlaneResolutionUnit, _INCH))
    resolution = _number(camera.get(tag.FocalPlaneXResolution), _POSSIBLE_RESOLUTION)
    sides = [_number(camera.get(t), _POSSIBLE_SIDE_PX) for t in (tag.ExifImageWidth, tag.ExifImageHeight)]
    return _Header(
        str(im.format),
        Camera(
            " ".join(filter(None, (_exif_text(exif.get(t)) for t in (tag.Make, tag.Model)))),
            _number(camera.get(tag.FocalLength), _POSSIBLE_FOCAL_MM),
            _number(camera.get(tag.FocalLengthIn35mmFilm), _POSSIBLE_35MM),
            _number(camera.get(tag.DigitalZoomRatio), _POSSIBLE_ZOOM) or 1.0,
            int(_number(exif.get(tag.Orientation), (1.0, 8.0)) or 1),
        ),
        resolution / unit_mm if resolution and unit_mm else None,
        max((s for s in sides if s), default=None),
        _colour_step(im),
    )


def _colour_step(im: Image.Image) -> float:
    """What a JPEG rounds a block's mean of its colour differences to, codes; 0 for other files.

    A block's first coefficient is 8 times its mean (ITU-T T.81, A.3.3), and colours have the last table.
    """
    tables: dict[int, list[int]] = getattr(im, "quantization", None) or {}
    return tables[max(tables)][0] / 8.0 if tables else 0.0


def _exif_text(value: object) -> str:
    """An EXIF text without the padding that cameras write around it."""
    return " ".join(value.replace("\0", " ").split()) if isinstance(value, str) else ""


def _check(im: Image.Image, name: str) -> None:
    if im.format not in _FORMATS:
        raise PhotoError(f"{name} is a {im.format} file.", "Save it as JPEG, PNG or WebP.")
    if im.width * im.height > MAX_PIXELS:
        raise PhotoError(f"{name} has {im.width} x {im.height} pixels, too many to decode.", "Use a smaller size.")
    if min(im.width, im.height) < MIN_SIDE:
        raise PhotoError(
            f"{name} has {im.width} x {im.height} pixels, too few to measure.", "Use the camera's original file."
        )
    frames = int(getattr(im, "n_frames", 1))
    if frames > 1 and im.format in ("PNG", "WEBP"):  # a JPEG or HEIC with several pictures shows its first
        raise PhotoError(f"{name} is an animation of {frames} pictures.", "Use a single still photo.")


def _number(value: object, possible: tuple[float, float]) -> float | None:
    """An EXIF value as a float, or None where it is missing, not a number or outside what is possible."""
    try:
        v = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return v if possible[0] <= v <= possible[1] else None


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
    damaged = PhotoError(f"{name} is damaged or cut short.", "Copy it from the camera again.")
    if not _is_whole(data, header.format):
        raise damaged
    try:
        if header.format == "HEIF":  # its reader turns it upright itself
            with Image.open(io.BytesIO(data)) as im:
                return np.ascontiguousarray(np.asarray(im.convert("RGB"))[:, :, ::-1])
        bgr = _jpeg(data) if header.format in ("JPEG", "MPO") else _by_opencv(data)
    except Exception:
        raise damaged from None
    if bgr is None:
        raise damaged
    return _upright(np.asarray(bgr, dtype=np.uint8), header.camera.orientation)


def _by_opencv(data: bytes) -> NDArray[np.uint8] | None:
    found = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    return None if found is None else np.asarray(found, dtype=np.uint8)


def _jpeg(data: bytes) -> NDArray[np.uint8] | None:
    """A JPEG's pixels, as libjpeg-turbo decodes them for OpenCV too; a warning of the decoder counts as damage.

    Raises
    ------
    ValueError
        If the decoder warned: it fills in what it can't read and goes on, and what it makes up would be measured.
    """
    four_inks = simplejpeg.decode_jpeg_header(data)[2] in ("CMYK", "YCCK")
    for strict in (True, False):
        try:
            found = simplejpeg.decode_jpeg(data, "CMYK" if four_inks else "BGR", strict=strict)
            return _by_opencv(data) if four_inks else np.asarray(found, dtype=np.uint8)
        except ValueError as error:
            if not strict or not str(error).startswith(HARMLESS):
                raise
    return None


def _is_whole(data: bytes, kind: str) -> bool:
    """Whether the file reaches its end mark; decoders fill what is missing with grey and say nothing.

    JPEG (ITU-T T.81, B.1.1): an EOI after the first start of scan, where the coded data holds no other marker.
    PNG: every chunk up to IEND within the file. WebP: the length in the RIFF header.
    """
    if kind in ("JPEG", "MPO"):
        scan = _start_of_scan(data)
        return scan > 0 and data.rfind(b"\xff\xd9", scan) > 0  # from the end: a whole file has one there
    if kind == "PNG":
        return _chunks_fit(data)
    if kind == "WEBP":
        return len(data) >= 8 + int.from_bytes(data[4:8], "little")
    return True


def _chunks_fit(png: bytes) -> bool:
    """Whether each chunk of a PNG lies within the file, up to IEND (PNG, third edition, 5.3).

    A decoder takes as much memory as a chunk says it is long, two gigabytes for one flipped bit, before it reads.
    """
    at = 8
    while at + 12 <= len(png):
        kind, at = png[at + 4 : at + 8], at + 12 + int.from_bytes(png[at : at + 4], "big")
        if kind == b"IEND":
            return at <= len(png)
    return False


def _start_of_scan(data: bytes) -> int:
    """Offset of a JPEG's first SOS segment, past the segments before it (a thumbnail has its own); -1 if none."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xDA:
            return at
        length = 0 if marker in _NO_LENGTH else int.from_bytes(data[at + 2 : at + 4])
        at += 1 if marker == 0xFF else 2 + length  # a fill byte stands alone
    return -1


def _upright(bgr: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Turn and mirror pixels as Exif tag 274 says (Exif 2.32, 4.6.4: the corner and side of row 0 and column 0)."""
    if orientation >= 5:
        bgr = np.asarray(cv2.transpose(bgr), dtype=np.uint8)
    upside_down, mirrored = orientation in (3, 4, 7, 8), orientation in (2, 3, 6, 7)
    if not upside_down and not mirrored:
        return bgr
    return np.asarray(cv2.flip(bgr, -1 if upside_down and mirrored else int(mirrored)), dtype=np.uint8)


def _focal(header: _Header, width: int, height: int) -> Focal:
    """Focal length from EXIF, else a wide assumption.

    ``FocalLengthIn35mmFilm``: Exif 2.32 does not say whether the equivalence is by width or by diagonal;
    for a 4:3 picture they differ by 4 %. The width is used, and half that difference is carried as standard
    uncertainty besides the rounding to 1 mm. Without it, ``FocalLength`` times the focal plane's resolution. A lens
    focused close may stand further from its sensor, or focus inside: see `_u_focusing`.
    """
    long_side = max(width, height)
    mm, of_35mm = header.camera.focal_mm, header.camera.focal_35mm
    if _sensor_is_absurd(header, long_side):
        return Focal(_ASSUMED_FOCAL * long_side, _U_ASSUMED_FOCAL, ASSUMED)
    if of_35mm is not None:
        px = of_35mm * long_side / _FULL_FRAME_WIDTH_MM
        by_diagonal = of_35mm * math.hypot(width, height) / _FULL_FRAME_DIAGONAL_MM
        u_rounding = 0.5 / math.sqrt(3.0) / of_35mm
        u_rel = math.hypot(u_rounding, abs(by_diagonal / px - 1.0) / 2.0, _u_focusing(mm))
        return Focal(px, u_rel, "EXIF")
    if mm is not None and header.px_per_mm is not None:
        resized = long_side / header.exif_side if header.exif_side else 1.0
        px = mm * header.px_per_mm * resized
        if _POSSIBLE_FOCAL[0] * long_side < px < _POSSIBLE_FOCAL[1] * long_side:
            return Focal(px, math.hypot(_U_NOMINAL_FOCAL, _u_focusing(mm)), "EXIF")
    return Focal(_ASSUMED_FOCAL * long_side, _U_ASSUMED_FOCAL, ASSUMED)


def _sensor_is_absurd(header: _Header, long_side: int) -> bool:
    """Whether what EXIF says of focal lengths and resolution implies a sensor that nobody makes."""
    mm, of_35mm = header.camera.focal_mm, header.camera.focal_35mm
    if mm is not None and of_35mm is not None:
        width_mm = _FULL_FRAME_WIDTH_MM * mm / of_35mm
    elif mm is not None and header.px_per_mm is not None:
        width_mm = (header.exif_side or long_side) / header.px_per_mm
    else:
        return False
    return not _POSSIBLE_SENSOR_MM[0] <= width_mm <= _POSSIBLE_SENSOR_MM[1]


def _u_focusing(focal_mm: float | None) -> float:
    """Relative standard uncertainty from focusing at about 300 mm.

    A thin lens moved out as a whole forms its picture at f D / (D - f); a lens that focuses inside may not move at all.
    Half of that difference is carried up to a limit; nothing where the true focal length is not stated.
    """
    if focal_mm is None:
        return 0.0
    if focal_mm > _LONG_LENS * _FOCUS_MM:
        return _U_LONG_LENS
    return min(_U_LONG_LENS, 0.5 * focal_mm / (_FOCUS_MM - focal_mm))
