"""Strings left on, over drawn frets: found where they cross, and nothing else taken for one."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from inspect_app.measure.plan.strings import MOST_SKEW, find_strings
from tests.inspect_app.measure.plan.flat_pictures import Hollow, Lamp, Scene, frame_of, patch_of

SIDE = (Lamp(5.0, 25.0, 30.0, 0.8),)
NECK_MM = (0.0, 30.0, 58.0, 85.0)
AT = (6.0, 14.0, 22.0)


def fret(scene, x=0.0, y=0.0):
    """One drawn fret so far along the neck and aside, with what is looked at to find strings."""
    return SimpleNamespace(frame=replace(frame_of(scene), origin_mm=np.array([x, y])), patch=patch_of(scene))


def board(turn=0.0, **scene):
    """Four frets; strings and hollows turn by so much from the frets' normal."""
    strings, hollows = scene.pop("strings", ()), scene.pop("hollows", ())
    return [
        fret(
            Scene(
                tuple(replace(h, place=h.place + turn * x) for h in hollows),
                SIDE,
                strings=tuple(s + turn * x for s in strings),
                seed=k,
                **scene,
            ),
            x,
        )
        for k, x in enumerate(NECK_MM)
    ]


@pytest.mark.slow
@pytest.mark.parametrize("turn", [0.0, 0.012, -0.02])
def test_strings_are_found_where_they_cross_each_fret(turn):
    crossings = find_strings(board(turn, strings=AT))
    assert len(crossings) == len(NECK_MM)
    for found, x in zip(crossings, NECK_MM, strict=True):
        assert [c.along for c in found] == pytest.approx([s + turn * x for s in AT], abs=0.25)
        assert all(0.2 <= c.half_width <= 0.6 for c in found)


@pytest.mark.slow
@pytest.mark.parametrize("length", [3.0, 7.0])
def test_wear_under_every_string_is_no_string(length):
    """Flats lie one beside the other along the neck as strings do, but end inside the crown."""
    worn = board(hollows=tuple(Hollow(at, length, 0.2) for at in AT), scratches=1.5)
    assert find_strings(worn) == [()] * len(NECK_MM)


def test_one_line_over_one_fret_is_not_believed_but_several_are():
    assert find_strings([fret(Scene((), SIDE, strings=(6.0,)))]) == [()]
    (found,) = find_strings([fret(Scene((), SIDE, strings=AT))])
    assert len(found) == len(AT)


@pytest.mark.slow
def test_strings_seen_at_a_slant_are_found_where_nothing_told_the_tilt():
    """As in photos of real necks scaled by two points: all strings turn together, here by 4 degrees."""
    slanted = [fret(Scene((), SIDE, strings=AT, seed=k), x, 0.07 * x) for k, x in enumerate(NECK_MM)]
    assert not any(find_strings(slanted))
    for found in find_strings(slanted, MOST_SKEW):
        assert [c.along for c in found] == pytest.approx(AT, abs=0.25)


@pytest.mark.slow
def test_bare_frets_have_no_strings_at_any_slant():
    worn = board(hollows=tuple(Hollow(at, 5.0, 0.2) for at in AT), scratches=1.5)
    assert find_strings(worn, MOST_SKEW) == [()] * len(NECK_MM)


@pytest.mark.slow
def test_a_string_that_does_not_show_lies_where_the_row_says():
    for found in find_strings(board(strings=(4.0, 11.0, 25.0))):
        assert [c.along for c in found] == pytest.approx([4.0, 11.0, 18.0, 25.0], abs=0.3)
    for found in find_strings(board(strings=(4.0, 11.0, 21.5))):  # half a step off: no row
        assert [c.along for c in found] == pytest.approx([4.0, 11.0, 21.5], abs=0.3)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("strings", "unseen"), [((18.0, 25.0), (4.0, 11.0)), ((11.0, 18.0, 25.0, 26.8), (4.0,))], ids=["two", "a pair"]
)
def test_the_row_of_strings_goes_on_to_both_ends_of_the_frets(strings, unseen):
    """Two neighbours tell it, and of lines as near as a pair, or a string and its shadow, one counts."""
    for found in find_strings(board(strings=strings)):
        assert [c.along for c in found if c.seen] == pytest.approx(strings, abs=0.3)
        assert [c.along for c in found if not c.seen] == pytest.approx(unseen, abs=1.0)


@pytest.mark.slow
def test_two_lines_with_room_for_a_string_between_them_tell_no_row():
    for found in find_strings(board(strings=(7.0, 21.0))):
        assert all(c.seen for c in found)


def test_strings_over_one_fret_are_found_at_a_slant_nobody_knows():
    (found,) = find_strings([fret(Scene((), SIDE, strings=AT))], MOST_SKEW)
    assert [c.along for c in found if c.seen] == pytest.approx(AT, abs=0.25)


def test_no_frets_no_strings():
    assert find_strings([]) == []
