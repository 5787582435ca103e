"""Crown heights of single frets, read with a calliper or gauge."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision: str | None = "0002"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "fret_heights",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("fret", sa.Integer(), nullable=False),
        sa.Column("height", sa.Double(), nullable=True),
        sa.Column("written", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["visit_id"], ["visits.id"], name=op.f("fk_fret_heights_visit_id_visits")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fret_heights")),
    )
    op.create_index(op.f("ix_fret_heights_visit_id"), "fret_heights", ["visit_id"])


def downgrade() -> None:
    """What a person measured is kept for good."""
    raise NotImplementedError("heights read at the bench are kept for good")
