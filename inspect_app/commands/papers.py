"""``inspect-app estimate|report|export JOB``: a job's papers and its export, by the job's number."""

from __future__ import annotations

import argparse
from pathlib import Path

from inspect_app.commands.files import write_file
from inspect_app.decide.estimate import format_money, totals
from inspect_app.decide.options import Kind
from inspect_app.services import Store, job_numbered, open_store
from inspect_app.services.deciding import decide
from inspect_app.services.estimating import draft, estimate_pdf, issue_estimate
from inspect_app.services.papers import AFTER, bench_paper, handover_paper, record_paper

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Do what the command's name says, and close the store."""
    store = open_store(options.data, make=False)
    try:
        job_id = job_numbered(store, options.job)
        {"estimate": _estimate, "report": _report, "export": _export}[options.paper_kind](store, job_id, options)
    finally:
        store.close()
    return 0


def _write(path: Path, data: bytes) -> None:
    write_file(path, data)
    print(f"wrote {path}")


def _estimate(store: Store, job_id: int, options: argparse.Namespace) -> None:
    """Say what each option leaves and costs, draft the one that stands, issue it if asked, write its paper."""
    decision = decide(store, job_id, options.visit)
    book = decision.terms.prices
    for o in decision.options:
        money = format_money(o.price, book.currency, book.minor_digits, book.locale)
        print(f"  {o.kind}: {money}; limits: {o.verdict}")
    print(" ".join(w for w in (decision.recommendation.reason, decision.recommendation.settle) if w))
    made = draft(store, job_id, options.visit, Kind(options.option) if options.option else None)
    if options.issue:
        made = issue_estimate(store, made.id, options.visit, options.paper)
    e = made.estimate
    money = format_money(totals(e).total, e.currency, e.minor_digits, e.locale)
    print(f"estimate {e.revision} ({made.status}): {e.option}, {money}")
    if options.out:
        _write(options.out, estimate_pdf(store, made.id, options.visit, options.paper))


def _report(store: Store, job_id: int, options: argparse.Namespace) -> None:
    if options.kind == "handover":
        pdf = handover_paper(store, job_id, options.visit, AFTER, options.paper)
    else:
        make = record_paper if options.kind == "record" else bench_paper
        pdf = make(store, job_id, options.visit, options.paper)
    _write(options.out, pdf.data)


def _export(store: Store, job_id: int, options: argparse.Namespace) -> None:
    """Into one zip file, or into a folder that is new or empty."""
    from inspect_app.services.exporting import export_bytes, export_job  # loads measuring, which the papers need not

    if options.out.suffix.lower() == ".zip":
        _write(options.out, export_bytes(store, job_id, options.pixels, options.whole))
    else:
        print(f"wrote {export_job(store, job_id, options.out, options.pixels, options.whole)}")
