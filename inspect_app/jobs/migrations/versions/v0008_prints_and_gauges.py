"""Gauges with their uncertainty, what each read on a print's check bar, and which one read a fret's height."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision: str | None = "0007"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Make the tables and add the columns; prints kept so far have been measured."""
    op.create_table(
        "gauges",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("resolution", sa.Double(), nullable=False),
        sa.Column("u", sa.Double(), nullable=False),
        sa.Column("calibrated", sa.Date(), nullable=True),
        sa.Column("created", sa.DateTime(), nullable=False),
        sa.Column("retired", sa.DateTime(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauges")),
    )
    op.create_table(
        "print_bars",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("print_id", sa.Integer(), nullable=False),
        sa.Column("measured", sa.Double(), nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=True),
        sa.Column("humidity", sa.Double(), nullable=True),
        sa.Column("created", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["print_id"], ["prints.id"], name=op.f("fk_print_bars_print_id_prints")),
        sa.ForeignKeyConstraint(["gauge_id"], ["gauges.id"], name=op.f("fk_print_bars_gauge_id_gauges")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_print_bars")),
    )
    op.create_index(op.f("ix_print_bars_print_id"), "print_bars", ["print_id"])
    op.add_column("prints", sa.Column("verified", sa.Boolean(), nullable=False, server_default=sa.true()))
    op.add_column("prints", sa.Column("retired", sa.DateTime(), nullable=True))
    op.add_column("fret_heights", sa.Column("gauge_id", sa.Integer(), nullable=True))


def downgrade() -> None:
    """What a person measured is kept for good."""
    raise NotImplementedError("what gauges read is kept for good")
