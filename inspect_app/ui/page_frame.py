"""What every page stands in: the head with the steps of a job, the job in hand, how errors are said."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import streamlit as st

from inspect_app import services
from inspect_app.ui import server
from inspect_app.ui.undo import show_last_action, undo_corner
from inspect_app.ui.words import Length, in_unit, label_of, plain
from shared.errors import InspectError
from shared.units import LENGTH_UNITS

__all__ = [
    "JOBS_PAGE",
    "SHOP_PAGE",
    "SIGN_DONE",
    "SIGN_OPEN",
    "STEPS",
    "Step",
    "TURN",
    "choose_unit",
    "choose_visit",
    "page_head",
    "length_unit",
    "look_up_unit",
    "not_decided",
    "page",
    "show_error",
    "errors_shown",
    "step_sign",
    "step_link",
    "current_job",
]

_HERE = Path(__file__).parent
_UNIT = "length-now"


@dataclass(frozen=True, slots=True)
class Step:
    """One page of a job: its file in ``app_pages`` and its name."""

    file: str
    name: str

    @property
    def part(self) -> str:
        """Its name in `services.progress`."""
        return self.file.removesuffix(".py")


SKIP = '<a class="skip" href="#the-page">To what is on this page</a>'
SKIPPED_TO = '<span id="the-page" class="skipped-to" tabindex="-1"></span>'
"""By Tab alone: past the names of all steps, which are some twelve presses."""
UNDOES_ITSELF = "readings.py"
"""The page whose own button takes back: it stands beside the verdicts, within a thumb's reach."""
JOBS_PAGE = "jobs.py"
SHOP_PAGE = "shop.py"
STEPS = (
    Step("job.py", "Job"),
    Step("photos.py", "Photos"),
    Step("by_hand.py", "By hand"),
    Step("findings.py", "Findings"),
    Step("readings.py", "Readings"),
    Step("wear_map.py", "Wear map"),
    Step("options.py", "Options"),
    Step("estimate.py", "Estimate"),
    Step("after_work.py", "After work"),
)
"""The steps of a job, in order: what is seen and noted at intake, what it says, what is agreed and done."""
SIGN_DONE, SIGN_OPEN = "✓", "○"
TURN = {"bench": "Your turn. ", "customer": "The customer's turn. "}
"""Before the next step of a job: whose turn it is."""


def page(file: str) -> str:
    """The path of a page for links."""
    return str(_HERE / "app_pages" / file)


def step_link(file: str, label: str, job_id: int, **params: str) -> None:
    """A link onward to a page of a job."""
    st.page_link(page(file), label=f"{label} ›", query_params={"job": str(job_id), **params})


def show_error(error: InspectError) -> None:
    """An error as a person reads it: what is wrong, what to do."""
    try:
        unit = length_unit()
    except InspectError:  # the store may be just what cannot be opened
        unit = "mm"
    st.error(f"{plain(in_unit(error.wrong, unit))} **{plain(in_unit(error.advice, unit))}**")


@contextmanager
def errors_shown() -> Iterator[None]:
    """Say an `InspectError` raised inside, and go on after the block."""
    try:
        yield
    except InspectError as error:
        show_error(error)


def length_unit() -> Length:
    """Millimetres or thousandths of an inch, as the shop last chose; looked up once a run of the page."""
    known: Length | None = st.session_state.get(_UNIT)
    return known or look_up_unit()


def look_up_unit() -> Length:
    """The unit as it is kept, for all of this run."""
    chosen = (services.get_setting(server.store(), "length") or {}).get("unit", "mm")
    st.session_state[_UNIT] = unit = cast(Length, chosen if chosen in LENGTH_UNITS else "mm")
    return unit


def _keep_unit() -> None:
    services.put_setting(server.store(), "length", {"unit": st.session_state["length-unit"]})


def choose_unit() -> None:
    """The unit of all lengths on pages and papers."""
    st.segmented_control(
        "Lengths in",
        list(LENGTH_UNITS),
        default=length_unit(),
        required=True,
        key="length-unit",
        on_change=_keep_unit,
        label_visibility="collapsed",
        format_func=lambda u: "mm" if u == "mm" else "inch/1000",
    )


def current_job() -> services.JobView:
    """The job named in the page's address, or the one looked at last; the page ends here if there is none."""
    asked = st.query_params.get("job") or st.session_state.get("job")
    if asked is None:
        _stop_without_job("No job is open.", "Choose one from the list, or start a new one.")
    try:
        job = services.job_view(server.store(), int(str(asked)))
    except (ValueError, InspectError) as error:
        st.session_state.pop("job", None)
        _stop_without_job(getattr(error, "wrong", "This address names no job."), "Choose one from the list.")
    st.session_state["job"] = str(job.id)
    st.query_params["job"] = str(job.id)
    return job


def choose_visit(key: str, labels: list[str], otherwise: str | None = None) -> str:
    """A visit of a job: as the address says, else `otherwise`, else the first; it stands in the address."""
    asked = st.query_params.get("visit")
    first = asked if asked in labels else otherwise or labels[0]
    label = st.pills("Visit", labels, default=first, required=True, key=key, format_func=label_of)
    st.query_params["visit"] = str(label)
    return str(label)


def not_decided(job: services.JobView, visit: str | None = None) -> None:
    """What this page's numbers rest on that nobody has looked at yet; nothing where all is decided."""
    left = services.left_to_decide(server.store(), job.id, visit)
    if left.features:
        st.caption(f"Not decided yet, and counted as read: {left.features} of {left.of_features} measured features.")
        step_link("readings.py", "Go through them", job.id)


def step_sign(at: services.Progress) -> str:
    """What stands behind the name of a step: done, open, or how much is left; nothing where nothing is to do."""
    if at.done:
        return f" {SIGN_DONE}"
    return f" ({at.left})" if at.left else f" {SIGN_OPEN}" if at.open else ""


def _stop_without_job(wrong: str, advice: str) -> None:
    st.title("No job")
    st.info(f"{plain(wrong)} {advice}")
    st.page_link(page(JOBS_PAGE), label="All jobs")
    st.stop()


def page_head(job: services.JobView, here: str) -> None:
    """The way to a job's other steps, and its name; `here` is this page's file."""
    if here != UNDOES_ITSELF:  # it has a way of its own, to the feature
        st.html(SKIP)
    with st.container(horizontal=True, vertical_alignment="center", gap="xsmall", key="steps"):
        st.page_link(page(JOBS_PAGE), label="‹ Jobs")
        far = services.progress(server.store(), job)
        for step in STEPS:
            if step.file == here:
                st.html(f'<span class="here" aria-current="page">{step.name}</span>', width="content")
            else:
                label = f"{step.name}{step_sign(far[step.part])}"
                st.page_link(page(step.file), label=label, query_params={"job": str(job.id)})
    name = job.details.instrument.name or job.details.instrument.kind or "instrument"
    with st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute"):
        st.caption(f"Job {job.number} · {plain(job.details.customer)} · {plain(name)}", width="content")
        with st.container(horizontal=True, vertical_alignment="center", width="content"):
            if here != UNDOES_ITSELF:
                undo_corner(job.id)
            choose_unit()
    if here != UNDOES_ITSELF:
        st.html(SKIPPED_TO)
    refused = show_last_action()
    if refused is not None:
        show_error(refused)
