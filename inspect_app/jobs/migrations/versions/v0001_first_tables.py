"""The first form of the store: jobs, visits, photos, inspections, judgements, hand measurements, prints, settings."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision: str | None = None
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Make the tables."""
    _jobs()
    _photos()
    _inspections()
    _shop()


def _jobs() -> None:
    op.create_table(
        "jobs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("form_token", sa.String(), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("search_text", sa.String(), nullable=False),
        sa.Column("customer", sa.String(), nullable=False),
        sa.Column("contact", sa.String(), nullable=False),
        sa.Column("instrument_name", sa.String(), nullable=False),
        sa.Column("instrument_kind", sa.String(), nullable=False),
        sa.Column("scale_length", sa.Double(), nullable=True),
        sa.Column("frets", sa.Integer(), nullable=True),
        sa.Column("strings", sa.Integer(), nullable=True),
        sa.Column("spread_nut", sa.Double(), nullable=True),
        sa.Column("spread_bridge", sa.Double(), nullable=True),
        sa.Column("board_wood", sa.String(), nullable=False),
        sa.Column("radius_nut", sa.Double(), nullable=True),
        sa.Column("radius_last", sa.Double(), nullable=True),
        sa.Column("binding", sa.Boolean(), nullable=False),
        sa.Column("nibs", sa.Boolean(), nullable=False),
        sa.Column("present_wire", sa.String(), nullable=False),
        sa.Column("crown_width", sa.Double(), nullable=True),
        sa.Column("crown_height", sa.Double(), nullable=True),
        sa.Column("asked_for", sa.String(), nullable=False),
        sa.Column("promised", sa.Date(), nullable=True),
        sa.Column("created", sa.DateTime(), nullable=False),
        sa.Column("updated", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
        sa.UniqueConstraint("form_token", name=op.f("uq_jobs_form_token")),
        sa.UniqueConstraint("number", name=op.f("uq_jobs_number")),
    )
    op.create_index(op.f("ix_jobs_updated"), "jobs", ["updated"])
    op.create_table(
        "visits",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_visits_job_id_jobs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visits")),
        sa.UniqueConstraint("job_id", "label", name=op.f("uq_visits_job_id_label")),
    )


def _photos() -> None:
    op.create_table(
        "photos",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("suffix", sa.String(), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=False),
        sa.Column("height_px", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("view", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("category", sa.String(), nullable=False),
        sa.Column("added", sa.DateTime(), nullable=False),
        sa.Column("removed", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_photos_job_id_jobs")),
        sa.ForeignKeyConstraint(["visit_id"], ["visits.id"], name=op.f("fk_photos_visit_id_visits")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photos")),
        sa.UniqueConstraint("job_id", "sha256", name=op.f("uq_photos_job_id_sha256")),
    )
    op.create_index(op.f("ix_photos_sha256"), "photos", ["sha256"])
    op.create_index(op.f("ix_photos_visit_id"), "photos", ["visit_id"])
    op.create_table(
        "hand_measures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("points", sa.JSON(), nullable=False),
        sa.Column("ask", sa.JSON(), nullable=False),
        sa.Column("result", sa.JSON(), nullable=False),
        sa.Column("version", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("created", sa.DateTime(), nullable=False),
        sa.Column("removed", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_hand_measures_photo_id_photos")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hand_measures")),
    )
    op.create_index(op.f("ix_hand_measures_photo_id"), "hand_measures", ["photo_id"])


def _inspections() -> None:
    op.create_table(
        "inspections",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("ask", sa.JSON(), nullable=False),
        sa.Column("answer", sa.JSON(), nullable=False),
        sa.Column("version", sa.String(), nullable=False),
        sa.Column("reading_count", sa.Integer(), nullable=False),
        sa.Column("created", sa.DateTime(), nullable=False),
        sa.Column("superseded_by", sa.Integer(), nullable=True),
        sa.Column("restored_from", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_inspections_photo_id_photos")),
        sa.ForeignKeyConstraint(
            ["restored_from"], ["inspections.id"], name=op.f("fk_inspections_restored_from_inspections")
        ),
        sa.ForeignKeyConstraint(
            ["superseded_by"], ["inspections.id"], name=op.f("fk_inspections_superseded_by_inspections")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspections")),
    )
    op.create_index(op.f("ix_inspections_photo_id"), "inspections", ["photo_id"])
    op.create_table(
        "judgements",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("reading", sa.String(), nullable=False),
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("carried_from", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["carried_from"], ["judgements.id"], name=op.f("fk_judgements_carried_from_judgements")
        ),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspections.id"], name=op.f("fk_judgements_inspection_id_inspections")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_judgements")),
    )
    op.create_index(op.f("ix_judgements_inspection_id"), "judgements", ["inspection_id"])


def _shop() -> None:
    op.create_table(
        "prints",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("bar_nominal", sa.Double(), nullable=False),
        sa.Column("bar_measured", sa.Double(), nullable=False),
        sa.Column("factor", sa.Double(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("created", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_prints")),
    )
    op.create_table(
        "settings",
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.Column("updated", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_settings")),
    )


def downgrade() -> None:
    """Nothing comes before the first form."""
    raise NotImplementedError("the first form of the store has none before it")
