"""What could be done with this board, what each way leaves and costs, and which one stands."""

from __future__ import annotations

from functools import partial

import streamlit as st

from inspect_app import services
from inspect_app.decide.estimate import format_money
from inspect_app.decide.limits import Verdict
from inspect_app.decide.options import Check, Kind, Option, recommend
from inspect_app.instrument.wire import WireMatch
from inspect_app.services.deciding import (
    Decision,
    TermsView,
    change_terms,
    decide,
    shop_limits,
    shop_prices,
    terms,
    wire_matches,
    wires,
)
from inspect_app.services.papers import bench_paper, worst_closeups
from inspect_app.ui import server
from inspect_app.ui.charts import bars, chart, dots, level_line, show_chart, x_axis, y_axis
from inspect_app.ui.concurrent_edits import changed_note, form_key, opened_with, reopen, settle_edit
from inspect_app.ui.estimate_draft import make_draft, prepare_paper
from inspect_app.ui.fold import fold
from inspect_app.ui.fret_history import instrument_limits, work_done
from inspect_app.ui.page_frame import (
    choose_visit,
    current_job,
    errors_shown,
    length_unit,
    not_decided,
    page,
    page_head,
    show_error,
    step_link,
)
from inspect_app.ui.prepare_ahead import glance
from inspect_app.ui.strings_and_neck import strings_and_neck
from inspect_app.ui.undo import remember_action
from inspect_app.ui.words import crown_size, in_unit, plain, shown
from shared.errors import InspectError
from shared.units import show_plain, show_probability, unit_shown

SIGNS = {Verdict.WITHIN: "✓ within", Verdict.BEYOND: "✕ beyond", Verdict.CANNOT_TELL: "? cannot tell"}
RULE = (
    "A limit counts as kept or broken only when that is at least 95 % probable (decision rule of ISO 14253-1, "
    "probabilities after JCGM 106); otherwise the photos cannot tell."
)


def recommended(decision: Decision) -> None:
    """The recommendation, and what would settle what can't be told."""
    said = recommend(decision.wear, decision.options, length_unit())
    with st.container(border=True):
        if said.kind is None:
            st.markdown("## Nothing can be recommended yet")
        else:
            st.markdown(f"## Recommended: {said.kind}")
        st.markdown(plain(said.reason))
        if said.settle:
            st.caption(plain(said.settle))
        if decision.terms.choice is not None:
            st.info(f"You chose **{decision.terms.choice}** instead: {plain(decision.terms.note)}")


def check_line(check: Check) -> str:
    """One limit and what may be said of it."""
    worst = f", worst on fret {check.worst_fret}" if check.worst_fret else ""
    p = (
        ""
        if check.probability is None
        else f" (kept with a probability of {show_probability(check.probability)}{worst})"
    )
    side = "at most" if check.limit.side == "upper" else "at least"
    limit = show_plain(check.limit.value, check.limit.unit, length_unit())
    return f"{SIGNS[check.verdict]}: {check.limit.text}, {side} {limit}{p}"


def show_option(decision: Decision, option: Option) -> None:
    """One option: price, what comes off, what is left, the limits."""
    prices = decision.terms.prices
    price = plain(format_money(option.price, prices.currency, prices.minor_digits, prices.locale))
    here = option.kind == decision.kind
    title = f"{'● ' if here else ''}{str(option.kind).capitalize()} · {price} · {SIGNS[option.verdict]}"
    shut = st.expander(title, expanded=here, on_change="rerun", key=f"option-{option.kind}")
    if not shut.open:  # the chart and the table of each would be drawn unseen
        return
    with shut:
        st.markdown("\n".join(f"- {plain(line)}" for line in [*facts(option), cost_line(option, decision)]))
        st.markdown("\n".join(f"- {plain(check_line(c))}" for c in option.checks))
        if option.height_left:
            heights(option, decision)
        if len(option.curve) > 1 and option.curve[0].least_height is not None:
            trade_off(option, decision)


def facts(option: Option) -> list[str]:
    """What is worked on, what comes off, what else it brings."""
    out = []
    if option.replaced:
        out.append(f"Frets replaced: {', '.join(map(str, option.replaced))}")
    if option.kind == Kind.DRESS:
        out.append(f"Frets dressed: {', '.join(map(str, option.dressed)) or 'none'}")
    if option.removal is not None:
        out.append(f"Comes off: {shown(option.removal.measured, length_unit())}, the deepest place taken as read")
    if option.height_left:
        fret, low = min(option.height_left, key=lambda h: h[1].value)
        out.append(f"Lowest fret: {fret}, with {shown(low.measured, length_unit())} left")
    if option.years is not None:
        y = option.years
        middle, least = (show_plain(years, "years", digits=2) for years in (y.median, y.at_least))
        out.append(
            f"At the wear measured between the visits, about {middle} until fret {y.fret} is too low; "
            f"more than {least} with a probability of 95 %"
        )
    return [*out, *(in_unit(b, length_unit()) for b in option.brings)]


def cost_line(option: Option, decision: Decision) -> str:
    """Labour and material apart."""
    book = decision.terms.prices
    sums = (option.cost.labour, option.cost.material)
    labour, material = (format_money(m, book.currency, book.minor_digits, book.locale) for m in sums)
    return f"Labour {option.cost.hours} h, {labour}; material {material}"


def heights(option: Option, decision: Decision) -> None:
    """Height left fret by fret beside the limit."""
    limit = decision.terms.limits["crown_height"].value
    factor, unit = unit_shown(limit, "mm", length_unit())
    rows = [
        {"fret": n, "low": factor * (s.value - 2 * s.u), "left": factor * s.value, "high": factor * (s.value + 2 * s.u)}
        for n, s in option.height_left
    ]
    x, y = x_axis("fret", "Fret"), y_axis("left", from_zero=False)
    layers = (
        bars(x, y_axis("low", f"Left, {unit} (bar: U)", from_zero=False), "high"),
        dots(x, y),
        level_line(factor * limit, y),
    )
    limit_text = show_plain(limit, "mm", length_unit())
    alt = f"Crown height left by fret, limit {limit_text}"
    show_chart(chart(rows, layers), alt, key=f"heights-{option.kind}")


def trade_off(option: Option, decision: Decision) -> None:
    """How much height each replaced fret gives back."""
    st.markdown("Replacing the worst frets gives back height on the others:")
    st.table(
        [
            {
                "Replaced": ", ".join(map(str, t.replaced)) or "none",
                "Comes off": shown(t.removal.measured, length_unit()),
                "Least of all frets": shown(t.least_height.measured, length_unit()) if t.least_height else "",
                "Limit kept with": show_probability(t.probability) if t.probability is not None else "",
            }
            for t in option.curve[: max(6, len(option.replaced) + 2)]
        ],
        border="horizontal",
    )
    st.caption(
        "The least of all frets lies a little under the height expected of the lowest one: any may come out low."
    )


def choose(job: services.JobView, decision: Decision) -> None:
    """Wire, bevel, another option with the reason."""
    known, key, typed = decision.terms, f"terms-{job.id}", None
    names = {0: "as now", **{w.id: w.stock.label for w in wires(server.store())}}
    now = {
        "wire_id": known.wire.id if known.wire else 0,
        "bevel_deg": float(known.bevel_deg),
        "choice": str(known.choice or ""),
        "note": known.note,
    }
    st.header("What was agreed")
    changed_note(key, now)
    was = opened_with(key, now)
    with st.form(form_key(key), border=False):
        ids, kinds = list(names), ["", *map(str, Kind)]
        at = ids.index(was["wire_id"]) if was["wire_id"] in ids else 0
        wire = st.selectbox("Wire for new frets", ids, index=at, format_func=names.__getitem__)
        bevel = st.number_input(
            "Bevel of the fret ends, degrees from upright", 0.0, 60.0, was["bevel_deg"], 1.0, format="%g",
            help="30 is usual, some prefer 35, about 20 where ends are then rounded (common practice, no source).",
        )  # fmt: skip
        choice = st.selectbox(
            "Option", kinds, index=kinds.index(was["choice"]), format_func=lambda k: k.capitalize() or "As recommended"
        )
        note = st.text_area("Why another than recommended", value=was["note"], height="content")
        if st.form_submit_button("Keep wire, bevel and option"):
            typed = {"wire_id": wire, "bevel_deg": bevel, "choice": choice, "note": note.strip()}
    with errors_shown():
        labels = {"wire_id": "Wire", "bevel_deg": "Bevel, degrees", "choice": "Option", "note": "Why"}
        keep = settle_edit(key, typed, now, labels, lambda n, v: names.get(v, "") if n == "wire_id" else str(v))
        if keep is not None:
            change_terms(server.store(), job.id, **keep)
            reopen(key)
            chose(job.id, known)
            st.rerun()


def chose(job_id: int, was: TermsView) -> None:
    """What was agreed was changed: it can be taken back."""

    def back() -> None:
        wire = was.wire.id if was.wire else 0
        change_terms(server.store(), job_id, None, None, wire, was.bevel_deg, was.choice or "", was.note)
        reopen(f"terms-{job_id}")

    remember_action(job_id, "Wire, bevel and option kept", back, lambda: terms(server.store(), job_id))


def likeness(job: services.JobView, visit: str) -> None:
    """The stock beside the wire that is on the board, and what to mind with each."""
    found = wire_matches(server.store(), job.id, visit)
    if found:
        fold("Stock beside the wire now on the board", f"stock-{job.id}", partial(stock, found))


def stock(found: tuple[WireMatch, ...]) -> None:
    """Each wire of the stock, and what to mind with it."""
    for m in found:
        w = m.wire
        size = crown_size(w.crown_width, w.crown_height, length_unit())
        st.markdown(f"**{m.relation.capitalize()}**: {plain(w.label)}, {w.material}, {size}")
        for warning in m.warnings:
            st.caption(plain(warning))


def own_terms(job: services.JobView, decision: Decision) -> None:
    """Say when the job is judged by other limits or prices than the shop's present ones, and offer those."""
    limits, prices = shop_limits(server.store()), shop_prices(server.store())
    if (decision.terms.limits, decision.terms.prices) == (limits, prices):
        return
    st.caption("This job keeps the limits and prices it was first judged by; the shop's have changed since.")
    if st.button("Use the shop's present ones"):
        with errors_shown():
            change_terms(server.store(), job.id, limits=limits, prices=prices)
            was = decision.terms
            remember_action(
                job.id,
                "Judged by the shop's present limits and prices",
                partial(change_terms, server.store(), job.id, limits=was.limits, prices=was.prices),
                lambda: terms(server.store(), job.id),
            )
            st.rerun()


def draft_it(job_id: int, visit: str) -> None:
    """Make the draft; the page goes on to it, or says what is wrong."""
    try:
        made = make_draft(job_id, visit)
        prepare_paper(services.job_view(server.store(), job_id), made)
        st.session_state["drafted"] = str(job_id)
    except InspectError as error:
        st.session_state["draft-said"] = error


def onward(job: services.JobView, decision: Decision, visit: str) -> None:
    """Draft the estimate, print the bench sheet."""
    if decision.kind is None:
        step_link("photos.py", "Add photos", job.id)
        return
    if (refused := st.session_state.pop("draft-said", None)) is not None:
        show_error(refused)
    with st.container(horizontal=True):  # two in a row where there is room for all their words
        st.button("Draft the estimate", type="primary", on_click=draft_it, args=(job.id, visit), key="draft")
        st.download_button(
            "Bench sheet (PDF)",
            data=lambda: bench_paper(server.store(), job.id, visit).data,
            file_name=f"bench-sheet-{job.number}.pdf",
            mime="application/pdf",
            on_click="ignore",
        )


if (drafted := st.session_state.pop("drafted", None)) is not None:
    st.switch_page(page("estimate.py"), query_params={"job": drafted})
job = current_job()
page_head(job, "options.py")
st.title("Options")
not_decided(job)
visits = [v.label for v in job.visits]
visit = choose_visit(f"options-visit-{job.id}", visits) if len(visits) > 1 else visits[0]
try:
    decision = decide(server.store(), job.id, visit)
except InspectError as error:
    show_error(error)
    step_link("job.py", "Open the job", job.id)
    st.stop()
main, side = st.columns([3, 2], gap="large")
with main:
    recommended(decision)
    for option in decision.options:
        show_option(decision, option)
    strings_and_neck(decision.setup, length_unit(), decision.terms.limits["level_step"].value)
    st.caption(RULE)
with side:
    onward(job, decision, visit)
    choose(job, decision)
    likeness(job, visit)
    own_terms(job, decision)
    instrument_limits(job)
    work_done(job, visit)
    if decision.wear.crown_height is None:
        st.info(
            "The crown height is not known. Read it with a calliper, photograph a pulled fret end-on, or write it "
            "on the job's page."
        )
    else:
        st.caption(
            f"Unworn crown height: {shown(decision.wear.crown_height, length_unit())}, {decision.wear.height_from}."
        )
    st.page_link(page("shop.py"), label="Limits, prices and wire of the shop")
if decision.kind is not None:
    glance(worst_closeups, server.store(), job.id, visit)  # its photos are opened now, not when a draft is set
