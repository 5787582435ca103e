"""How each photo is taken: a sentence or two and a drawing of our own, in tones that read on light and dark."""

from __future__ import annotations

from functools import cache
from pathlib import Path

__all__ = ["HOW", "drawing"]

_DRAWINGS = Path(__file__).parent / "static"

HOW = {
    "plan": (
        "Board level, camera straight above, 25 to 45 cm away. Lay the strip beside the treble edge, level with the "
        "crown tops. About eight whole frets in the frame, even light from a window or two lamps. Strings off or aside."
    ),
    "elevation": (
        "Stand the backdrop on the board just behind the fret, 1 to 2 mm behind it. Camera on the nut side, 2 to 5 "
        "degrees over the board, focused on that fret. Both ends of the fret in the frame."
    ),
    "end": (
        "As along the neck, but close on one end: the fret's end and some of the backdrop fill the frame. Say which "
        "end."
    ),
    "section": (
        "Hold the wire with its cut end flush with the backdrop's small squares, looking straight along the wire. "
        "File the cut flat first: eye protection, and wipe the filings up damp."
    ),
    "side": (
        "Stand the backdrop on the crowns between the outer string and the next, 1 to 2 mm behind the outer one and "
        "along it, its foot straight; or the tongue, where the backdrop has no room: it touches the outer string "
        "from behind, lit from the camera's side. Camera beside the neck, level with the crowns or up to 5 degrees "
        "over them (a little under them where the string is held down or near the nut, for a string close to the "
        "crowns hides the backdrop's foot from above, and for single high frets), so that the backdrop's white "
        "shows under the string and the frets' ends below. Open string for its height; held down on the first and "
        "the body's fret for relief; between the second and third for the nut. Say which string, and what it was "
        "held down on. Strings are under tension: keep your eyes out of their line."
    ),
    "finding": (
        "Any photo that shows the customer something: a chip, a lifted end. With a scale in it, it can be measured "
        "by hand."
    ),
}
"""How to take each kind of photo."""


@cache
def drawing(view: str) -> str:
    """The drawing of a view as SVG, or nothing where none is needed."""
    file = _DRAWINGS / f"how-{view}.svg"
    return file.read_text(encoding="utf-8") if file.exists() else ""
