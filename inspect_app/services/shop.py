"""What belongs to the shop and not to one job: its choices."""

from __future__ import annotations

from typing import Any

from inspect_app.jobs.models import Setting
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.services.rows import now

__all__ = ["get_setting", "put_setting"]


def get_setting(store: Store, key: str) -> dict[str, Any] | None:
    """A choice of the shop, or ``None`` where none was made."""
    with reading(store) as session:
        found = session.get(Setting, key)
        return dict(found.value) if found else None


def put_setting(store: Store, key: str, value: dict[str, Any]) -> None:
    """Keep a choice of the shop (a dict that JSON can hold)."""
    with writing(store) as session:
        session.merge(Setting(key=key, value=value, updated=now()))
