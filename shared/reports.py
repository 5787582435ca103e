"""Reports of what nobody foresaw: text files for whoever mends the program."""

from __future__ import annotations

import hashlib
from pathlib import Path

__all__ = ["keep_report"]


def keep_report(folder: Path, text: str) -> Path | None:
    """Write a report, for its owner alone, once however often the same happens; ``None`` where it can't be written.

    A failure to report is not told: it would hide what is to be reported.
    """
    path = folder / f"report-{hashlib.sha256(text.encode()).hexdigest()[:12]}.txt"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        path.touch(mode=0o600)
        path.write_text(text, encoding="utf-8", errors="backslashreplace")
    except OSError:
        return None
    return path
