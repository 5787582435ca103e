"""The shop's lens profiles: made from photos of the printed board, kept by name, used where a photo's EXIF fits."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select

from calib.lens_board import Board, SeenBoard, advice_on, profile_of, see_board
from calib.lens_profile import LensProfile, profile_from_json, profile_to_json
from calib.lens_words import check_words, photo_words
from calib.photo import open_photo
from inspect_app.jobs.models import LensRow
from inspect_app.jobs.records import LensView
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.services.rows import now, row
from inspect_app.services.workers import submit
from shared.errors import InspectError, OptionError
from shared.worker_processes import outcome

__all__ = ["LensTry", "keep_lens", "lenses", "lenses_in_use", "restore_lens", "retire_lens", "try_lens"]


@dataclass(frozen=True, slots=True)
class LensTry:
    """What photos of the board gave: a sentence each, what they lack together, the profile or why there is none.

    `seen` of them show enough of the board. Where a profile was checked, `holds` says whether it does, and `checked`
    what that rests on.
    """

    photos: tuple[tuple[str, str], ...]
    advice: tuple[str, ...]
    profile: LensProfile | None
    refusal: str = ""
    holds: bool | None = None
    checked: tuple[str, ...] = ()
    seen: int = 0


def try_lens(photos: Sequence[tuple[str, bytes]], name: str, board: Board, check: LensProfile | None = None) -> LensTry:
    """Make a profile from the files of photos, each ``(name, bytes)``, or `check` one; nothing is kept."""
    begun = [(n, submit(_seen_in, data, n, board)) for n, data in photos]
    said: list[tuple[str, str]] = []
    seen: list[SeenBoard] = []
    for n, call in begun:
        try:
            found = outcome(call, n)
        except InspectError as error:
            said.append((n, str(error)))
            continue
        said.append((n, photo_words(found)))
        seen += [found] if found is not None else []
    try:
        if check is not None:
            holds, why = check_words(seen, check, board)
            return LensTry(tuple(said), (), None, "", holds, why)
        profile = profile_of(seen, name.strip() or "lens", board)
    except InspectError as error:
        return LensTry(tuple(said), () if check else advice_on(seen), None, str(error))
    return LensTry(tuple(said), advice_on(seen), profile, seen=len(seen))


def _seen_in(data: bytes, name: str, board: Board) -> SeenBoard | None:
    return see_board(open_photo(data, name), board)


def keep_lens(store: Store, profile: LensProfile) -> LensView:
    """Keep a profile; photos that it holds for are measured with it from now on."""
    with writing(store) as session:
        made = LensRow(name=profile.name, profile=json.loads(profile_to_json(profile)), created=now())
        session.add(made)
        session.flush()
        return _view(made)


def lenses(store: Store) -> tuple[LensView, ...]:
    """All profiles, the newest first."""
    with reading(store) as session:
        return tuple(map(_view, session.scalars(select(LensRow).order_by(LensRow.id.desc()))))


def lenses_in_use(store: Store) -> tuple[LensProfile, ...]:
    """Those that are not retired, the newest first: of several that hold for a photo, the first counts."""
    return tuple(v.profile for v in lenses(store) if not v.retired)


def retire_lens(store: Store, number: int) -> None:
    """Use a profile no more; photos measured with it stay as they are.

    Raises
    ------
    OptionError
        If there is none.
    """
    with writing(store) as session:
        found = row(session, LensRow, number, "lens profile")
        found.retired = found.retired or now()


def restore_lens(store: Store, number: int) -> None:
    """Use a profile again that was retired."""
    with writing(store) as session:
        row(session, LensRow, number, "lens profile").retired = None


def _view(r: LensRow) -> LensView:
    try:
        profile = profile_from_json(json.dumps(r.profile))
    except OptionError as error:
        raise OptionError(f"The lens profile {r.name!r} kept here can't be read.", "Restore a backup.") from error
    return LensView(r.id, r.name, profile, r.created, r.retired is not None)
