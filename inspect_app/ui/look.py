"""One look for every page: colours, type and spacing, light and dark; and the numbers a chart takes from it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

__all__ = ["ACCENT", "KEYS", "PAGE_CSS", "QUIET", "THEME"]

_LIGHT = {
    "primaryColor": "#0b6b62",
    "backgroundColor": "#f8f6f1",
    "secondaryBackgroundColor": "#ece8df",
    "textColor": "#20282a",
    "linkColor": "#0b6b62",
    "blueBackgroundColor": "#e1ebe4",
    "blueTextColor": "#0a4a44",
    "greenBackgroundColor": "#dcebdd",
    "greenTextColor": "#1d5227",
    "borderColor": "#cfc8ba",
    "dataframeHeaderBackgroundColor": "#ece8df",
}
_DARK = {
    "primaryColor": "#5fc9b8",
    "backgroundColor": "#15191a",
    "secondaryBackgroundColor": "#222829",
    "textColor": "#ece8df",
    "linkColor": "#7fdccd",
    "blueBackgroundColor": "#1c2f2d",
    "blueTextColor": "#a9e6db",
    "greenBackgroundColor": "#1d3020",
    "greenTextColor": "#b4e3b8",
    "borderColor": "#3d4546",
    "dataframeHeaderBackgroundColor": "#222829",
}
_TYPE = {
    "font": "sans-serif",
    "headingFont": "serif",
    "baseFontSize": 18,  # readable at arm's length from a bench
    "headingFontSizes": ["2.1rem", "1.25rem", "1.1rem", "1.05rem", "1rem", "1rem"],
    "headingFontWeights": [600, 600, 600, 600, 600, 600],
    "baseRadius": "8px",
    "buttonRadius": "8px",
}

THEME: dict[str, Any] = {
    **{f"theme.{k}": v for k, v in _TYPE.items()},
    **{f"theme.light.{k}": v for k, v in _LIGHT.items()},
    **{f"theme.dark.{k}": v for k, v in _DARK.items()},
}
"""Streamlit's theme options. Text on background keeps a contrast of at least 7 : 1, the accent 4.5 : 1 (WCAG 2.2)."""

ACCENT, QUIET = "#0b8f82", "#8a8f90"
"""Of charts, on light and on dark ground: contrast of at least 3 : 1 on both (WCAG 2.2, 1.4.11)."""

PAGE_CSS = Path(__file__).parent / "static" / "page.css"
"""What the theme options can't say."""
KEYS = (Path(__file__).parent / "static" / "keys.html").read_text("utf-8")
"""What the pages' own keys can't say."""
