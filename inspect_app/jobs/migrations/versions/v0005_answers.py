"""What customers answered to estimates, and the currency of each wire's price.

Answers given before are taken over from the estimates: a revision that was accepted and then pushed aside by a later
one that nobody accepted stands again.
"""

from __future__ import annotations

import hashlib
import json

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision: str | None = "0003"
branch_labels: str | None = None
depends_on: str | None = None

_FIRST_CURRENCY = "USD"
"""That of the price book a shop starts with."""


def upgrade() -> None:
    """Make the table, its triggers and the column, and take over what is known."""
    op.create_table(
        "answers",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("estimate_id", sa.Integer(), nullable=False),
        sa.Column("accepted", sa.Boolean(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("how", sa.String(), nullable=False),
        sa.Column("on", sa.Date(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("pdf_sha256", sa.String(length=64), nullable=False),
        sa.Column("written", sa.DateTime(), nullable=False),
        sa.Column("taken_back", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(["estimate_id"], ["estimates.id"], name=op.f("fk_answers_estimate_id_estimates")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_answers")),
    )
    op.create_index(op.f("ix_answers_estimate_id"), "answers", ["estimate_id"])
    _keep_for_good()
    op.add_column("wires", sa.Column("currency", sa.String(), nullable=False, server_default=""))
    _answers_given_before()
    _currency_of_wires()


def _keep_for_good() -> None:
    kept = ("estimate_id", "accepted", "by", "how", "on", "note", "pdf_sha256", "written")
    changed = " OR ".join(f'NEW."{c}" IS NOT OLD."{c}"' for c in kept)
    again = "OLD.taken_back IS NOT NULL"
    op.execute(
        f"CREATE TRIGGER answers_frozen BEFORE UPDATE ON answers WHEN {changed} OR {again} "
        "BEGIN SELECT RAISE(ABORT, 'an answer is kept as it was given'); END"
    )
    op.execute(
        "CREATE TRIGGER answers_kept BEFORE DELETE ON answers "
        "BEGIN SELECT RAISE(ABORT, 'an answer is kept as it was given'); END"
    )


def _answers_given_before() -> None:
    """A superseded revision with a day of decision was accepted: declined ones were never superseded."""
    db = op.get_bind()
    rows = db.execute(
        sa.text(
            "SELECT id, status, decided_on, pdf, updated FROM estimates "
            "WHERE status <> 'draft' AND decided_on IS NOT NULL ORDER BY job_id, revision"
        )
    ).all()
    put = sa.text(
        'INSERT INTO answers (estimate_id, accepted, "by", how, "on", note, pdf_sha256, written) '
        "VALUES (:id, :accepted, '', '', :day, '', :hash, :written)"
    )
    for at, status, day, pdf, updated in rows:
        digest = hashlib.sha256(pdf).hexdigest() if pdf else ""
        db.execute(put, {"id": at, "accepted": status != "declined", "day": day, "hash": digest, "written": updated})
    db.execute(
        sa.text(
            "UPDATE estimates SET status = 'accepted' WHERE id IN ("
            "SELECT id FROM (SELECT id, job_id, max(revision) FROM estimates "
            "WHERE status = 'superseded' AND decided_on IS NOT NULL GROUP BY job_id) AS last "
            "WHERE NOT EXISTS (SELECT 1 FROM estimates e WHERE e.job_id = last.job_id AND e.status = 'accepted'))"
        )
    )


def _currency_of_wires() -> None:
    """Every price was entered in the shop's currency of the time; the present one is all that is known of it."""
    db = op.get_bind()
    prices = db.execute(sa.text("SELECT value FROM settings WHERE key = 'prices'")).scalar()
    currency = json.loads(prices).get("currency", _FIRST_CURRENCY) if prices else _FIRST_CURRENCY
    db.execute(sa.text("UPDATE wires SET currency = :currency"), {"currency": currency})


def downgrade() -> None:
    """What a customer answered is kept for good."""
    raise NotImplementedError("answers are kept for good")
