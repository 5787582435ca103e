"""What is asked of a photo: the scale in it, where that lies, which fret comes first."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, cast

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from inspect_app import services
from inspect_app.reading.ask import Ask, ScaleAsk, ScalePlane, View, parse_held
from inspect_app.services import PhotoView
from inspect_app.ui import server
from inspect_app.ui.field_errors import FieldErrors
from inspect_app.ui.lengths import TypedLength, bare_unit, length_field
from inspect_app.ui.lens_profiles import choose_lens
from inspect_app.ui.page_frame import length_unit, show_error
from inspect_app.ui.span_marking import mark_span
from inspect_app.ui.words import in_unit
from shared.errors import InspectError, OptionError
from shared.trade import HIGHEST_FRET, SIDES, Side

__all__ = [
    "ask_form",
    "choose_end",
    "choose_held",
    "choose_scale",
    "choose_string",
    "first_ask",
    "fret_label",
    "print_factor",
    "with_first",
]

SCALES = {
    "strip": "Printed strip",
    "backdrop": "Printed backdrop",
    "tongue": "Printed tongue",
    "rule": "Steel rule, millimetres",
    "rule:inch": "Steel rule, inches",
    "coin": "Coin of known diameter",
    "id1": "Bank or identity card (85.60 mm)",
    "span": "A known length, marked on the photo",
    "auto": "Look for a printed one",
}
PLANES = {
    "crown": "Level with the crown tops",
    "board": "On the board",
    "below": "Below the crown tops by",
}
NUT = ("left", "right")
TREBLE = ("bottom", "top")
Outer = Literal["first", "last"]
OUTER = {"first": "First, treble side", "last": "Last, bass side"}


def print_factor(kind: str) -> float:
    """True over nominal length of the shop's newest print of this kind, as measured on its check bar."""
    found = services.prints(server.store())
    return next((p.factor for p in found if p.kind == kind and p.verified and not p.retired), 1.0)


def first_ask(photo: PhotoView, first_fret: int) -> Ask:
    """What to ask of a photo before anyone said more."""
    ask = services.suggested_ask(server.store(), photo.id)
    if photo.inspection:
        return ask
    kind = ask.scale.kind
    return replace(ask, first_fret=first_fret, scale=replace(ask.scale, factor=print_factor(kind)))


def with_first(ask: Ask, first_fret: int) -> Ask:
    """The same question with another first fret."""
    return replace(ask, first_fret=first_fret)


def _scale_key(scale: ScaleAsk) -> str:
    return "rule:inch" if (scale.kind, scale.rule_unit) == ("rule", "inch") else scale.kind


def ask_form(photo: PhotoView, was: Ask, key: str, send: str) -> Ask | None:
    """What is asked of a photo: its scale, then the form of the rest; the question when it is sent and makes sense.

    The scale stands before the form, since a known length is marked on the photo itself. What is wrong is said at its
    field.
    """
    spots, scale, understood = FieldErrors(), None, False
    with spots.saying("scale"):
        scale = _ask_scale(photo, was, key)
        understood = True
    spots.below("scale")
    with st.form(key, border=False):
        left, right = st.columns(2)
        plane, below = _ask_plane(left, right, was, spots)
        first = _ask_first(left, photo, was, spots)
        nut = right.radio("The nut is at the", NUT, NUT.index(was.nut), horizontal=True)
        treble = left.radio("Treble side at the", TREBLE, TREBLE.index(was.treble), horizontal=True)
        with right:
            end = choose_end(was.end) if photo.view == "end" else None
            string, held, inset = _ask_string(was, spots) if photo.view == "side" else (None, "", None)
            lens = choose_lens(was.lens)
        sent = st.form_submit_button(send, type="primary")
        spots.end = st.empty()
    asked = None
    if sent and understood:
        with spots.saying():
            asked = replace(
                was,
                view=cast(View, photo.view),
                first_fret=_told_first(first, photo),
                scale=_told_scale(scale),
                scale_plane=ScalePlane(plane, (_mm(below, "below") or 0.0) if plane == "below" else 0.0),
                nut=cast(Literal["left", "right"], nut),
                treble=cast(Literal["top", "bottom"], treble),
                end=end,
                string=string,
                held=parse_held(held),
                string_inset=_mm(inset, "string_inset") if inset else None,
                lens=lens,
            )
    return asked


def _ask_plane(left: DeltaGenerator, right: DeltaGenerator, was: Ask, spots: FieldErrors) -> tuple[str, TypedLength]:
    """Where the scale lies, and how far below the crown tops as typed."""
    planes = list(PLANES)
    plane = left.selectbox("Where it lies", planes, planes.index(was.scale_plane.where), PLANES.__getitem__)
    below = length_field(right, "Below by", was.scale_plane.below_mm or None, bare_unit(length_unit(), True))
    spots.below("below", right)
    return plane, below


def _ask_first(at: DeltaGenerator, photo: PhotoView, was: Ask, spots: FieldErrors) -> int | None:
    """The fret in focus, or the first whole one; empty until a person or a measurement told it."""
    known = was.first_fret if photo.inspection else st.session_state.get(f"first-{photo.id}")  # as asked above
    first = at.number_input(fret_label(photo.view), 1, HIGHEST_FRET, known, 1, placeholder="which one?")
    spots.below("first_fret", at)
    return None if first is None else int(first)


def _ask_string(was: Ask, spots: FieldErrors) -> tuple[Outer, str, TypedLength]:
    """The string before the backdrop: which, where it is held down and how far inside the edge it runs, as typed."""
    string = choose_string(was.string)
    held = choose_held(was.held)
    spots.below("held")
    inset = choose_inset(was.string_inset)
    spots.below("string_inset")
    return string, held, inset


def _told_first(first: int | None, photo: PhotoView) -> int:
    if first is None and photo.view != "section":
        raise OptionError("The fret in focus is not told yet.", "Count from 1 at the nut.", "first_fret")
    return first or 1


def _told_scale(scale: ScaleAsk | None) -> ScaleAsk:
    if scale is None:
        advice = "Write the coin's diameter, or mark both ends of the known length and write how long it is."
        raise OptionError("The size of the scale is not told yet.", advice, "scale")
    return scale


def _mm(typed: TypedLength, of: str) -> float | None:
    """A length as typed; where it is none, the error names its field."""
    try:
        return typed.mm()
    except InspectError as error:
        raise error.at(of) from None


def choose_end(was: Side | None, key: str | None = None) -> Side:
    """Which end of the fret a close-up shows."""
    return st.radio("Which end", SIDES, SIDES.index(was) if was else 0, horizontal=True, key=key)


def choose_string(was: Outer | None, key: str | None = None) -> Outer:
    """Which outer string stands before the backdrop."""
    strings: list[Outer] = ["first", "last"]
    at = strings.index(was) if was else 0
    return st.radio("Outer string", strings, at, OUTER.__getitem__, horizontal=True, key=key)


def choose_held(was: tuple[int, ...], key: str | None = None) -> str:
    """The frets the string was held down on, as typed."""
    typed = ", ".join(map(str, was))
    hint = "For relief the first and the one at the body, as 1, 16; for the nut 2, 3. Empty for an open string."
    return st.text_input("Held down on frets", typed, key=key, help=hint)


def choose_inset(was: float | None) -> TypedLength:
    """How far the string runs inside the board's edge, as typed."""
    hint = "To the string's middle. Not known: 3.5 mm is taken, which is most of what the gap is uncertain by."
    hint, bare = in_unit(hint, length_unit()), bare_unit(length_unit(), True)
    return length_field(st.container(), "From the board's edge", was, bare, help=hint)


def _ask_scale(photo: PhotoView, was: Ask, key: str) -> ScaleAsk | None:
    """The scale in the photo, as chosen; ``None`` while its size is not told."""
    kinds = list(SCALES) if photo.view == "plan" else [k for k in SCALES if k != "span"]
    at = _scale_key(was.scale)
    left, right = st.columns(2)
    kind = left.selectbox(
        "Scale in the photo", kinds, kinds.index(at) if at in kinds else 0, SCALES.__getitem__, key=f"{key}-scale"
    )
    if kind == "span":
        return mark_span(photo, was.scale, f"{key}-span")
    coin = _coin(right, was.scale.diameter_mm or None, f"{key}-coin") if kind == "coin" else None
    return _scale(kind, coin, was) if coin is None or coin.text else None


def fret_label(view: str) -> str:
    """What the number asked of a photo means."""
    named = {
        "plan": "First whole fret from the nut",
        "side": "First whole fret from the nut",
        "section": "Pulled from fret (empty for a sample of wire)",
    }
    return named.get(view, "Fret in focus")


def _coin(at: DeltaGenerator, was: float | None, key: str) -> TypedLength:
    bare = bare_unit(length_unit(), False)
    return length_field(at, "Coin diameter", was, bare, f"{key}-{bare}")


def _scale(kind: str, coin: TypedLength | None, was: Ask) -> ScaleAsk:
    if coin is not None:
        mm = coin.mm()
        if mm is None:
            raise OptionError("The coin's diameter is missing.", "Write it down: coins list it.")
        return ScaleAsk("coin", diameter_mm=mm)
    if kind.startswith("rule"):
        return ScaleAsk("rule", rule_unit="inch" if kind.endswith("inch") else "mm")
    same = was.scale.kind == kind
    factor = was.scale.factor if same else print_factor(kind)
    return ScaleAsk(kind, factor=factor, prints=services.known_prints(server.store()))


def choose_scale(photo: PhotoView) -> ScaleAsk | None:
    """The scale to measure by hand with: that of the photo's readings, or the one a person names.

    The page ends here while that is not said.
    """
    if photo.inspection and photo.inspection.answer.scale:
        used = SCALES.get(photo.inspection.answer.scale.kind, "as asked")
        st.caption(f"Uses the scale of its readings: {used[0].lower()}{used[1:]}.")
        return None
    with st.container(horizontal=True, vertical_alignment="bottom"):
        kinds = ["auto", *(k for k in SCALES if k != "auto")]
        kind = st.selectbox("Scale in the photo", kinds, 0, SCALES.__getitem__, key=f"hand-scale-{photo.id}")
        coin = _coin(st.container(), None, f"hand-coin-{photo.id}") if kind == "coin" else None
    try:
        found = mark_span(photo, None, f"hand-span-{photo.id}") if kind == "span" else None
        if kind != "span":
            return _scale(kind, coin, Ask("plan"))
    except InspectError as error:
        show_error(error)
        st.stop()
    if found is None:
        st.stop()  # the photo above asks for the two points
    return found
