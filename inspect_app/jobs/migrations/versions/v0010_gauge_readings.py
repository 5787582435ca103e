"""What is read by gauge at a visit: strings, nut, hollows of the board, fret ends."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision: str | None = "0009"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "gauge_readings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("reading", sa.String(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("written", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["visit_id"], ["visits.id"], name=op.f("fk_gauge_readings_visit_id_visits")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_readings")),
    )
    op.create_index(op.f("ix_gauge_readings_visit_id"), "gauge_readings", ["visit_id"])


def downgrade() -> None:
    """What a person read is kept for good."""
    raise NotImplementedError("readings by gauge are kept for good")
