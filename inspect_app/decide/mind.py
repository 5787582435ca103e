"""What an instrument's build brings to the work: said with each option, so that it is agreed before and not found on
the way. All of it common practice, no source."""

from __future__ import annotations

from inspect_app.decide.wear import WearMap
from inspect_app.instrument.wire import WireStock
from shared.measured import COVERAGE_FACTOR, Measured

__all__ = ["of_levelling", "of_pulling", "of_wear_alike", "of_wire"]


def of_levelling(wear: WearMap) -> list[str]:
    """What levelling entails on this board."""
    i = wear.instrument
    out = ["The strings sit lower over the frets: check the nut slots and the action afterwards."]
    if i.zero_fret:
        out.append("The zero fret is levelled with the others, or renewed where it would end lower than they do.")
    if wear.material == "stainless":
        out.append("The frets are stainless: levelling and crowning take about twice as long and wear the files.")
    if i.multi_scale:
        out.append("The frets fan out: level along each string's own line, not along the middle of the board.")
    if i.lacquered:
        out.append("The board is lacquered: mask it closely, and keep polish and solvent off the lacquer.")
    return out


def of_wear_alike(depth: Measured | None, off: float, margin: float) -> list[str]:
    """What would come off, mm, were all places worn alike, where the readings allow that and it makes a difference."""
    if depth is None or off - (depth.value + margin) < 0.01:
        return []
    return [
        f"The deepest place is taken as read. All depths agree with one of {depth.value:.2f} mm within their "
        f"uncertainty: if the frets are worn alike, {depth.value + margin:.2f} mm comes off and not {off:.2f} mm."
    ]


def of_pulling(wear: WearMap) -> list[str]:
    """What pulling frets entails on this board."""
    i, out = wear.instrument, []
    if i.binding:
        out.append(
            "The board is bound: new tangs are cut short at both ends, so that the crowns reach over the binding."
        )
    if i.nibs:
        out.append("The frets end in nibs: those beside new frets are lost or made again. Agree which.")
    if i.lacquered:
        out.append(
            "The board is lacquered: the finish is cut along each fret first, and may need touching up. Agree how far."
        )
    if i.zero_fret:
        out.append("The zero fret is renewed with the others, of the same wire or a taller one.")
    if i.multi_scale:
        out.append("The frets fan out: each new fret is cut to its own length and angle.")
    if i.courses > 1:
        out.append("The strings run in courses: both strings of a course must clear every fret, so level to both.")
    return out


def of_wire(wear: WearMap, stock: WireStock | None, to_file: float | None, all_new: bool) -> list[str]:
    """How the chosen wire is told from the one on the board: width, hardness, what must be filed off to match, mm."""
    out: list[str] = []
    if to_file is not None and to_file > 0.0:
        out.append(f"The new frets are filed down by about {to_file:.2f} mm to match the old ones.")
    if stock is None:
        return out
    widths = [f.crown_width for f in wear.frets if f.crown_width is not None]
    if widths and not all_new:
        middle = sorted(widths, key=lambda w: w.value)[len(widths) // 2]
        apart = stock.crown_width - middle.value
        if abs(apart) > 0.05 + COVERAGE_FACTOR * middle.u:
            word = "wider" if apart > 0 else "narrower"
            out.append(f"The new frets are {abs(apart):.2f} mm {word} than the old ones and will be told from them.")
    present = wear.material or "nickel silver"
    if stock.material != present:
        if stock.material == "stainless":
            wears = "harder, so they wear slower" + ("" if all_new else " than their neighbours")
        else:
            wears = "so they wear at another rate"
        out.append(f"The new frets are {stock.material}, the old ones {present}: {wears}.")
    return out
