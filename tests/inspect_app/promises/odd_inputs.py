"""Odd photos and odd questions, each from a seed: what may be dropped on the program, and what a slip makes of it."""

import io
import random
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from calib.photo import open_photo
from inspect_app.cli import parser
from inspect_app.commands.measure import ask_from
from inspect_app.measure import measure
from shared.errors import InspectError, UnforeseenError

SAMPLES = sorted((Path(__file__).parents[3] / "sample_images").glob("*.jpg"))
SIDES = (32, 48, 80, 160, 320, 640, 900)
ODD = ("0", "-1", "1e-9", "1e300", "nan", "inf", "1", "50", "2.5")
"""Numbers that people and broken scripts give."""


def odd_photo(seed):
    """A sample photo made smaller, cropped, stretched, blurred, turned or bent in tone; now and then its bytes damaged.

    Returns its bytes, the view it was taken for, and whether the bytes were damaged.
    """
    rng = random.Random(seed)
    path = rng.choice(SAMPLES)
    bgr = _small(path)
    for step in rng.sample((_crop, _resize, _blur, _tone, _turn, _noise, _blot), rng.randint(0, 3)):
        bgr = step(bgr, rng)
    longest = rng.choice(SIDES)
    k = min(1.0, longest / max(bgr.shape[:2]))
    if k < 1.0:
        size = [max(1, round(k * n)) for n in bgr.shape[1::-1]]
        bgr = cv2.resize(bgr, size, interpolation=cv2.INTER_AREA)
    data = _encoded(bgr, rng)
    damaged = rng.random() < 0.15
    return (_damage(data, rng) if damaged else data), path.stem.split("-")[1], damaged


_LOADED = {}


def _small(path):
    """The sample at 1600 pixels, once."""
    if path not in _LOADED:
        bgr = cv2.imread(str(path), cv2.IMREAD_COLOR)
        k = 1600.0 / max(bgr.shape[:2])
        _LOADED[path] = cv2.resize(bgr, None, fx=k, fy=k, interpolation=cv2.INTER_AREA) if k < 1.0 else bgr
    return _LOADED[path]


def _crop(bgr, rng):
    h, w = bgr.shape[:2]
    y0, y1 = sorted(rng.sample(range(h + 1), 2))
    x0, x1 = sorted(rng.sample(range(w + 1), 2))
    return bgr[y0:y1, x0:x1]


def _resize(bgr, rng):
    h, w = bgr.shape[:2]
    size = max(1, round(w * rng.uniform(0.05, 1.2))), max(1, round(h * rng.uniform(0.05, 1.2)))
    return cv2.resize(bgr, size, interpolation=rng.choice((cv2.INTER_AREA, cv2.INTER_NEAREST, cv2.INTER_CUBIC)))


def _blur(bgr, rng):
    return cv2.GaussianBlur(bgr, (0, 0), rng.uniform(0.5, 15.0))


def _tone(bgr, rng):
    gain, offset = rng.choice(((0.0, 0.0), (0.0, 255.0), (0.05, 5.0), (8.0, -200.0), (-1.0, 255.0)))
    return cv2.convertScaleAbs(bgr, alpha=gain, beta=offset) if gain >= 0 else 255 - bgr


def _turn(bgr, rng):
    return np.ascontiguousarray(np.rot90(bgr, rng.randint(1, 3)))


def _noise(bgr, rng):
    noise = np.random.default_rng(rng.randrange(1 << 30)).normal(0.0, rng.uniform(5.0, 80.0), bgr.shape)
    return np.clip(bgr + noise, 0.0, 255.0).astype(np.uint8)


def _blot(bgr, rng):
    out, (h, w) = bgr.copy(), bgr.shape[:2]
    x, y = rng.randrange(w), rng.randrange(h)
    out[y : y + rng.randint(1, h), x : x + rng.randint(1, w)] = rng.randrange(256)
    return out


def _encoded(bgr, rng):
    out = io.BytesIO()
    image = Image.fromarray(np.ascontiguousarray(bgr[:, :, ::-1]))
    kind = rng.choice(("JPEG", "JPEG", "JPEG", "PNG", "WEBP"))
    exif = Image.Exif()
    if rng.random() < 0.5:
        exif[0x0112] = rng.randint(0, 9)
        exif.get_ifd(0x8769).update({0x920A: rng.choice((0.0, 4.2, 50.0, 1e9)), 0xA405: rng.choice((0, 1, 28, 65535))})
    image.save(out, kind, quality=rng.randint(5, 95), exif=exif)
    return out.getvalue()


def _damage(data, rng):
    out = bytearray(data)
    way = rng.randrange(3)
    if way == 0:
        return bytes(out[: rng.randrange(len(out))])
    for _ in range(rng.choice((1, 3, 50))):
        at = rng.randrange(len(out)) if way == 1 else rng.randrange(min(len(out), 700))
        out[at] ^= 1 << rng.randrange(8)
    return bytes(out)


def odd_question(seed, view):
    """The options of a question, most of them sound, as words of the command."""
    rng = random.Random(seed)
    other = rng.choice(("plan", "elevation", "end", "section")) if rng.random() < 0.2 else view
    words = ["--view", other, "--first-fret", str(rng.choice((1, 2, 5, 12, 24, 36)))]
    if rng.random() < 0.3:
        spans = (
            f"span:{rng.choice(ODD)},1,{rng.randint(2, 900)},{rng.randint(1, 900)},{rng.choice(ODD)}",
            "span:1,1,9,9,2",
        )
        words += [
            "--scale",
            rng.choice(("auto", "rule", "rule:inch", "id1", "coin:24", "coin:24@5,5", "strip", *spans)),
        ]
    for name in ("--scale-factor", "--scale-length", "--crown-width", "--crown-height"):
        if rng.random() < 0.15:
            words += [name, rng.choice(ODD)]
    if rng.random() < 0.6:
        words += ["--scale-length", rng.choice(("640", "330", "864", "5"))]
    if rng.random() < 0.2:
        words += ["--scale-plane", rng.choice(("crown", "board", "below:3", "below:199"))]
    if other == "end" and rng.random() < 0.8:
        words += ["--end", rng.choice(("treble", "bass"))]
    words += ["--nut", rng.choice(("left", "right")), "--treble", rng.choice(("top", "bottom"))]
    return words


def answered(seed):
    """What comes of the odd photo and question of this seed: an answer, or ``None`` where a sentence refuses it.

    Raises
    ------
    UnforeseenError
        If neither comes.
    """
    data, view, _ = odd_photo(seed)
    try:
        ask = ask_from(parser().parse_args(["measure", "photo", *odd_question(seed, view)]))
        return measure(open_photo(data, "photo"), ask)
    except UnforeseenError:
        raise
    except InspectError:
        return None
