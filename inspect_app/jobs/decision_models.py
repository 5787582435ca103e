"""Tables for what is decided: the shop's wire, what each job is judged by, and its estimates."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import ForeignKey, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.jobs.models import Base

__all__ = ["AnswerRow", "EstimateRow", "FretHeight", "FretWork", "GaugeReading", "SameInstrument", "Terms", "Wire"]


class Wire(Base):
    """One wire on the shop's own stock list; removing one only hides it, for estimates name it."""

    __tablename__ = "wires"
    id: Mapped[int] = mapped_column(primary_key=True)
    label: Mapped[str]
    material: Mapped[str]
    crown_width: Mapped[float]
    crown_height: Mapped[float]
    tang_width: Mapped[float | None]
    tang_depth: Mapped[float | None]
    price: Mapped[int]
    """Per fret, in minor units of `currency`."""
    currency: Mapped[str] = mapped_column(server_default="")
    """ISO 4217 code; empty for that of whatever price book it is used with."""
    removed: Mapped[datetime | None]


class Terms(Base):
    """What a job is judged by: its own copy of limits and prices, the wire, the bevel agreed, the person's choice."""

    __tablename__ = "terms"
    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"), primary_key=True)
    limits: Mapped[dict[str, Any]]
    prices: Mapped[dict[str, Any]]
    wire_id: Mapped[int | None] = mapped_column(ForeignKey("wires.id"))
    bevel_deg: Mapped[float]
    choice: Mapped[str]
    """The option chosen by the person, empty while they follow the recommendation."""
    note: Mapped[str]
    updated: Mapped[datetime]


class EstimateRow(Base):
    """One revision of a job's estimate. Once issued it is frozen: triggers of the database refuse changes."""

    __tablename__ = "estimates"
    __table_args__ = (UniqueConstraint("job_id", "revision"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"))
    revision: Mapped[int]
    status: Mapped[str]
    """``draft``, ``issued``, ``accepted``, ``declined`` or ``superseded``."""
    content: Mapped[dict[str, Any]]
    content_hash: Mapped[str]
    pdf: Mapped[bytes | None]
    """The paper as it was issued, so that neither a later reading nor a later version can change it."""
    decided_on: Mapped[date | None]
    created: Mapped[datetime]
    updated: Mapped[datetime]


class AnswerRow(Base):
    """What the customer answered to an issued estimate; kept as it was given, at most marked as taken back."""

    __tablename__ = "answers"
    id: Mapped[int] = mapped_column(primary_key=True)
    estimate_id: Mapped[int] = mapped_column(ForeignKey("estimates.id"), index=True)
    accepted: Mapped[bool]
    by: Mapped[str]
    how: Mapped[str]
    """``signed``, ``by mail``, ``by word``, or empty where it was not kept."""
    on: Mapped[date]
    note: Mapped[str]
    pdf_sha256: Mapped[str] = mapped_column(String(64))
    """Of the paper that was answered."""
    written: Mapped[datetime]
    taken_back: Mapped[datetime | None]


class FretHeight(Base):
    """The crown height of one fret as a calliper or gauge read it at a visit; the last one written counts."""

    __tablename__ = "fret_heights"
    id: Mapped[int] = mapped_column(primary_key=True)
    visit_id: Mapped[int] = mapped_column(ForeignKey("visits.id"), index=True)
    fret: Mapped[int]
    height: Mapped[float | None]
    """Millimetres; null where an earlier one was taken back."""
    written: Mapped[datetime]
    gauge_id: Mapped[int | None]
    """The gauge of the shop that read it; null where nobody said."""


class GaugeReading(Base):
    """What feeler, rule or straightedge read at a visit; the last one of each reading counts."""

    __tablename__ = "gauge_readings"
    id: Mapped[int] = mapped_column(primary_key=True)
    visit_id: Mapped[int] = mapped_column(ForeignKey("visits.id"), index=True)
    reading: Mapped[str]
    """The text of its key: ``neck, treble relief``, ``fret 5, hollow depth``."""
    value: Mapped[float | None]
    """Millimetres; null where an earlier one was taken back."""
    written: Mapped[datetime]


class FretWork(Base):
    """What was done to frets before a visit: levelled, recrowned or replaced, by how much, with which wire."""

    __tablename__ = "fret_work"
    id: Mapped[int] = mapped_column(primary_key=True)
    visit_id: Mapped[int] = mapped_column(ForeignKey("visits.id"), index=True)
    kind: Mapped[str]
    """One of `inspect_app.decide.crown_height_history.WORK`."""
    frets: Mapped[list[Any]]
    """Numbers; empty for all."""
    off: Mapped[float | None]
    """What came off the tops, mm; null where nobody said."""
    off_u: Mapped[float | None]
    wire_id: Mapped[int | None] = mapped_column(ForeignKey("wires.id"))
    note: Mapped[str]
    written: Mapped[datetime]
    removed: Mapped[datetime | None]


class SameInstrument(Base):
    """The job this instrument was on the bench for before: its fret history and its limits go on."""

    __tablename__ = "same_instrument"
    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"), primary_key=True)
    earlier_job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"))
    written: Mapped[datetime]
