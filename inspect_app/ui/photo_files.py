"""Photos over HTTP: a preview that loads at once, and pieces of the full photo where someone looks closely."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Awaitable, Callable
from pathlib import Path

import anyio
import cv2
import numpy as np
from numpy.typing import NDArray
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import Route

from inspect_app.services.photo_cache import decoded_photo
from shared.errors import InspectError

__all__ = ["PREVIEW_PX", "SMALL_PX", "make_preview", "preview_path", "routes"]

PREVIEW_PX = 2400
"""Longest side of a preview: sharper than any bench screen shows a whole photo, and pans without dropped frames."""
SMALL_PX = 320
"""Longest side of a picture in a list, at two dots to a pixel of the page: a job of 300 photos loads in a second."""
CROP_PX = 2400
"""Longest side of a piece sent; larger pieces are reduced to it."""
_SHA = re.compile(r"[0-9a-f]{64}")
_KEEP = {"Cache-Control": "private, max-age=31536000, immutable", "X-Content-Type-Options": "nosniff"}
Find = Callable[[str], Path | None]


def routes(find: Find, cache_dir: Path) -> list[Route]:
    """The three addresses of a photo; `find` gives the file of a SHA-256, or ``None``."""

    def reduced(longest: int) -> Callable[[Request], Awaitable[Response]]:
        async def send(request: Request) -> Response:
            sha = request.path_params["sha"]
            if not _SHA.fullmatch(sha):
                return _missing()
            return await _or_missing(lambda: _send_preview(sha, find, cache_dir, longest))

        return send

    async def crop(request: Request) -> Response:
        sha = request.path_params["sha"]
        box = _box(request)
        if box is None or not _SHA.fullmatch(sha):
            return _missing()
        return await _or_missing(lambda: _send_crop(sha, find, box))

    return [
        Route("/photo/{sha}/preview.jpg", reduced(PREVIEW_PX)),
        Route("/photo/{sha}/small.jpg", reduced(SMALL_PX)),
        Route("/photo/{sha}/crop.jpg", crop),
    ]


def preview_path(cache_dir: Path, sha: str, longest: int = PREVIEW_PX) -> Path:
    """Where the preview of a photo is kept."""
    return cache_dir / sha[:2] / f"{sha}-{longest}.jpg"


def make_preview(sha: str, find: Find, cache_dir: Path, longest: int = PREVIEW_PX) -> Path:
    """The preview of a photo, made once and kept; whole before it has its name."""
    kept = preview_path(cache_dir, sha, longest)
    if kept.exists():
        return kept
    small = _reduced(decoded_photo(_found(find, sha), sha).bgr, longest)
    cache_dir.mkdir(mode=0o700, parents=True, exist_ok=True)
    kept.parent.mkdir(mode=0o700, exist_ok=True)
    fd, part = tempfile.mkstemp(dir=kept.parent, suffix=".part")
    with os.fdopen(fd, "wb") as f:
        f.write(_jpeg(small, 88))
    os.replace(part, kept)
    return kept


async def _or_missing(answer: Callable[[], Awaitable[Response]]) -> Response:
    try:
        return await answer()
    except (InspectError, OSError):
        return _missing()


def _found(find: Find, sha: str) -> Path:
    path = find(sha)
    if path is None:
        raise FileNotFoundError(sha)
    return path


def _missing() -> Response:
    return PlainTextResponse("There is no such photo.", 404)


async def _send_preview(sha: str, find: Find, cache_dir: Path, longest: int) -> Response:
    path = await anyio.to_thread.run_sync(make_preview, sha, find, cache_dir, longest)
    return FileResponse(path, media_type="image/jpeg", headers=_KEEP)


async def _send_crop(sha: str, find: Find, box: tuple[int, int, int, int]) -> Response:
    data = await anyio.to_thread.run_sync(_cut, sha, find, box)
    return Response(data, media_type="image/jpeg", headers=_KEEP) if data else _missing()


def _box(request: Request) -> tuple[int, int, int, int] | None:
    try:
        x, y, w, h = (int(request.query_params[k]) for k in "xywh")
    except (KeyError, ValueError):
        return None
    return (x, y, w, h) if x >= 0 and y >= 0 and w > 0 and h > 0 else None


def _cut(sha: str, find: Find, box: tuple[int, int, int, int]) -> bytes:
    x, y, w, h = box
    piece = decoded_photo(_found(find, sha), sha).bgr[y : y + h, x : x + w]
    return _jpeg(_reduced(piece, CROP_PX), 92) if piece.size else b""


def _reduced(bgr: NDArray[np.uint8], longest: int) -> NDArray[np.uint8]:
    k = longest / max(bgr.shape[:2])
    if k >= 1.0:
        return bgr
    size = [max(1, round(k * n)) for n in bgr.shape[1::-1]]
    return np.asarray(cv2.resize(bgr, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _jpeg(bgr: NDArray[np.uint8], quality: int) -> bytes:
    return bytes(cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1])
