"""A fret that seems to end where the next string would lie ends at that string's edge, not at the board's."""

from dataclasses import dataclass

import pytest

from inspect_app.measure.plan.string_ends import without_string_ends
from inspect_app.measure.plan.strings import StringCrossing


@dataclass(frozen=True)
class At:
    u: float = 0.05


@dataclass(frozen=True)
class End:
    at: At = At()
    why_not: str = ""


@dataclass(frozen=True)
class Frame:
    length_mm: float
    origin_u_mm: float = 0.05


@dataclass(frozen=True)
class Fret:
    frame: Frame
    treble: End = End()
    bass: End = End()


def strings(*places):
    return tuple(StringCrossing(at, 0.3) for at in places)


# spacing 9.2 mm and outer strings 3 mm inside the ends: usual (common practice, no source)
@pytest.mark.parametrize(
    ("length", "places", "declined"),
    [
        pytest.param(52.0, (3.0, 12.2, 21.4, 30.6, 39.8, 49.0), [], id="all six are found"),
        pytest.param(52.0, (3.0, 12.2, 21.4, 30.6, 39.8), [], id="the sixth was not found, the end was"),
        pytest.param(48.4, (3.0, 12.2, 21.4, 30.6, 39.8), ["bass"], id="the sixth was taken for the end"),
        pytest.param(48.8, (8.9, 18.1, 27.3, 36.5, 45.7), ["treble"], id="the first was taken for the end"),
        pytest.param(48.4, (12.2, 39.8), [], id="too few to tell their spacing"),
    ],
)
def test_an_end_where_the_next_string_would_lie_is_not_measured(length, places, declined):
    frets = [Fret(Frame(length))] * 4
    for _, f in zip(frets, without_string_ends(frets, [strings(*places)] * 4), strict=True):
        assert [side for side in ("treble", "bass") if getattr(f, side).why_not] == declined
        assert [side for side in ("treble", "bass") if getattr(f, side).at.u > 3.0] == declined
        assert (f.frame.origin_u_mm > 3.0) == ("treble" in declined)
