"""The browser's share ahead of time: which of Streamlit's scripts the pages will want, named for it to fetch when idle.

Streamlit loads the script of a kind of field when the first such field is drawn, and that script's own imports after
it, one behind the other: on a page with several kinds new to the browser that is a third of a second's waiting.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import streamlit

__all__ = ["links"]

_FOLDER = Path(streamlit.__file__).parent / "static" / "static" / "js"
_USED = (
    "ArrowVegaLiteChart", "ButtonGroup", "Checkbox", "DateInput", "DownloadButton", "FileUploader", "ImageList",
    "NumberInput", "Selectbox", "Slider", "Table", "TextArea", "TextInput", "embed",
)  # fmt: skip
"""What pages beyond the first draw; the name a script has before its hash."""
_IMPORT = re.compile(r"""(?:from|import)\s*["']\./([\w.-]+\.js)["']""")


@lru_cache(maxsize=1)
def links() -> str:
    """A Link header (RFC 8288) of those scripts and all they import, each for when the browser has nothing to do."""
    return ", ".join(f"</static/js/{name}>; rel=prefetch; as=script" for name in sorted(_with_imports()))


def _with_imports() -> set[str]:
    found: set[str] = set()
    ahead = [path.name for used in _USED for path in _FOLDER.glob(f"{used}.*.js")]
    while ahead:
        name = ahead.pop()
        if name not in found:
            found.add(name)
            ahead.extend(_imported(_FOLDER / name))
    return found


def _imported(script: Path) -> Iterator[str]:
    try:
        text = script.read_text("utf-8")
    except OSError:  # another Streamlit: it is then loaded when it is wanted
        return
    yield from _IMPORT.findall(text)
