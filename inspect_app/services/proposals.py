"""What a photo most likely shows, told before it is measured and shown to a person to correct; nothing is kept."""

from __future__ import annotations

from inspect_app.jobs.models import Photo as PhotoRow
from inspect_app.jobs.photo_files import place
from inspect_app.jobs.store import Store, reading
from inspect_app.measure.one_photo import see_first, see_view
from inspect_app.measure.proposal import FirstFret, PhotoProposal
from inspect_app.reading.ask import View
from inspect_app.services import workers
from inspect_app.services.measuring import suggested_ask
from inspect_app.services.photo_cache import stored_bytes
from inspect_app.services.rows import row
from shared.worker_processes import outcome

__all__ = ["FirstFret", "PhotoProposal", "first_look", "proposed_view"]


def first_look(store: Store, photo_id: int) -> PhotoProposal:
    """What a photo says before it is measured, by the scale it is most likely to show.

    Raises
    ------
    InspectError
        If that scale is not in it.
    """
    ask = suggested_ask(store, photo_id)
    data, name = _file(store, photo_id)
    return outcome(workers.submit(see_first, data, name, ask), name)


def proposed_view(store: Store, photo_id: int) -> View | None:
    """The view a stored photo most likely is; ``None`` where it does not tell."""
    data, name = _file(store, photo_id)
    return outcome(workers.submit(see_view, data, name), name)


def _file(store: Store, photo_id: int) -> tuple[bytes, str]:
    with reading(store) as session:
        photo = row(session, PhotoRow, photo_id, "photo")
        path, sha256, name = place(store.photos_dir, photo.sha256, photo.suffix), photo.sha256, photo.name
    return stored_bytes(path, sha256), name
