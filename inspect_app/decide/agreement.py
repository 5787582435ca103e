"""What the customer said to an estimate: who, how, when; and which of several revisions stands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal, get_args

from inspect_app.decide.estimate import Estimate
from shared.errors import OptionError

__all__ = ["HOWS", "Answer", "How", "Status", "checked", "statuses"]

How = Literal["signed", "by mail", "by word"]
HOWS: tuple[How, ...] = get_args(How)
Status = Literal["issued", "accepted", "declined", "superseded"]


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer to an issued estimate. `pdf_sha256` is the hash of the paper that was answered."""

    accepted: bool
    by: str
    how: str
    """One of `HOWS`; empty where it was not kept (estimates answered before it was)."""
    on: date
    note: str = ""
    pdf_sha256: str = ""


def checked(answer: Answer, estimate: Estimate, today: date) -> Answer:
    """The answer, if it can be one to this estimate.

    Raises
    ------
    OptionError
        If nobody gave it, in no known way, before the estimate was made, in the future, or after it ran out without a
        note that says why it still holds.
    """
    if not answer.by.strip():
        raise OptionError("It is not said who answered.", "Write down the name.", "by")
    if answer.how not in HOWS:
        raise OptionError(f"There is no way to answer {answer.how!r}.", f"Use one of: {', '.join(HOWS)}.", "how")
    if answer.on < date.fromisoformat(estimate.made_on):
        raise OptionError(f"The estimate was made on {estimate.made_on}, after that day.", "Check the date.", "on")
    if answer.on > today:
        raise OptionError("This day has not come yet.", "Check the date.", "on")
    if answer.accepted and answer.on > date.fromisoformat(estimate.valid_until) and not answer.note.strip():
        raise OptionError(
            f"The estimate held until {estimate.valid_until}.",
            "Issue a new one, or say in a note why it still holds.",
            "note",
        )
    return answer


def statuses(issued: Sequence[int], answers: Sequence[tuple[int, bool]]) -> Mapping[int, Status]:
    """How every issued revision stands.

    What was accepted last stands until another is accepted; a later revision that is only issued, or declined, changes
    nothing in that. Of those not answered only the newest waits for an answer.

    Parameters
    ----------
    issued : sequence of int
        Ids of all issued revisions, oldest first.
    answers : sequence of (int, bool)
        Id and whether it was accepted, in the order they were given; those taken back left out.
    """
    last = dict(answers)
    agreed = next((i for i, yes in reversed(answers) if yes and last[i]), None)

    def status(i: int) -> Status:
        if i not in last:
            return "issued" if i == issued[-1] else "superseded"
        if not last[i]:
            return "declined"
        return "accepted" if i == agreed else "superseded"

    return {i: status(i) for i in issued}
