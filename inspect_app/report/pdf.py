"""PDF from a template and plain data. User text stays data: it is never made into markup.

Tagged PDF (PDF/A-2a and PDF/UA-1 where every character has a glyph in the fonts at hand); on one machine the same
input gives the same bytes, on any machine where the fonts that come with the typesetter suffice.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import typst

__all__ = ["PAPERS", "Pdf", "clean_text", "look_for_fonts", "render_pages", "render_pdf"]

PAPERS = {"a4": "a4", "letter": "us-letter"}
_STANDARDS = ["a-2a", "ua-1"]
SCREEN_PPI = 110
"""Dots an inch of a page on the screen: A4 is 909 pixels wide, as wide as the column it is shown in."""
_TEMPLATES = files("inspect_app.report").joinpath("templates")


@dataclass(frozen=True, slots=True)
class Pdf:
    """The file's bytes, and whether it meets the archive and accessibility standards it aims at."""

    data: bytes
    conforms: bool


def clean_text(value: Any) -> Any:
    """The same data with control characters taken out of every text: they have no glyph and no meaning on paper."""
    if isinstance(value, str):
        return "".join(c for c in value if c in "\n\t" or unicodedata.category(c) not in ("Cc", "Cs"))
    if isinstance(value, Mapping):
        return {k: clean_text(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [clean_text(v) for v in value]
    return value


def render_pdf(template: str, data: Mapping[str, Any], pictures: Mapping[str, bytes], made_on: str) -> Pdf:
    """Set a template with data.

    Parameters
    ----------
    template : {'estimate', 'bench', 'handover', 'record'}
    data : mapping
        Plain values; ``paper`` is one of `PAPERS`' values.
    pictures : mapping
        File name used in `data` to JPEG bytes.
    made_on : str
        ISO 8601 date written as the file's creation date.

    Raises
    ------
    ValueError
        If a picture's name is not a plain file name.
    """
    with TemporaryDirectory() as folder:
        source = _laid_out(Path(folder), template, data, pictures)
        return _compile(source, source.parent, datetime.fromisoformat(made_on).replace(tzinfo=UTC))


def render_pages(template: str, data: Mapping[str, Any], pictures: Mapping[str, bytes]) -> tuple[bytes, ...]:
    """The same paper's pages as PNG pictures, for the screen; parameters as for `render_pdf`."""
    with TemporaryDirectory() as folder:
        source = _laid_out(Path(folder), template, data, pictures)
        found: Any = typst.compile(str(source), root=folder, font_paths=_fonts(True), format="png", ppi=SCREEN_PPI)
        return tuple(found) if isinstance(found, list) else (found,)


@cache
def _fonts(of_this_machine: bool) -> typst.Fonts:
    """The typesetter's own fonts, with this machine's or without; looked for once, and a machine may have many."""
    return typst.Fonts(include_system_fonts=of_this_machine)


def look_for_fonts() -> None:
    """Look for fonts now, so that no paper waits for it."""
    _fonts(False)
    _fonts(True)


def _laid_out(root: Path, template: str, data: Mapping[str, Any], pictures: Mapping[str, bytes]) -> Path:
    """Template, data and pictures side by side in a folder."""
    for name in ("common.typ", f"{template}.typ"):
        (root / name).write_text(_TEMPLATES.joinpath(name).read_text("utf-8"), "utf-8")
    (root / "data.json").write_text(json.dumps(clean_text(data), ensure_ascii=False, allow_nan=False), "utf-8")
    for name, content in pictures.items():
        if Path(name).name != name or name.endswith(".typ") or name == "data.json":
            raise ValueError(f"{name!r} is not a plain picture name")
        (root / name).write_bytes(content)
    return root / f"{template}.typ"


def _compile(source: Path, root: Path, when: datetime) -> Pdf:
    """Aim at the standards with the typesetter's own fonts, then with this machine's, then set it without standards.

    A character that no font has makes the standards unreachable; the paper is made all the same.
    """
    for own_fonts_only in (True, False):
        try:
            return Pdf(_set(source, root, when, _STANDARDS, own_fonts_only), True)
        except typst.TypstError:
            continue
    return Pdf(_set(source, root, when, [], False), False)


def _set(source: Path, root: Path, when: datetime, standards: list[Any], own_fonts_only: bool) -> bytes:
    return bytes(
        typst.compile(
            str(source),
            root=str(root),
            format="pdf",
            pdf_standards=standards,
            font_paths=_fonts(not own_fonts_only),
            timestamp=int(when.timestamp()),
        )
    )
