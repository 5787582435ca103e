"""What is known of the instrument on the bench. Lengths in millimetres."""

from __future__ import annotations

from dataclasses import dataclass

from shared.errors import OptionError

__all__ = ["Instrument", "string_places"]


@dataclass(frozen=True, slots=True)
class Instrument:
    """A fretted instrument.

    `spread_nut` and `spread_bridge` are the distances between the outer strings. `radius_nut` and `radius_last` are
    equal on a cylindrical board, ``None`` where not known (0 would be a bent board; a flat board is ``None`` too).
    `binding`: the board's edges are bound; `nibs`: the binding rises over the frets' ends.
    """

    scale_length: float
    frets: int = 22
    strings: int = 6
    spread_nut: float = 35.5
    spread_bridge: float = 52.0
    radius_nut: float | None = None
    radius_last: float | None = None
    binding: bool = False
    nibs: bool = False

    def __post_init__(self) -> None:
        if not 200.0 <= self.scale_length <= 1300.0:
            raise OptionError(f"A scale length of {self.scale_length:g} mm is not possible.", "Give it in millimetres.")
        if not (1 <= self.frets <= 36 and 1 <= self.strings <= 12):
            raise OptionError(
                f"{self.frets} frets and {self.strings} strings are not possible.",
                "Count frets 1 to 36, strings 1 to 12.",
            )


def string_places(instrument: Instrument, fret: int, fret_length: float) -> tuple[float, ...]:
    """Where the strings cross a fret, in mm from its treble end, the treble string first.

    The strings fan out evenly from nut to bridge and lie centred on the board.
    """
    share = 1.0 - 2.0 ** (-fret / 12.0)  # equal temperament: x_n / L
    spread = instrument.spread_nut + (instrument.spread_bridge - instrument.spread_nut) * share
    n = instrument.strings
    step = spread / (n - 1) if n > 1 else 0.0
    first = (fret_length - spread) / 2.0 if n > 1 else fret_length / 2.0
    return tuple(first + i * step for i in range(n))
