"""The last look at an answer: what can't be so is declined with its reason, all else stays as it was."""

from dataclasses import replace

import pytest

from inspect_app.measure.checks import LIMITS, OFF_LINE_MM, checked
from inspect_app.reading.inspection import Divot, Flat, FretReading, Inspection, Outline, PhotoSummary
from inspect_app.reading.key import on_fret
from shared.measured import Measured
from tests.inspect_app.conftest import deg, mm

PHOTO = PhotoSummary("a.jpg", "", 4000, 3000)


def answer(*frets, view="plan"):
    return Inspection(view, PHOTO, "0", {}, frets)


def said_of(result):
    return {str(n.what): n.reason for n in result.not_measured}


def board(lengths):
    """Frets at the places of a 648 mm scale, as long as given."""
    return [
        FretReading(n, position=mm(648.0 * (1.0 - 2.0 ** (-n / 12.0))), length=mm(v, 0.05), crown_width=mm(2.4))
        for n, v in enumerate(lengths, 1)
    ]


def test_what_is_possible_stays_as_it_was():
    flats = (Flat(mm(12.0), mm(4.0), mm(0.9)),)
    fret = FretReading(5, length=mm(46.0), crown_width=mm(2.4), bevel_treble=deg(30.0), flats=flats)
    assert checked(answer(fret)) == answer(fret)


@pytest.mark.parametrize(("name", "limits"), LIMITS.items(), ids=list(LIMITS))
def test_a_value_no_instrument_has_is_declined_with_its_reason(name, limits):
    unit = "deg" if name.startswith("bevel") else "mm"
    for beyond in (limits.most * 1.2, limits.least - 0.3 * limits.most):
        fret = FretReading(5, **{name: Measured.of(beyond, unit, edge_noise=limits.most / 100.0)})
        result = checked(answer(fret, view="elevation"))
        assert getattr(result.frets[0], name) is None
        assert "read off something else" in said_of(result)[str(on_fret(5, name))]


def test_a_value_whose_uncertainty_reaches_what_occurs_stays():
    fret = FretReading(5, bevel_treble=deg(-1.0, 0.6), bevel_bass=deg(61.0, 0.6))
    assert checked(answer(fret, view="end")).frets[0] == fret


def test_the_outline_of_what_is_declined_is_not_drawn():
    line = Outline("bevel", ((1.0, 2.0), (3.0, 4.0)), of=on_fret(5, "bevel treble"))
    other = replace(line, of=on_fret(5, "bevel bass"))
    fret = FretReading(5, bevel_treble=deg(-11.0, 1.0), bevel_bass=deg(30.0), outlines=(line, other))
    kept = checked(answer(fret, view="elevation")).frets[0]
    assert kept.outlines == (other,)
    assert kept.bevel_bass == fret.bevel_bass


def test_a_length_off_the_line_of_the_other_ends_is_declined():
    true = [43.0, 43.9, 44.8, 45.6, 46.4, 47.1]
    wrong = [*true[:2], true[2] + 2.8, *true[3:]]
    result = checked(answer(*board(wrong)))
    assert [f.length is None for f in result.frets] == [False, False, True, False, False, False]
    assert "longer than the other frets" in said_of(result)["fret 3, length"]
    within = [*true[:2], true[2] + 0.8 * OFF_LINE_MM, *true[3:]]
    assert checked(answer(*board(within))).not_measured == ()


def test_three_lengths_make_no_line_to_be_off():
    assert checked(answer(*board([43.0, 46.9, 44.8]))).not_measured == ()


@pytest.mark.parametrize("flat", [Flat(mm(20.0), mm(4.0), mm(2.9)), Flat(mm(47.5), mm(1.0), mm(0.9))])
def test_a_flat_beside_the_crown_takes_the_flats_of_its_fret_with_it(flat):
    good = Flat(mm(12.0), mm(4.0), mm(0.9))
    fret = FretReading(5, length=mm(46.0), crown_width=mm(2.4), flats=(good, flat))
    result = checked(answer(fret))
    assert result.frets[0].flats == ()
    assert "beside the crown" in said_of(result)["fret 5, flats"]


@pytest.mark.parametrize("divot", [Divot(mm(-2.4), mm(3.0), mm(0.1)), Divot(mm(20.0), mm(3.0), mm(1.4))])
def test_a_divot_that_no_crown_has_is_declined(divot):
    fret = FretReading(5, length=mm(46.0), crown_height=mm(1.1), divots=(divot,))
    result = checked(answer(fret, view="elevation"))
    assert result.frets[0].divots == ()
    assert "fret 5, divots" in said_of(result)


def test_what_a_person_placed_is_theirs_to_judge():
    by_hand = replace(deg(-11.0, 1.0), by_hand=True)
    assert checked(answer(FretReading(5, bevel_treble=by_hand), view="end")).frets[0].bevel_treble == by_hand
