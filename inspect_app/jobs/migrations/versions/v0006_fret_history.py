"""The fret history that an instrument carries from job to job, and what its build brings to the work."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision: str | None = "0005"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Add columns and make the tables."""
    for name in ("zero_fret", "lacquered", "multi_scale"):
        op.add_column("jobs", sa.Column(name, sa.Boolean(), nullable=False, server_default=sa.false()))
    op.add_column("jobs", sa.Column("courses", sa.Integer(), nullable=True))
    op.create_table(
        "fret_work",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("frets", sa.JSON(), nullable=False),
        sa.Column("off", sa.Double(), nullable=True),
        sa.Column("off_u", sa.Double(), nullable=True),
        sa.Column("wire_id", sa.Integer(), nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("written", sa.DateTime(), nullable=False),
        sa.Column("removed", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(["visit_id"], ["visits.id"], name=op.f("fk_fret_work_visit_id_visits")),
        sa.ForeignKeyConstraint(["wire_id"], ["wires.id"], name=op.f("fk_fret_work_wire_id_wires")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fret_work")),
    )
    op.create_index(op.f("ix_fret_work_visit_id"), "fret_work", ["visit_id"])
    op.create_table(
        "same_instrument",
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("earlier_job_id", sa.Integer(), nullable=False),
        sa.Column("written", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["earlier_job_id"], ["jobs.id"], name=op.f("fk_same_instrument_earlier_job_id_jobs")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_same_instrument_job_id_jobs")),
        sa.PrimaryKeyConstraint("job_id", name=op.f("pk_same_instrument")),
    )


def downgrade() -> None:
    """What a person wrote down is kept for good."""
    raise NotImplementedError("the fret history is kept for good")
