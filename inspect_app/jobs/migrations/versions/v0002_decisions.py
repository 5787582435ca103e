"""The shop's wire, what a job is judged by, and estimates that cannot change once issued."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision: str | None = "0001"
branch_labels: str | None = None
depends_on: str | None = None

_FROZEN = "OLD.status <> 'draft'"
_CHANGED = " OR ".join(
    f"NEW.{c} IS NOT OLD.{c}" for c in ("job_id", "revision", "content", "content_hash", "pdf", "created")
)
_BACK = "NEW.status = 'draft'"


def upgrade() -> None:
    """Make the tables and the triggers that freeze an issued estimate."""
    _shop()
    _estimates()
    op.execute(
        f"CREATE TRIGGER estimates_frozen BEFORE UPDATE ON estimates WHEN {_FROZEN} AND ({_CHANGED} OR {_BACK}) "
        "BEGIN SELECT RAISE(ABORT, 'an issued estimate does not change'); END"
    )
    op.execute(
        f"CREATE TRIGGER estimates_kept BEFORE DELETE ON estimates WHEN {_FROZEN} "
        "BEGIN SELECT RAISE(ABORT, 'an issued estimate is kept'); END"
    )


def _shop() -> None:
    op.create_table(
        "wires",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(), nullable=False),
        sa.Column("material", sa.String(), nullable=False),
        sa.Column("crown_width", sa.Double(), nullable=False),
        sa.Column("crown_height", sa.Double(), nullable=False),
        sa.Column("tang_width", sa.Double(), nullable=True),
        sa.Column("tang_depth", sa.Double(), nullable=True),
        sa.Column("price", sa.Integer(), nullable=False),
        sa.Column("removed", sa.DateTime(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_wires")),
    )
    op.create_table(
        "terms",
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("limits", sa.JSON(), nullable=False),
        sa.Column("prices", sa.JSON(), nullable=False),
        sa.Column("wire_id", sa.Integer(), nullable=True),
        sa.Column("bevel_deg", sa.Double(), nullable=False),
        sa.Column("choice", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("updated", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_terms_job_id_jobs")),
        sa.ForeignKeyConstraint(["wire_id"], ["wires.id"], name=op.f("fk_terms_wire_id_wires")),
        sa.PrimaryKeyConstraint("job_id", name=op.f("pk_terms")),
    )


def _estimates() -> None:
    op.create_table(
        "estimates",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("content_hash", sa.String(), nullable=False),
        sa.Column("pdf", sa.LargeBinary(), nullable=True),
        sa.Column("decided_on", sa.Date(), nullable=True),
        sa.Column("created", sa.DateTime(), nullable=False),
        sa.Column("updated", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_estimates_job_id_jobs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_estimates")),
        sa.UniqueConstraint("job_id", "revision", name=op.f("uq_estimates_job_id_revision")),
    )


def downgrade() -> None:
    """Issued estimates are kept for good."""
    raise NotImplementedError("issued estimates are kept for good")
