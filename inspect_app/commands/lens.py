"""``inspect-app lens``: photos of the printed lens board in, a lens profile out; or a check of one that exists."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path

from calib.lens_board import Board, SeenBoard, advice_on, profile_of, see_board
from calib.lens_profile import LensProfile, profile_from_json, profile_to_json
from calib.lens_words import check_words, photo_words, profile_words
from calib.photo import open_photo
from calib.scales.print_lens_board import board_of_bars
from inspect_app.commands.files import read_file, write_file
from inspect_app.measure.one_photo import LIMITS
from shared.errors import InspectError, OptionError
from shared.worker_processes import cores, outcome, runner

__all__ = ["run", "lens_from", "seen_in"]

EXIT_DONE = 0
EXIT_DIFFERS = 1


def run(options: argparse.Namespace) -> int:
    """Look at every photo, say what is still missing, and write the profile or say whether the given one holds."""
    board = _board(options.bars)
    if (options.out is None) == (options.check is None):
        raise OptionError("Nothing says what to do with the photos.", "Give either --out FILE or --check FILE.")
    seen = list(_board_in_photos(options.photos, board))
    if options.check is not None:
        holds, said = check_words(seen, lens_from(options.check), board)
        print("\n".join(said))
        return EXIT_DONE if holds else EXIT_DIFFERS
    for sentence in advice_on(seen):
        print(sentence)
    profile = profile_of(seen, options.name or options.out.stem, board)
    write_file(options.out, (profile_to_json(profile) + "\n").encode())
    print("\n".join(profile_words(profile, len(seen))))
    if options.keep:
        from inspect_app.services import open_store
        from inspect_app.services.lenses import keep_lens

        with closing(open_store(options.data)) as store:
            keep_lens(store, profile)
    print(f"{options.out}: give it with `inspect-app measure --lens {options.out}`.")
    return EXIT_DONE


def lens_from(path: Path) -> LensProfile:
    """A profile from its file.

    Raises
    ------
    InspectError
        If there is none.
    """
    try:
        text = read_file(path).decode()
    except UnicodeDecodeError:
        text = ""
    return profile_from_json(text)


def _board(bars: str | None) -> Board:
    if bars is None:
        return Board()
    try:
        across, down = (float(v) for v in bars.split(","))
    except ValueError:
        raise OptionError(
            f"The bars {bars!r} are not understood.", "Give two lengths in millimetres: ACROSS,DOWN."
        ) from None
    return board_of_bars(across, down)


def _board_in_photos(photos: Sequence[Path], board: Board) -> Iterator[SeenBoard]:
    where = runner(max(1, min(cores(), len(photos))), LIMITS, (__name__,))
    try:
        begun = [(path, where.submit(seen_in, path, board)) for path in photos]
        for path, call in begun:
            try:
                found = outcome(call, path.name)
            except InspectError as error:
                print(f"{path.name}: {error}", flush=True)
                continue
            print(f"{path.name}: {photo_words(found)}", flush=True)
            if found is not None:
                yield found
    finally:
        where.close()


def seen_in(path: Path, board: Board) -> SeenBoard | None:
    """What a photo's file shows of the board.

    Raises
    ------
    PhotoError
        If it can't be read or decoded.
    """
    return see_board(open_photo(read_file(path), path.name), board)
