"""Run by Alembic: the migrations on the connection that `open_store` hands over."""

from __future__ import annotations

from alembic import context

from inspect_app.jobs import decision_models, seal_models  # noqa: F401 - their tables belong to the metadata
from inspect_app.jobs.models import Base

context.configure(
    connection=context.config.attributes["connection"], target_metadata=Base.metadata, render_as_batch=True
)
with context.begin_transaction():
    context.run_migrations()
