"""The wear map: fret by string, each cell opens its reading; the crown line, the board's radius, two visits."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from inspect_app import services
from inspect_app.decide.wear import WearMap
from inspect_app.decide.wear_scale import LEGEND
from inspect_app.services.deciding import (
    board_of_visit,
    decide,
    inspections_of,
    neck_strip_of,
    rates,
    setup_of_visit,
    terms,
    wear_of,
)
from inspect_app.ui import server
from inspect_app.ui.board_map import board_map
from inspect_app.ui.by_gauge import by_gauge
from inspect_app.ui.charts import long_table, show_chart
from inspect_app.ui.page_frame import choose_visit, current_job, length_unit, page_head, show_error, step_link
from inspect_app.ui.prepare_ahead import glance
from inspect_app.ui.profiles import changes, cone, crown_profile, place_of, profile_chart, radius_chart, radius_rows
from inspect_app.ui.strings_and_neck import strings_and_neck
from inspect_app.ui.wear_table import SHOWS, Show, cells, heat_table, ramp
from inspect_app.ui.words import in_unit, label_of, plain, shown, signed
from shared.errors import InspectError
from shared.measured import Measured
from shared.units import show_plain


def map_table(job: services.JobView, visit: str, wear: WearMap) -> None:
    """The table of cells, and the same choice by name."""
    kinds: list[Show] = list(SHOWS)
    show = st.segmented_control(
        "Shows", kinds, default="depth", required=True, key="shows", format_func=SHOWS.__getitem__, bind="query-params"
    )
    length = length_unit()
    rows = services.readings(server.store(), job.id, visit)
    at = cells(wear, show, rows, length)

    def link(r: services.ReadingView) -> dict[str, str]:
        return {"job": str(job.id), "photo": str(r.photo_id), "reading": str(r.reading.key)}

    st.html(heat_table(wear, show, at, link))
    unit = "mm" if length == "mm" else "thousandths of an inch"
    told = f"In {unit}. A number opens its reading. {LEGEND}"
    if show == "height":
        told += _height_text(wear)
    st.html(ramp(show, length))
    st.caption(told)
    missing = [f for f in wear.frets if not (f.was_read or f.spots)]
    if missing:
        with st.expander(f"Frets not read ({len(missing)})"):
            for fret in missing:
                why = in_unit("; ".join(fret.reasons), length) or "no photo reads its wear"
                st.markdown(f"**Fret {fret.number}**: {plain(why)}")
            step_link("photos.py", "What to photograph", job.id)


def _height_text(wear: WearMap) -> str:
    if wear.crown_height is None:
        return " The crown's unworn height is not known: write it down, read it, or photograph a section of the wire."
    return f" Reckoned from {shown(wear.crown_height, length_unit())} where nothing is worn ({wear.height_from})."


def lines(job: services.JobView, visit: str) -> None:
    """The crown line of one fret, and the radius along the neck."""
    inspections = inspections_of(server.store(), job.id, visit)
    length = length_unit()
    profiles = {
        f.number: p for i in inspections for f in i.frets if i.view == "elevation" and (p := crown_profile(i, f))
    }
    left, right = st.columns(2, gap="large")
    with left:
        st.header("Crown line")
        if profiles:
            fret = st.pills("Fret", sorted(profiles), default=min(profiles), required=True, key="profile-fret")
            place, depth = profiles[fret]
            deepest = show_plain(float(depth.max()), "mm", length, 2)
            alt = f"Crown line of fret {fret} below its unworn arc, deepest {deepest} as seen"
            show_chart(profile_chart(place, depth, length), alt)
            st.caption("As the camera saw it; the depth readings also allow for the angle of the view.")
        else:
            st.info("No photo along the neck yet: take one, and a fret's crown line appears here.")
    with right:
        st.header("Radius along the neck")
        radii = radius_rows(inspections)
        if not radii:
            st.info("No photo along the neck yet: each gives the board's radius at its fret.")
            return
        text = ", ".join(f"fret {n} {shown(q, length)}" for n, q in radii)
        show_chart(radius_chart(radii, length), f"Board radius by fret: {text}")
        st.caption(_cone_text(radii))


def _cone_text(radii: list[tuple[int, Measured]]) -> str:
    fitted = cone(radii)
    if fitted is None:
        return "Three frets or more tell a compound board from a cylinder."
    first, last = (shown(fitted.radius(place_of(n)), length_unit()) for n in (radii[0][0], radii[-1][0]))
    kind = "a compound board" if fitted.compound else "no difference larger than U: one radius is possible"
    return f"A straight line through them runs from {first} to {last}: {kind}."


def both_views(wear: WearMap) -> None:
    """The places that were read from above and along the neck, side by side and combined."""
    spots = [(f.number, s) for f in wear.frets for s in f.spots if len(s.by_view) > 1]
    if not spots:
        return
    st.header("Read in both views")
    length = length_unit()
    rows = [(n, s, dict(s.by_view), s.depth) for n, s in spots if s.depth is not None]
    long_table(
        {
            "Fret": [n for n, *_ in rows],
            "String": [str(s.string or "between") for _, s, *_ in rows],
            "From above": [shown(seen["plan"], length) if "plan" in seen else "" for _, _, seen, _ in rows],
            "Along the neck": [
                shown(seen["elevation"], length) if "elevation" in seen else "" for _, _, seen, _ in rows
            ],
            "Together": [shown(depth, length) for *_, depth in rows],
            "Agree within U": ["no" if "DISAGREES" in depth.flags else "yes" for *_, depth in rows],
        },
        "Depth of the same divots in two views",
    )


def compare(job: services.JobView, visit: str, wear: WearMap) -> None:
    """This visit against another one: the change is always from the earlier to the later."""
    others = [v.label for v in job.visits if v.label != visit]
    if not others:
        return
    st.header("Against another visit")
    other = st.pills("Compare with", others, default=others[0], required=True, format_func=label_of, key="other")
    order = [v.label for v in job.visits]
    earlier, later = sorted((visit, str(other)), key=order.index)
    maps = {visit: wear, str(other): wear_of(server.store(), job.id, str(other))}
    rows = changes(maps[earlier], maps[later])
    if not rows:
        st.info("No fret was read at both visits. Photograph the same frets again to compare.")
        return
    length = length_unit()
    long_table(
        {
            "Fret": [r.fret for r in rows],
            "String": [r.string for r in rows],
            earlier.capitalize(): [shown(r.before, length) for r in rows],
            later.capitalize(): [shown(r.after, length) for r in rows],
            "Change": [signed(r.change, length) for r in rows],
            "Larger than U": ["yes" if r.told else "no" for r in rows],
        },
        "Depth at two visits and its change",
    )
    wearing(job, earlier, later)


def wearing(job: services.JobView, earlier: str, later: str) -> None:
    """Wear a year, where the visits' dates allow it."""
    dates = {v.label: v.date for v in job.visits}
    if dates[earlier] >= dates[later]:
        return
    try:
        found = [(r, r.years_left) for r in rates(server.store(), job.id, earlier, later) if r.years_left is not None]
    except InspectError as error:
        show_error(error)
        return
    for r, years in found:
        yearly = shown(replace(r.per_year, unit="mm"), length_unit())
        left = show_plain(years, "years", digits=2)
        st.markdown(f"**Fret {r.fret}, string {r.string}**: {yearly} a year; {left} until it may not stay.")


job = current_job()
page_head(job, "wear_map.py")
st.title("Wear map")
labels = [v.label for v in job.visits]
chosen = choose_visit(f"map-visit-{job.id}", labels)
try:
    wear_map = wear_of(server.store(), job.id, chosen)
except InspectError as error:
    show_error(error)
    step_link("job.py", "Write it down", job.id)
    st.stop()
setup = setup_of_visit(server.store(), job.id, chosen)
step = terms(server.store(), job.id).limits["level_step"].value
if not (wear_map.read or any(f.spots for f in wear_map.frets)):
    st.info("Nothing read at this visit yet. Add photos from above first, then along the neck where flats are wide.")
    step_link("photos.py", "Go to the photos", job.id)
else:
    map_table(job, chosen, wear_map)
    both_views(wear_map)
    lines(job, chosen)
    compare(job, chosen, wear_map)
board_map(board_of_visit(server.store(), job.id, chosen), wear_map)
strings_and_neck(setup, length_unit(), step, neck_strip_of(server.store(), job.id, chosen))
by_gauge(job, chosen)
glance(decide, server.store(), job.id, chosen)  # what comes next, worked out while the map is looked at
