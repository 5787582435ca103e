"""The tables of the store. Lengths in millimetres, times in UTC; what can be worked out is not stored."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import JSON, DateTime, Dialect, ForeignKey, MetaData, String, TypeDecorator, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

from inspect_app.reading.key import Key, parse_key

__all__ = [
    "Base",
    "Job",
    "Visit",
    "Photo",
    "InspectionRow",
    "Judgement",
    "HandMeasure",
    "Print",
    "Gauge",
    "PrintBar",
    "Setting",
]


class UtcTime(TypeDecorator[datetime]):
    """An aware time, kept as UTC (SQLite keeps no time zone)."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return None if value is None else value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return None if value is None else value.replace(tzinfo=UTC)


class KeyText(TypeDecorator[Key]):
    """A reading's key, kept as its text."""

    impl = String
    cache_ok = True

    def process_bind_param(self, value: Key | None, dialect: Dialect) -> str | None:
        return None if value is None else str(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> Key | None:
        return None if value is None else parse_key(value)


class Base(DeclarativeBase):
    """Names every constraint, so that later migrations can refer to it."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {datetime: UtcTime, Key: KeyText, dict[str, Any]: JSON, list[Any]: JSON}  # noqa: RUF012


class Job(Base):
    """One instrument brought in by one customer."""

    __tablename__ = "jobs"
    id: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[int] = mapped_column(unique=True)
    form_token: Mapped[str | None] = mapped_column(unique=True)
    """Sent with the form that made the job: the same form sent twice makes one job."""
    revision: Mapped[int] = mapped_column(default=1)
    """Counts changes of the details, so that one window cannot undo another's change unseen."""
    search_text: Mapped[str]
    """Everything a search looks through, case folded."""
    customer: Mapped[str]
    contact: Mapped[str]
    instrument_name: Mapped[str]
    instrument_kind: Mapped[str]
    scale_length: Mapped[float | None]
    frets: Mapped[int | None]
    strings: Mapped[int | None]
    spread_nut: Mapped[float | None]
    spread_bridge: Mapped[float | None]
    board_wood: Mapped[str]
    radius_nut: Mapped[float | None]
    radius_last: Mapped[float | None]
    binding: Mapped[bool]
    nibs: Mapped[bool]
    zero_fret: Mapped[bool] = mapped_column(default=False)
    lacquered: Mapped[bool] = mapped_column(default=False)
    multi_scale: Mapped[bool] = mapped_column(default=False)
    courses: Mapped[int | None]
    present_wire: Mapped[str]
    crown_width: Mapped[float | None]
    crown_height: Mapped[float | None]
    asked_for: Mapped[str]
    promised: Mapped[date | None]
    created: Mapped[datetime]
    updated: Mapped[datetime] = mapped_column(index=True)
    visits: Mapped[list[Visit]] = relationship(back_populates="job", order_by="Visit.date, Visit.id")
    photos: Mapped[list[Photo]] = relationship(back_populates="job", order_by="Photo.id")


class Visit(Base):
    """One time the instrument was photographed: ``intake``, ``after``, or a later check."""

    __tablename__ = "visits"
    __table_args__ = (UniqueConstraint("job_id", "label"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"))
    label: Mapped[str]
    date: Mapped[date]
    job: Mapped[Job] = relationship(back_populates="visits")


class Photo(Base):
    """A photo of a job; its bytes lie in a file named by their hash. Removing one only hides it."""

    __tablename__ = "photos"
    __table_args__ = (UniqueConstraint("job_id", "sha256"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"))
    visit_id: Mapped[int] = mapped_column(ForeignKey("visits.id"), index=True)
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    suffix: Mapped[str]
    size_bytes: Mapped[int]
    width_px: Mapped[int]
    height_px: Mapped[int]
    name: Mapped[str]
    view: Mapped[str]
    note: Mapped[str]
    category: Mapped[str]
    added: Mapped[datetime]
    removed: Mapped[datetime | None]
    job: Mapped[Job] = relationship(back_populates="photos")
    visit: Mapped[Visit] = relationship()
    inspections: Mapped[list[InspectionRow]] = relationship(back_populates="photo", order_by="InspectionRow.id")
    hand_measures: Mapped[list[HandMeasure]] = relationship(order_by="HandMeasure.id")


class InspectionRow(Base):
    """What one photo said when asked once: the question, the whole answer, the version that gave it. Never changed.

    The current inspection of a photo is the one that nothing has superseded.
    """

    __tablename__ = "inspections"
    id: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"), index=True)
    ask: Mapped[dict[str, Any]] = mapped_column(deferred=True)
    answer: Mapped[dict[str, Any]] = mapped_column(deferred=True)
    version: Mapped[str]
    reading_count: Mapped[int]
    created: Mapped[datetime]
    superseded_by: Mapped[int | None] = mapped_column(ForeignKey("inspections.id"))
    restored_from: Mapped[int | None] = mapped_column(ForeignKey("inspections.id"))
    """The earlier inspection this one brings back, where a change was undone."""
    photo: Mapped[Photo] = relationship(back_populates="inspections")
    judgements: Mapped[list[Judgement]] = relationship(order_by="Judgement.id")


class Judgement(Base):
    """A person's word on one reading; the last one counts, the earlier ones are its history."""

    __tablename__ = "judgements"
    id: Mapped[int] = mapped_column(primary_key=True)
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspections.id"), index=True)
    reading: Mapped[Key]
    verdict: Mapped[str]
    """``accept``, ``reject`` or ``open`` (taken back)."""
    reason: Mapped[str]
    at: Mapped[datetime]
    carried_from: Mapped[int | None] = mapped_column(ForeignKey("judgements.id"))
    """Set where a newer inspection gave the same reading again and the judgement went with it."""


class HandMeasure(Base):
    """A distance, angle or circle a person marked on a calibrated photo, with its result."""

    __tablename__ = "hand_measures"
    id: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"), index=True)
    kind: Mapped[str]
    points: Mapped[list[Any]]
    ask: Mapped[dict[str, Any]]
    result: Mapped[dict[str, Any]]
    version: Mapped[str]
    note: Mapped[str]
    created: Mapped[datetime]
    removed: Mapped[datetime | None]


class Print(Base):
    """A printed scale and what its check bar really measures."""

    __tablename__ = "prints"
    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]
    bar_nominal: Mapped[float]
    bar_measured: Mapped[float]
    factor: Mapped[float]
    note: Mapped[str]
    created: Mapped[datetime]
    verified: Mapped[bool] = mapped_column(default=True)
    """Whether `bar_measured` was measured, and is not only what it should be."""
    retired: Mapped[datetime | None]
    bars: Mapped[list[PrintBar]] = relationship(order_by="PrintBar.id")


class Gauge(Base):
    """A calliper, rule or set of feelers: what it resolves and its own standard uncertainty, mm."""

    __tablename__ = "gauges"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    kind: Mapped[str]
    resolution: Mapped[float]
    u: Mapped[float]
    calibrated: Mapped[date | None]
    created: Mapped[datetime]
    retired: Mapped[datetime | None]


class PrintBar(Base):
    """What a gauge read on a print's check bar, mm, and the air's humidity then, per cent; the last one counts."""

    __tablename__ = "print_bars"
    id: Mapped[int] = mapped_column(primary_key=True)
    print_id: Mapped[int] = mapped_column(ForeignKey("prints.id"), index=True)
    measured: Mapped[float]
    gauge_id: Mapped[int | None] = mapped_column(ForeignKey("gauges.id"))
    humidity: Mapped[float | None]
    created: Mapped[datetime]


class BenchCheck(Base):
    """A known thing read, or a repeat study: what the shop found out of its own measuring, and when."""

    __tablename__ = "bench_checks"
    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]
    view: Mapped[str]
    result: Mapped[dict[str, Any]]
    version: Mapped[str]
    created: Mapped[datetime]
    retired: Mapped[datetime | None]


class LensRow(Base):
    """A lens profile, as `calib.lens_profile` writes it."""

    __tablename__ = "lens_profiles"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    profile: Mapped[dict[str, Any]]
    created: Mapped[datetime]
    retired: Mapped[datetime | None]


class Setting(Base):
    """A choice of the shop: a name and a JSON value."""

    __tablename__ = "settings"
    key: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[dict[str, Any]]
    updated: Mapped[datetime]
