"""What an instrument's build brings to the work: said with each option, so that it is agreed before and not found on
the way. All of it common practice, no source."""

from __future__ import annotations

from inspect_app.decide.board import BoardWear
from inspect_app.decide.limits import Verdict
from inspect_app.decide.nut import NutAfter
from inspect_app.decide.setup import Setup, bow_in_words
from inspect_app.decide.wear import WearMap
from inspect_app.instrument.wire import WireStock
from shared.measured import COVERAGE_FACTOR, Measured

__all__ = [
    "board_consequences",
    "levelling_consequences",
    "nut_consequences",
    "pulling_consequences",
    "setup_consequences",
    "uniform_wear_consequence",
    "wire_consequences",
]


def levelling_consequences(wear: WearMap) -> list[str]:
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


def setup_consequences(setup: Setup, step: float) -> list[str]:
    """What strings and neck ask for before frets are levelled; `step` is what may stand over its neighbours, mm."""
    out = []
    for held in setup.held:
        if held.name.endswith("relief") and held.verdict == Verdict.BEYOND and held.target is not None:
            t, side = held.target, held.name.split()[0]
            bows = bow_in_words(held.value, f"{abs(held.value.value):.2f} mm")
            out.append(
                f"The neck {bows} on the {side} side, where {t.least:.2f} to {t.most:.2f} mm are wanted: set it first, "
                "for the frets are levelled to the neck as it is then."
            )
    for n, over in setup.high(step):
        out.append(
            f"Fret {n} stands {over.value:.2f} mm over its neighbours: seat it before anything is filed, if it gives."
        )
    out += [
        f"The {e.end} end of fret {e.fret} is off the wood by {e.by.value:.2f} mm: drive it home and glue it before "
        "anything is filed."
        for e in setup.ends.lifted
    ]
    if setup.ends.proud:
        furthest = max(e.by.value for e in setup.ends.proud)
        which = ", ".join(dict.fromkeys(str(e.fret) for e in setup.ends.proud))
        out.append(
            f"Fret ends stand out beyond the board, by up to {furthest:.2f} mm (fret {which}): a dried-out board "
            "shrinks back from them. They are filed flush once it has settled."
        )
    tongue = setup.tongue
    if tongue is not None and tongue.value > max(tongue.expanded, step):
        out.append(
            f"The board rises by {tongue.value:.2f} mm towards its end, past where the body holds it: levelling takes "
            "that off the last frets."
        )
    return out


def board_consequences(board: BoardWear, frets_out: bool) -> list[str]:
    """What worn places of the board entail, with the frets out or in."""
    deep = _hollows(board, frets_out)
    worst = board.worst
    if worst is None:
        return deep
    count = len(board.fields)
    found = (
        f"The board is worn in {count} field{'s' if count > 1 else ''}, most before fret {worst} "
        f"({100.0 * board.share_of(worst):.0f} % of it)"
    )
    if frets_out:
        gauge = "" if deep else " A straightedge and a gauge tell how deep its hollows are."
        return [f"{found}: it is dressed while the frets are out.{gauge}", *deep]
    return [f"{found}: with the frets in it can be cleaned and oiled, not levelled.", *deep]


def _hollows(board: BoardWear, frets_out: bool) -> list[str]:
    """How deep its hollows were read, and what that means."""
    if not board.hollows:
        return []
    n = max(board.hollows, key=lambda k: board.hollows[k].value)
    deepest = f"The deepest hollow read in the board is {board.hollows[n].value:.2f} mm, before fret {n}"
    if frets_out:
        return [f"{deepest}: levelling the wood takes as much off all of it, or the hollow is filled. Agree which."]
    return [f"{deepest}: it stays while the frets are in."]


def nut_consequences(after: NutAfter | None) -> list[str]:
    """Whether the nut's slots still do once the crowns stand higher or lower."""
    if after is None:
        return []
    gap = f"{after.clearance.value:.2f} mm over the first fret, at least {after.least:.2f} mm wanted"
    if after.verdict == Verdict.BEYOND:
        return [f"The nut is too low for it ({gap}): it is raised or made new."]
    if after.verdict == Verdict.CANNOT_TELL:
        return [f"Whether the nut's slots will do can't be told from the readings ({gap}): check them when strung."]
    if after.most is not None and after.clearance.value > after.most:
        return [f"The nut's slots can go deeper ({after.clearance.value:.2f} mm over the first fret)."]
    return [f"The nut's slots will do ({gap})."]


def uniform_wear_consequence(depth: Measured | None, off: float, margin: float) -> list[str]:
    """What would come off, mm, were all places worn alike, where the readings allow that and it makes a difference."""
    if depth is None or off - (depth.value + margin) < 0.01:
        return []
    return [
        f"The deepest place is taken as read. All depths agree with one of {depth.value:.2f} mm within their "
        f"uncertainty: if the frets are worn alike, {depth.value + margin:.2f} mm comes off and not {off:.2f} mm."
    ]


def pulling_consequences(wear: WearMap) -> list[str]:
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


def wire_consequences(wear: WearMap, stock: WireStock | None, to_file: float | None, all_new: bool) -> list[str]:
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
