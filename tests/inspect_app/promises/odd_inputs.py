"""Odd photos and odd questions, each from a seed: what may be dropped on the program, and what a slip makes of it.

Seeds from 10,000 on are for many at a time: most are small and mangled beyond use, every fiftieth is a photo in which
something may still be found, changed as little as phones, messengers and unsteady hands change one. Those from a
thousand million on are for a few minutes: half as large, and such a photo only every two-thousandth.
"""

import io
import random
from functools import cache
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
FULL, SMALL, TINY = 1600, 320, (64, 96, 160)
"""The longer side of a sample before it is mangled: alone, one of many, one of the tests' many."""
ODD = ("0", "-1", "1e-9", "1e300", "nan", "inf", "1", "50", "2.5")
"""Numbers that people and broken scripts give."""


MANY, QUICK = 10_000, 1_000_000_000
"""The first of the seeds that are for many at a time, and of those for a few minutes."""


def odd_photo(seed):
    """A sample photo made smaller, cropped, stretched, blurred, turned or bent in tone; now and then its bytes damaged.

    Returns its bytes, the view it was taken for, and the bytes before they were damaged, ``None`` where they were not.
    """
    rng = random.Random(seed)
    path = rng.choice(SAMPLES)
    bgr = _mild(path, rng, seed) if is_mild(seed) else _mangled(path, rng, seed)
    data = _encoded(bgr, rng)
    damaged = rng.random() < 0.15
    return (_damage(data, rng) if damaged else data), path.stem.split("-")[1], data if damaged else None


def is_mild(seed):
    """Whether something may still be found in the photo of this seed."""
    return seed >= MANY and seed % (2000 if seed >= QUICK else 50) == 0


def _mangled(path, rng, seed):
    longest = rng.choice(TINY) if seed >= QUICK else SMALL if seed >= MANY else FULL
    bgr = _small(path, longest)
    for step in rng.sample((_crop, _resize, _blur, _tone, _turn, _noise, _blot), rng.randint(0, 3)):
        bgr = step(bgr, rng)
    return _no_longer(bgr, rng.choice([s for s in SIDES if s <= longest]))


def _mild(path, rng, seed):
    bgr = _small(path, 700 if seed >= QUICK else rng.choice((700, 1000, 1400)))
    h, w = bgr.shape[:2]
    top, left, bottom, right = (rng.choice((0, 0, rng.randrange(n // 5))) for n in (h, w, h, w))
    bgr = bgr[top : h - bottom, left : w - right]
    if rng.random() < 0.4:
        bgr = cv2.GaussianBlur(bgr, (0, 0), rng.uniform(0.3, 2.5))
    if rng.random() < 0.4:
        bgr = cv2.convertScaleAbs(bgr, alpha=rng.uniform(0.4, 1.8), beta=rng.uniform(-40.0, 40.0))
    if rng.random() < 0.2:
        bgr = np.ascontiguousarray(np.rot90(bgr, rng.randint(1, 3)))
    return _blot(bgr, rng, 8) if rng.random() < 0.2 else bgr


def _no_longer(bgr, longest):
    k = min(1.0, longest / max(bgr.shape[:2]))
    if k == 1.0:
        return bgr
    return cv2.resize(bgr, [max(1, round(k * n)) for n in bgr.shape[1::-1]], interpolation=cv2.INTER_AREA)


_LOADED = {}


def _small(path, longest):
    """The sample with its longer side at most so many pixels, once."""
    if (path, longest) not in _LOADED:
        _LOADED[path, longest] = _no_longer(cv2.imread(str(path), cv2.IMREAD_COLOR), longest)
    return _LOADED[path, longest]


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


def _blot(bgr, rng, part=1):
    out, (h, w) = bgr.copy(), bgr.shape[:2]
    x, y = rng.randrange(w), rng.randrange(h)
    out[y : y + rng.randint(1, h // part), x : x + rng.randint(1, w // part)] = rng.randrange(256)
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
    return words + _of_strings(seed, words) if seed >= MANY else words


def _of_strings(seed, words):
    """Now and then, the photo is taken for one across the neck."""
    rng = random.Random(-seed)
    if rng.random() > 0.05:
        return []
    held = rng.choice((["--held", "1,16"], ["--held", "2,3"], ["--held", "0"], []))
    inset = rng.choice((["--string-inset", rng.choice(ODD)], []))
    return ["--view", "side", "--string", rng.choice(("first", "last")), *held, *inset]


@cache
def _parser():
    return parser()


def question(seed, view):
    """The question of this seed; `InspectError` where it makes no sense."""
    return ask_from(_parser().parse_args(["measure", "photo", *odd_question(seed, view)]))


def answered(seed):
    """What comes of the odd photo and question of this seed: an answer, or ``None`` where a sentence refuses it.

    Raises
    ------
    UnforeseenError
        If neither comes.
    """
    data, view, _ = odd_photo(seed)
    try:
        return measure(open_photo(data, "photo"), question(seed, view))
    except UnforeseenError:
        raise
    except InspectError:
        return None
