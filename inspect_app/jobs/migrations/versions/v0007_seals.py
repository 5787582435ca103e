"""A hash of every row, so that a changed bit is found; one entry an action, so that an older database is known."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision: str | None = "0006"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Make the tables; `open_store` hashes what is there once all migrations have run."""
    op.create_table(
        "seals",
        sa.Column("of_table", sa.String(), nullable=False),
        sa.Column("of_row", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("of_table", "of_row", name=op.f("pk_seals")),
    )
    op.create_table(
        "actions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("mark", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_actions")),
    )


def downgrade() -> None:
    """The hashes are kept for good."""
    raise NotImplementedError("without its hashes a change of what is stored would not be found")
