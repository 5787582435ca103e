"""The e-mail an estimate goes out with: plain text, ready to paste."""

from __future__ import annotations

from inspect_app.decide.estimate import Estimate, totals
from inspect_app.decide.wear import WearMap
from inspect_app.report.estimate import frets_words
from inspect_app.report.number_format import NumberFormat
from inspect_app.report.paper_frame import Heading

__all__ = ["covering_mail"]


def covering_mail(heading: Heading, estimate: Estimate, wear: WearMap, writing: NumberFormat) -> str:
    """Subject line, empty line, text."""
    t = totals(estimate)
    total = writing.money(t.total, estimate.currency, estimate.minor_digits)
    tax = " including tax" if t.tax else ""
    deposit = (
        f" A deposit of {writing.money(t.deposit, estimate.currency, estimate.minor_digits)} is asked for."
        if t.deposit
        else ""
    )
    paragraphs = (
        f"Subject: Estimate {estimate.revision} for {heading.instrument}, job {heading.job}",
        f"Dear {heading.customer}," if heading.customer else "Good day,",
        "The estimate for your instrument is attached. It shows what is worn, what we propose and why, and what else "
        "could be done.",
        f"We propose: {estimate.option}. {frets_words(estimate, wear)}".strip(),
        f"Price: {total}{tax}.{deposit} It holds until {writing.day(estimate.valid_until)}.",
        f"To go ahead, answer this mail with “I accept estimate {estimate.revision}” and your name, or sign the paper "
        "and bring it along. If anything is unclear, please ask.",
        "\n".join(("Kind regards", *(w for w in (heading.shop_name, *heading.shop_lines) if w))),
    )
    return "\n\n".join(paragraphs) + "\n"
