"""A known thing before the camera: how to photograph it, what is known of it, and whether the photo says the same."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

import streamlit as st

from inspect_app import services
from inspect_app.reading.ask import Ask, ScaleAsk, View
from inspect_app.reading.inspection import PhotoSummary
from inspect_app.services.bench_checks import (
    KNOWN_THING,
    bench_checks,
    keep_bench_check,
    restore_bench_check,
    retire_bench_check,
)
from inspect_app.services.known_things import MarkedPoints, Marking, ThingTrial, hold_photo, try_thing
from inspect_app.services.lenses import lenses_in_use
from inspect_app.ui import server
from inspect_app.ui.field_errors import FieldErrors
from inspect_app.ui.gauge_register import gauges_by_name
from inspect_app.ui.lengths import bare_unit, length_field
from inspect_app.ui.lens_profiles import choose_lens
from inspect_app.ui.page_frame import errors_shown, length_unit
from inspect_app.ui.photo_question import print_factor
from inspect_app.ui.printed_scales import not_measured_yet
from inspect_app.ui.undo import kept_in_shop
from inspect_app.ui.viewer import AS_SEEN, MovedHandles, Photo, PointsToPlace, Scene, Shape, show
from inspect_app.ui.words import in_unit, plain, shown
from shared.errors import OptionError
from shared.measured import Measured

__all__ = ["known_things"]


@dataclass(frozen=True, slots=True)
class KnownThing:
    """A thing to photograph: how, by which scale, and what is marked on the photo, or which reading is looked at."""

    how: str
    view: View
    scale: str
    mark: Marking | None
    prompts: tuple[str, ...] = ()
    reading: str = ""

    @property
    def unit(self) -> str:
        """Of what is known of it."""
        return "deg" if self.mark == "angle" else "mm"


_ACROSS = ("Mark the ground on one side of it", "Mark the ground on its other side")
_TWO_EDGES = ("Mark a point on one edge", "Mark another on the same edge, far along", "Mark a point on the other edge",
              "Mark another on that edge, far along")  # fmt: skip
_WIRE = (
    "A piece of wire that a calliper has measured, its cut end flush with the backdrop's small squares, photographed "
    "straight along the wire, crown up. File the cut flat first: eye protection, and wipe the filings up damp. "
)
THINGS = {
    "Feeler leaf, end-on": KnownThing(
        "Stand the backdrop up, hold the leaf edge-on against its white foot beside the small squares, and look "
        "straight at it from 20 cm, camera square to the backdrop.",
        "section", "backdrop", "across", _ACROSS,
    ),
    "Drill shank or rod": KnownThing(
        "Lay the shank beside the strip on one level bench and photograph both from straight above. Its edges lie over "
        "the strip by half its diameter: write that below.",
        "plan", "strip", "across", _ACROSS,
    ),
    "Step of two leaves": KnownThing(
        "Lay one leaf on another so that its end makes a step, hold both edge-on against the backdrop's foot and look "
        "straight at them. The upper leaf's thickness is the step.",
        "section", "backdrop", "step", _TWO_EDGES,
    ),
    "Angle of a set square": KnownThing(
        "Stand the set square against the backdrop so that both edges of a corner under 90 degrees lie before its "
        "white, and look straight at it.",
        "section", "backdrop", "angle", _TWO_EDGES,
    ),
    "Width of a wire's crown": KnownThing(_WIRE, "section", "backdrop", None, reading="fret 1, crown width"),
    "Height of a wire's crown": KnownThing(_WIRE, "section", "backdrop", None, reading="fret 1, crown height"),
}  # fmt: skip
_PHOTO, _POINTS, _TRIED = "thing-photo", "thing-points", "thing-tried"


def known_things() -> None:
    """Photograph, say what is known, see whether it agrees; and what was kept."""
    st.markdown(
        "Photograph something whose size you know, and see what this camera, these prints and your hands are worth: "
        "five minutes, now and then, and after anything changed."
    )
    name = st.selectbox(
        "What is photographed", list(THINGS), key="thing", on_change=st.session_state.pop, args=(_TRIED, None)
    )  # another thing: the answer was of the one before
    thing = THINGS[name]
    st.markdown(f"**1. Photograph it.** {thing.how}")
    photo = _photo()
    if photo is not None:
        points = _marked(photo, thing, name)
        _ask(photo, thing, points)
        _answer(thing)
    _kept_results()


def _photo() -> PhotoSummary | None:
    turn = st.session_state.get("thing-drop", 0)
    kind = ["image/*"]
    file = st.file_uploader(
        "Photo of the thing with its scale; on a phone this opens the camera", type=kind, key=f"thing-file-{turn}",
        max_upload_size=server.MAX_UPLOAD_MB,
    )  # fmt: skip
    if file is not None:
        with errors_shown():
            st.session_state[_PHOTO] = hold_photo(server.store(), file.getvalue(), file.name)
            _forget_marks()
            st.session_state["thing-drop"] = turn + 1  # a fresh uploader lets go of the file's memory
            st.rerun()
    held: PhotoSummary | None = st.session_state.get(_PHOTO)
    return held


def _forget_marks() -> None:
    for key in (_POINTS, _TRIED):
        st.session_state.pop(key, None)


def _marked(photo: PhotoSummary, thing: KnownThing, name: str) -> tuple[float, ...]:
    """The photo with what was read drawn on it, to mark the thing on; the points marked, none where none are asked."""
    key = f"{photo.sha256[:12]} {name}"
    kept = st.session_state.get(_POINTS)
    rev, points = kept[1:] if kept and kept[0] == key else (0, ())
    tried: ThingTrial | None = st.session_state.get(_TRIED)
    lines = tried.drawn if tried else ()
    shapes = [Shape(o.points, "scale" if o.name == "scale" else "sure", o.closed) for o in lines]
    place = PointsToPlace("mark", name, thing.prompts, AS_SEEN) if thing.mark else None
    alt = f"Photo {photo.name}: {name.lower()}. Enter marks a point in the middle; arrow keys move it."
    if thing.mark:
        st.markdown(f"**2. Mark it.** {'; '.join(thing.prompts)}. Zoom in: a few pixels off the edge do no harm.")
    file = Photo(photo.sha256, photo.width_px, photo.height_px)
    scene = Scene(file, alt, f"thing {key}", rev, tuple(shapes), place=place)

    def moved(m: MovedHandles) -> None:
        ids = [f"p{i + 1}" for i in range(len(thing.prompts))]
        if set(ids) <= set(m.points):
            st.session_state[_POINTS] = (key, m.rev, tuple(v for i in ids for v in m.points[i]))
            st.session_state.pop(_TRIED, None)

    show(scene, f"thing-{key}", moved)
    return tuple(points)


def _ask(photo: PhotoSummary, thing: KnownThing, points: tuple[float, ...]) -> None:
    st.markdown(f"**{3 if thing.mark else 2}. Say what is known of it.**")
    spots, bare, angle = FieldErrors(), bare_unit(length_unit(), True), thing.unit == "deg"
    if not angle:
        not_measured_yet({thing.scale})
    found = gauges_by_name()
    with st.form("thing-ask", border=False):
        left, right = st.columns(2)
        if angle:
            degrees = left.number_input("It should be, degrees", 2.0, 90.0, 45.0, 0.5)
            off = right.number_input("and may be off by, degrees", 0.01, 5.0, 0.1, 0.05)
        else:
            size = length_field(left, "It should be", None, bare, "thing-size", hint="as read or engraved")
            spots.below("size", left)
            limit = length_field(left, "and may be off by", None, bare, "thing-limit", hint="such as 0.005")
            spots.below("limit", left)
            by = right.selectbox(
                "Measured with", [_BY_LIMIT, *found], help="A gauge's own figures stand for the limit."
            )
        above = length_field(right, "Its edges lie over the scale by", 0.0, bare, "thing-above") if thing.mark else None
        lens = choose_lens(None)
        if not st.form_submit_button("Read it", type="primary"):
            return
    with spots.saying("size"), st.spinner("Reading the photo"):
        if thing.mark and not points:
            raise OptionError("Nothing is marked on the photo yet.", f"Mark {len(thing.prompts)} points on it.")
        expected = degrees if angle else size.mm()
        gauge = None if angle else found.get(str(by))
        within = off if angle else limit.mm() if gauge is None else _limit_of(gauge.u, gauge.resolution)
        if expected is None:
            raise OptionError("The thing's size is missing.", "Measure it, or write what is engraved on it.", "size")
        if within is None:
            raise OptionError("How far off it may be is missing.", "Write it, or choose what measured it.", "limit")
        scale = ScaleAsk(thing.scale, factor=print_factor(thing.scale), prints=services.known_prints(server.store()))
        ask = Ask(thing.view, scale, lens=lens, lenses=lenses_in_use(server.store()))
        height = 0.0 if above is None else above.mm() or 0.0
        what = MarkedPoints(thing.mark, points, height) if thing.mark else thing.reading
        st.session_state[_TRIED] = try_thing(server.store(), photo, ask, what, expected, within)
        st.rerun()  # the photo above shows what was read


_BY_LIMIT = "nothing on the list: the limit counts"


def _limit_of(u: float, resolution: float) -> float:
    """The limit whose rectangle is as wide as a gauge's own uncertainty and the rounding of its display, mm."""
    return math.sqrt(3.0) * math.hypot(u, resolution / math.sqrt(12.0))


def _answer(thing: KnownThing) -> None:
    tried: ThingTrial | None = st.session_state.get(_TRIED)
    if tried is None:
        return
    said, unit = tried.said, length_unit()
    st.table(
        [{"Expected": shown(said.expected, unit), "Read": shown(said.read, unit), "E_n": f"{said.number:+.2f}"}],
        border="horizontal",
    )
    sentences = " ".join(plain(in_unit(s, unit)) for s in said.advice)
    if said.agrees:
        st.success(f"**They agree.** {sentences}")
    else:
        st.warning(f"**They do not agree.** {sentences}")
    st.caption("E_n (ISO 13528) is the difference over both uncertainties together: within 1 either way they agree.")
    if st.button("Keep this result", key="keep-thing"):
        made = keep_bench_check(server.store(), thing.view, tried.result)
        _forget_marks()
        st.session_state.pop(_PHOTO, None)
        back = partial(retire_bench_check, server.store(), made.id)
        kept_in_shop("Result kept: it stands on the measurement records, with its day.", back)
        st.rerun()


def _kept_results() -> None:
    found = [c for c in bench_checks(server.store()) if c.kind == KNOWN_THING and not c.retired]
    for c in found:
        expected, read = (Measured.from_dict(c.result[k]) for k in ("expected", "read"))
        verdict = "agrees" if c.result["agrees"] else "does not agree"
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown(
                f"{c.created:%Y-%m-%d}, {plain(c.result['what'])}: expected {shown(expected, length_unit())}, read "
                f"{shown(read, length_unit())}, E\\_n {c.result['e_n']:+.2f}, **{verdict}**"
            )
            if st.button("Take back", key=f"retire-thing-{c.id}"):
                retire_bench_check(server.store(), c.id)
                kept_in_shop("Result taken back.", partial(restore_bench_check, server.store(), c.id))
                st.rerun()
