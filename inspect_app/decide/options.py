"""What could be done with a board, in order of the work: what each way leaves, keeps and costs.

No pixels, no SQL, no screen. The ways that keep every fret are in `keeping`, those that put new ones in in `renewing`.
"""

from __future__ import annotations

from collections.abc import Sequence

from inspect_app.decide.board import UNWORN_BOARD, BoardWear
from inspect_app.decide.levelling import DRAWS, draw_boards, draw_rates
from inspect_app.decide.limits import Limits, for_wire
from inspect_app.decide.option_parts import Check, Cost, Kind, Option, OptionInputs, Pricing, TradeOff
from inspect_app.decide.options_keeping_frets import dress, leave, level, recrown
from inspect_app.decide.options_renewing_frets import partial, refret
from inspect_app.decide.recommend import Recommendation, recommend
from inspect_app.decide.setup import NOTHING_READ, Setup, tops_over_plane
from inspect_app.decide.wear import Rate, WearMap
from inspect_app.instrument.wire import WireStock
from shared.measured import Measured

__all__ = [
    "Check",
    "Cost",
    "Kind",
    "Option",
    "Pricing",
    "Recommendation",
    "TradeOff",
    "recommend",
    "work_out_options",
]


def work_out_options(  # noqa: PLR0913 all but three have their defaults
    wear: WearMap,
    limits: Limits,
    price: Pricing,
    wire_height: Measured | None = None,
    rates: Sequence[Rate] = (),
    seed: int = 0,
    stock: WireStock | None = None,
    draws: int = DRAWS,
    setup: Setup = NOTHING_READ,
    board: BoardWear = UNWORN_BOARD,
) -> tuple[Option, ...]:
    """Every option for a board, in the order of `Kind`.

    Parameters
    ----------
    wear : WearMap
    limits : Limits
        Those of the instrument; low wire is held to its own share of them (`limits.for_wire`).
    price : callable
        (kind, frets dressed, frets replaced) to `Cost`.
    wire_height : Measured, optional
        Crown height of the wire chosen for new frets; where not given that of the wire on the board when it was new.
    rates : sequence of Rate
        Wear a year between this visit and an earlier one, where there was one.
    seed : int
        Of the Monte Carlo draws.
    stock : WireStock, optional
        The wire chosen for new frets, for what tells it from the one on the board.
    draws : int
        Possible boards looked at: a probability near 0.95 is known to 0.4 / sqrt(draws) (k = 2).
    setup : Setup
        Strings and neck as photos across the neck show them: crowns that stand out, the tongue, the nut.
    board : BoardWear
        Worn places between the frets.
    """
    boards = draw_boards(wear, draws, seed, tops_over_plane(setup))
    new = wire_height or wear.wire_height or wear.crown_height
    held = for_wire(limits, wear.wire_height)
    case = OptionInputs(wear, boards, held, price, new, stock, draw_rates(rates, boards.sampler), setup, board)
    return (leave(case), dress(case), recrown(case), level(case), partial(case), refret(case))
