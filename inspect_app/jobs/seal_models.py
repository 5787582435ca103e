"""Tables that watch over the others: a hash a row, and an entry an action."""

from __future__ import annotations

from sqlalchemy import String
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.jobs.models import Base

__all__ = ["ActionRow", "SealRow"]


class SealRow(Base):
    """The SHA-256 of one row of another table, or of one entry of the schema, as it was last written."""

    __tablename__ = "seals"
    of_table: Mapped[str] = mapped_column(primary_key=True)
    of_row: Mapped[str] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64))


class ActionRow(Base):
    """One action that changed something, with a mark drawn at random: the last one is noted beside the database."""

    __tablename__ = "actions"
    id: Mapped[int] = mapped_column(primary_key=True)
    mark: Mapped[str]
