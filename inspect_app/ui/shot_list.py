"""The shot list: what the photos of a visit cover, what is missing, and what would make a photo better."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from inspect_app.reading.inspection import CameraSummary, Inspection, SharpnessSummary
from inspect_app.services import InstrumentDetails, PhotoView
from shared.trade import FLAT_FROM_MM, HIGHEST_FRET

__all__ = [
    "VIEW_TEXT",
    "Coverage",
    "ShotListLine",
    "advice",
    "advice_at_first_look",
    "covered_frets",
    "next_first_fret",
    "ranges",
    "too_far",
    "shot_list_lines",
]

NEED_FLAT_MM = FLAT_FROM_MM
"""A photo from above has to show the narrowest flat that counts."""
NEED_STEP_MM = 0.015
"""For depth and angle: half of the divot that may be left after the work (`after_divot`, 0.03 mm)."""
SOFT_PX = 1.5
"""Blur over which focus gains more than going nearer: sharp phone photos have 0.7 to 1.2 px (common practice, no
source)."""
NEED_PX_PER_MM = 10.0
"""Where no printed scale tells how sharp a photo is. From above: the narrowest flat counted, 0.3 mm, is then 3 pixels
wide, the least that shows two edges with a middle between them."""
NEED_CLOSE_PX_PER_MM = 25.0
"""The same for depth and angle: an edge is placed to a third of a pixel or better, 0.015 mm."""
MOST_TILT_PLAN = 12.0
"""Degrees off square above which the far flank of a round crown starts to hide its own foot."""
BEST_ELEVATION = (2.0, 5.0)
"""Degrees over the board: lower and the nearer frets get in the way, higher and shallow wear vanishes."""

MOST_BURNT = 0.25
"""Share of a crown that may be white: a quarter of an everyday crown is 0.6 mm, and a flat that narrow would be lost in
it (common practice, no source)."""

VIEW_TEXT = {
    "plan": ("From above", "spacing, crown width, fret length, flats"),
    "elevation": ("Along the neck", "divot depth, board radius, both end bevels"),
    "end": ("Fret end, close", "bevel angle, straight part, tip"),
    "section": ("Wire, end-on", "crown and tang of a pulled fret or a wire sample"),
    "side": ("Across the neck", "string gap at every fret: height, nut clearance, relief, high frets"),
    "finding": ("Finding", "anything else worth showing, with a note"),
}
"""What each kind of photo is called, and what it gives."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """Frets a visit's photos have readings for, by view."""

    frets: dict[str, frozenset[int]]
    photos: dict[str, int]


@dataclass(frozen=True, slots=True)
class ShotListLine:
    """One line of the shot list: the view, whether it is done, and what is missing in one sentence."""

    view: str
    done: bool
    text: str


def covered_frets(photos: Iterable[PhotoView]) -> Coverage:
    """Which frets have readings in which view."""
    frets: dict[str, set[int]] = {}
    count: dict[str, int] = {}
    for p in photos:
        count[p.view] = count.get(p.view, 0) + 1
        if p.inspection:
            frets.setdefault(p.view, set()).update(f.number for f in p.inspection.answer.frets)
    return Coverage({v: frozenset(s) for v, s in frets.items()}, count)


def ranges(numbers: Iterable[int]) -> str:
    """``1 to 7, 9, 12 to 14``."""
    runs: list[list[int]] = []
    for n in sorted(set(numbers)):
        if runs and n == runs[-1][1] + 1:
            runs[-1][1] = n
        else:
            runs.append([n, n])
    return ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in runs)


def next_first_fret(have: Coverage) -> int:
    """The first fret no plan photo shows: where the next one most likely starts."""
    seen = have.frets.get("plan", frozenset())
    return next((n for n in range(1, HIGHEST_FRET) if n not in seen), 1)


def shot_list_lines(have: Coverage, instrument: InstrumentDetails) -> tuple[ShotListLine, ...]:
    """The shot list for this instrument."""
    return (_plan(have, instrument.frets), _elevation(have), _end(have), _section(have, instrument), _side(have))


def _plan(have: Coverage, frets: int | None) -> ShotListLine:
    seen = have.frets.get("plan", frozenset())
    if frets is None:
        text = f"Frets {ranges(seen)} shown. " if seen else ""
        return ShotListLine(
            "plan", False, text + "Write down how many frets there are, and this list says what is missing."
        )
    missing = [n for n in range(1, frets + 1) if n not in seen]
    if not missing:
        return ShotListLine("plan", True, f"All {frets} frets shown.")
    have_text = f"Frets {ranges(seen)} shown; missing" if seen else "Missing:"
    return ShotListLine("plan", False, f"{have_text} {ranges(missing)}. About eight frets to a photo.")


def _elevation(have: Coverage) -> ShotListLine:
    seen, flats = have.frets.get("elevation", frozenset()), have.frets.get("plan", frozenset())
    if seen:
        return ShotListLine("elevation", True, f"Depth read on fret{'s' if len(seen) > 1 else ''} {ranges(seen)}.")
    where = "Start with the fret that shows the widest flats." if flats else "Take the photos from above first."
    return ShotListLine(
        "elevation", False, f"No depth read yet: without it, depth is only worked out from width. {where}"
    )


def _end(have: Coverage) -> ShotListLine:
    seen = have.frets.get("end", frozenset())
    text = (
        f"Bevel read on fret{'s' if len(seen) > 1 else ''} {ranges(seen)}."
        if seen
        else "One treble end and one bass end give the bevel to a degree."
    )
    return ShotListLine("end", bool(seen), text)


def _section(have: Coverage, instrument: InstrumentDetails) -> ShotListLine:
    if have.frets.get("section"):
        return ShotListLine("section", True, "Wire measured.")
    known = instrument.crown_width is not None and instrument.crown_height is not None
    text = (
        "Only if a fret is pulled: the crown when new is known."
        if known
        else "Measures the crown's height, which depths from flats rest on."
    )
    return ShotListLine("section", known, text)


def _side(have: Coverage) -> ShotListLine:
    seen = have.frets.get("side", frozenset())
    text = (
        f"String read over fret{'s' if len(seen) > 1 else ''} {ranges(seen)}."
        if seen
        else "Only with strings on: how high they stand, and how the neck bows."
    )
    return ShotListLine("side", bool(seen), text)


def advice(answer: Inspection) -> str:
    """One plain sentence with a number: what would make this photo better, or that it will do."""
    if not answer.frets:
        reason = next((n.reason for n in answer.not_measured), "nothing could be measured")
        return _sentence(reason)
    camera = answer.camera
    if camera is None:
        return "Measured."
    if "SPACING_OFF" in answer.flags:
        off = abs(answer.checks.get("spacing_ratio", 1.0) - 1.0)
        return (
            f"The fret spacing is {100.0 * off:.1f} % off the scale length: check where the scale lies and which fret "
            "is first."
        )
    better = too_far(answer.view, camera) or _tilt(answer, camera) or _soft(answer, camera) or _glare(answer)
    return better or f"Good: {_resolution_words(answer.view, camera)}.{_unread_words(answer)}"


def advice_at_first_look(view: str, camera: CameraSummary) -> str:
    """The same for a photo whose scale was found and that is not measured yet."""
    leaning = view == "plan" and camera.tilt_deg > MOST_TILT_PLAN
    return too_far(view, camera) or (_leans(camera) if leaning else f"Scale found: {_resolution_words(view, camera)}.")


def too_far(view: str, camera: CameraSummary) -> str:
    """How near to go, or to focus, where the photo can't show the smallest wear that counts; else nothing."""
    if camera.sharpness is None:
        return _too_few_pixels(view, camera)
    shows, seen, need = _smallest(view, camera.sharpness)
    if seen <= need:
        return ""
    near = camera.distance_mm * need / seen
    soft = f"its edges are spread over {2.0 * camera.sharpness.blur_px:.0f} pixels. Focus, and hold the camera still."
    what = soft if camera.sharpness.blur_px > SOFT_PX else f"go as near as {near:.0f} mm."
    return f"This photo shows {shows} {seen:.2g} mm, {need:g} wanted: {what}"


def _too_few_pixels(view: str, camera: CameraSummary) -> str:
    need = NEED_PX_PER_MM if view in _FROM_ABOVE else NEED_CLOSE_PX_PER_MM
    if camera.px_per_mm >= need:
        return ""
    near = camera.distance_mm * camera.px_per_mm / need
    return f"{camera.px_per_mm:.1f} pixels to the millimetre, {need:g} wanted: go as near as {near:.0f} mm."


_FROM_ABOVE = ("plan", "finding")


def _smallest(view: str, sharp: SharpnessSummary) -> tuple[str, float, float]:
    """What a view looks for, the smallest of it that shows, and the smallest that matters, mm."""
    if view in _FROM_ABOVE:
        return "flats from", sharp.smallest_flat_mm, NEED_FLAT_MM
    return "divots from" if view == "elevation" else "edges to", sharp.smallest_divot_mm, NEED_STEP_MM


def _resolution_words(view: str, camera: CameraSummary) -> str:
    near = f"{camera.px_per_mm:.0f} pixels to the millimetre from {camera.distance_mm:.0f} mm"
    if camera.sharpness is None:
        return near
    shows, seen, _ = _smallest(view, camera.sharpness)
    return f"{near}, sharp enough for {shows} {seen:.2g} mm"


def _sentence(reason: str) -> str:
    return reason[:1].upper() + reason[1:].rstrip(".") + "."


def _unread_words(answer: Inspection) -> str:
    """What the photo could not say, with the first reason: the others are on the page of readings."""
    if not answer.not_measured:
        return ""
    count = len(answer.not_measured)
    first = answer.not_measured[0]
    if count == 1:
        return f" Not read: {first.what}. {_sentence(first.reason)}"
    return f" {count} values could not be read; the first, {first.what}: {_sentence(first.reason)}"


def _leans(camera: CameraSummary) -> str:
    return f"The camera leans {camera.tilt_deg:.0f}° off square; keep it under {MOST_TILT_PLAN:g}°."


def _tilt(answer: Inspection, camera: CameraSummary) -> str:
    if answer.view == "plan" and camera.tilt_deg > MOST_TILT_PLAN:
        return _leans(camera)
    elevation = answer.checks.get("elevation_deg", camera.tilt_deg)
    low, high = BEST_ELEVATION
    if answer.view == "elevation" and "STEEP_VIEW" in answer.flags:
        blind = max((f.blind_depth.value for f in answer.frets if f.blind_depth), default=None)
        seen = f" Divots under {blind:.2f} mm don't show." if blind is not None else ""
        return f"The camera looks down at {elevation:.0f}°: lower it to {low:g} to {high:g}°.{seen}"
    return ""


def _soft(answer: Inspection, camera: CameraSummary) -> str:
    if "BLURRED" not in answer.flags:
        return ""
    if "blur_px" in answer.checks:
        blur = answer.checks["blur_px"] / camera.px_per_mm
        return f"The crown's edge is blurred over {blur:.2f} mm, as much as a divot is deep: focus on that fret."
    times = answer.checks.get("softness", 2.0)
    return f"The edges are {times:.1f} times as soft as in a sharp photo: focus on the frets and hold the camera still."


def _glare(answer: Inspection) -> str:
    share = answer.checks.get("burnt_share", 0.0)
    if share <= MOST_BURNT:
        return ""
    return f"{100.0 * share:.0f} % of the crowns is burnt out to white: move the lamp a hand's width, or expose less."
