"""What feeler, rule and straightedge read: a form, and what was written down so far."""

from __future__ import annotations

from functools import partial

import streamlit as st

from inspect_app import services
from inspect_app.decide.gauge_quantities import BY_GAUGE
from inspect_app.reading.key import Key
from inspect_app.services.gauge_readings import gauge_readings, take_back_gauge_reading, write_gauge_reading
from inspect_app.ui import server
from inspect_app.ui.field_errors import FieldErrors
from inspect_app.ui.fold import fold
from inspect_app.ui.lengths import bare_unit, length_field
from inspect_app.ui.page_frame import length_unit
from inspect_app.ui.undo import remember_action
from inspect_app.ui.words import shown
from shared.errors import OptionError

__all__ = ["by_gauge"]

TEXTS = {k.name: k.text for k in BY_GAUGE}


def by_gauge(job: services.JobView, visit: str) -> None:
    """Readings at the bench that photos do not give, or that are held against theirs."""
    fold("Read by gauge", f"gauge-of-{job.id}", partial(_gauge, job, visit))


def _gauge(job: services.JobView, visit: str) -> None:
    for key, q in gauge_readings(server.store(), job.id, visit).items():
        left, right = st.columns([5, 1], vertical_alignment="center")
        left.markdown(f"{_named(key)}: {shown(q, length_unit())}")
        if right.button("Take back", key=f"gauge-{key}"):
            _take_back(job.id, visit, key, q.value)
            st.rerun()
    if (refused := st.session_state.pop("gauge-said", None)) is not None:
        FieldErrors().say((refused,))
    name = str(st.selectbox("What was read", list(TEXTS), format_func=TEXTS.__getitem__, key="gauge-what"))
    kind = next(k for k in BY_GAUGE if k.name == name)
    st.caption(kind.how)
    spots, turn = FieldErrors(), st.session_state.get("by-gauge-turn", 0)
    with st.form(f"by-gauge-{turn}-{name}", border=False):
        left, right = st.columns(2)
        fret = int(left.number_input("Fret", 1, job.details.instrument.frets or None, 1, 1)) if kind.by_fret else None
        if fret is not None:
            spots.below("fret", left)
        typed = length_field(right if kind.by_fret else left, "Read", None, bare_unit(length_unit(), True))
        spots.below("mm", right if kind.by_fret else left)
        if st.form_submit_button("Write it down"):
            with spots.saying("mm"):
                if (mm := typed.mm()) is None:
                    raise OptionError("Nothing was typed.", "Give what the gauge read.", "mm")
                _write(job.id, visit, name, mm, fret)
                st.session_state["by-gauge-turn"] = turn + 1
                st.rerun()


def _write(job_id: int, visit: str, name: str, mm: float, fret: int | None) -> None:
    """Write a reading down; taken back, the one before it stands again."""

    def in_force() -> tuple[Key, float] | None:
        every = gauge_readings(server.store(), job_id, visit).items()
        return next(((k, q.value) for k, q in every if (k.feature, k.fret) == (name, fret)), None)

    def back() -> None:
        if was is not None:
            write_gauge_reading(server.store(), job_id, visit, name, was[1], fret)
        elif (now := in_force()) is not None:
            take_back_gauge_reading(server.store(), job_id, visit, *now)

    was = in_force()
    write_gauge_reading(server.store(), job_id, visit, name, mm, fret)
    remember_action(job_id, f"Written down: {TEXTS[name]}", back, in_force)


def _take_back(job_id: int, visit: str, key: Key, seen: float) -> None:
    """Take back the reading that the page showed, and no other that came meanwhile."""
    try:
        take_back_gauge_reading(server.store(), job_id, visit, key, seen)
        again = partial(write_gauge_reading, server.store(), job_id, visit, key.feature, seen, key.fret)
        remember_action(job_id, f"Taken back: {_named(key)}", again)
    except OptionError as error:
        st.session_state["gauge-said"] = error


def _named(key: Key) -> str:
    """``Relief, treble side``; ``Fret 5: hollow in the board before a fret``."""
    text = TEXTS[key.feature]
    return text if key.fret is None else f"Fret {key.fret}: {text[0].lower()}{text[1:]}"
