"""Strings, neck and board in a musician's words, for the estimate."""

from __future__ import annotations

from inspect_app.decide.board import BoardWear
from inspect_app.decide.limits import Verdict
from inspect_app.decide.setup import Setup, TargetCheck, bow_in_words
from inspect_app.report.number_format import NumberFormat, listed
from shared.tables import COMMON_PRACTICE

__all__ = ["board_words", "setup_words"]


def setup_words(setup: Setup, step: float, writing: NumberFormat) -> str:
    """What photos across the neck show and the customer would ask about; empty where all is as wanted or not read."""
    said = [_one(h, writing) for h in setup.held if h.verdict == Verdict.BEYOND and h.target is not None]
    high = [n for n, _ in setup.high(step)]
    if high:
        stands = "stands" if len(high) == 1 else "stand"
        said.append(f"{listed(high).capitalize()} {stands} higher than the others, which makes strings buzz.")
    loose = list(dict.fromkeys(e.fret for e in setup.ends.lifted))
    if loose:
        said.append(f"{listed(loose).capitalize()}: an end has come off the wood.")
    if setup.ends.proud:
        said.append("Fret ends stand out beyond the board's edge, where a hand feels them.")
    tongue = setup.tongue
    if tongue is not None and tongue.value > max(tongue.expanded, step):
        said.append(f"The board rises by {writing.rough(tongue.value)} towards its end.")
    return " ".join(said)


def board_words(board: BoardWear, writing: NumberFormat) -> str:
    """Worn places of the board, for a musician; empty where none were found."""
    worst = board.worst
    hollow = f"Its deepest hollow is {writing.rough(max((q.value for q in board.hollows.values()), default=0.0))} deep."
    if worst is None:
        return f"Fingers have worn the board itself. {hollow}" if board.hollows else ""
    return (
        f"Fingers have worn the board itself before {listed(board.fields)}; "
        f"before fret {worst} it is {100.0 * board.share_of(worst):.0f} % of the wood between the frets."
    ) + (f" {hollow}" if board.hollows else "")


def _one(held: TargetCheck, writing: NumberFormat) -> str:
    t, q = held.target, held.value
    assert t is not None
    side, what = held.name.split(" ", 1)
    says = "is usual" if t.source == COMMON_PRACTICE else "is what we aim for"
    wanted = f"{writing.rough(t.least)} to {writing.rough(t.most)} {says}"
    where = "high" if q.value > t.most else "low"
    if what == "relief":
        return f"The neck {bow_in_words(q, writing.rough(abs(q.value)))} ({wanted})."
    if what == "nut clearance":
        return f"At the nut the {side} string lies too {where} ({writing.rough(q.value)}; {wanted})."
    return f"The {side} string stands {where}: {writing.rough(q.value)} at the 12th fret ({wanted})."
