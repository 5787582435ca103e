"""Flats of the same frets from several photos, put together."""

import json
import math

import jsonschema
import pytest

from inspect_app.decide.flats_of_several_photos import flats_together
from inspect_app.reading.inspection import Flat, FretReading, Inspection, Outline, PhotoSummary
from inspect_app.reading.key import NotMeasured, on_fret
from inspect_app.reading.schema import answer_schema
from shared.errors import OptionError
from shared.measured import Measured

WHERE = "Between {} and {} mm from the treble end a flat narrower than {:.2f} mm would not show: it would reflect"
STRINGS = "Strings cross the fret 4, 11 and 19 mm from the treble end and hide what they wear"


def mm(value, u=0.05):
    return Measured.of(value, "mm", boundary_noise=u)


def flat(place, width=1.0, u=0.05, length=3.0):
    return Flat(mm(place, 0.1), mm(length, 0.1), mm(width, u))


def photo(name, frets, not_measured=(), view="plan", scale_length=648.0):
    """A plan photo: by fret the flats, and why flats of frets were not measured."""
    readings = tuple(
        FretReading(
            n,
            flats=tuple(flats),
            outlines=tuple(
                Outline("flat", ((k, 0.0), (k, 1.0), (k + 1.0, 0.0)), True, on_fret(n, "flats").nth(k))
                for k in range(1, len(flats) + 1)
            ),
        )
        for n, flats in frets.items()
    )
    missing = tuple(NotMeasured(on_fret(n, "flats"), why) for n, why in not_measured)
    summary = PhotoSummary(name, name[0] * 64, 100, 100)
    return Inspection(view, summary, "t", {"scale_length": scale_length}, readings, missing)


def dark(first, last, width):
    return WHERE.format(first, last, width)


def test_a_flat_in_two_photos_is_read_from_both():
    together = flats_together([photo("a", {3: [flat(10.0, 1.00, 0.03)]}), photo("b", {3: [flat(10.4, 1.06, 0.06)]})])
    (one,) = together.frets[0].flats
    # weights 1 / 0.03^2 and 1 / 0.06^2: 4 to 1
    assert one.width.value == pytest.approx(1.012)
    assert one.width.u == pytest.approx(math.sqrt(1.0 / (1.0 / 0.03**2 + 1.0 / 0.06**2)))
    assert one.from_treble_end.value == pytest.approx(10.2)


def test_what_one_photo_hides_the_other_shows():
    a = photo("a", {3: [flat(5.0)]}, [(3, dark(8, 40, 1.3))])
    together = flats_together([a, photo("b", {3: [flat(20.0)]})])
    assert [f.from_treble_end.value for f in together.frets[0].flats] == [5.0, 20.0]
    assert together.not_measured == ()


def test_what_neither_shows_stays_undecided_as_far_as_both_are_dark():
    a, b = photo("a", {3: []}, [(3, dark(1, 30, 1.3))]), photo("b", {3: []}, [(3, dark(20, 42, 0.7))])
    (said,) = flats_together([a, b]).not_measured
    assert said.what == on_fret(3, "flats")
    assert said.reason.startswith(
        "Between 20 and 30 mm from the treble end a flat narrower than 0.70 mm would not show"
    )


def test_darkness_side_by_side_leaves_nothing_undecided():
    a, b = photo("a", {3: []}, [(3, dark(1, 20, 1.3))]), photo("b", {3: []}, [(3, dark(21, 42, 0.7))])
    assert flats_together([a, b]).not_measured == ()


def test_a_photo_with_strings_on_does_not_speak_for_the_others():
    strung, rake = photo("a", {3: []}, [(3, STRINGS)]), photo("b", {3: []}, [(3, dark(1, 42, 1.2))])
    assert [n.reason for n in flats_together([strung, strung]).not_measured] == [STRINGS]
    (said,) = flats_together([strung, rake]).not_measured
    assert "Between 1 and 42 mm" in said.reason


def test_a_flat_that_could_not_be_measured_is_done_with_where_another_photo_measures_it():
    vague = "The flat about 11 mm from the treble end can't be told from scratches."
    a = photo("a", {3: []}, [(3, vague)])
    assert flats_together([a, photo("b", {3: [flat(11.4)]})]).not_measured == ()
    assert [n.reason for n in flats_together([a, photo("b", {3: [flat(20.0)]})]).not_measured] == [vague]


def test_two_flats_of_one_photo_stay_two():
    (fret,) = flats_together([photo("a", {3: [flat(10.0, length=1.2), flat(11.3, length=1.2)]})]).frets
    assert [f.from_treble_end.value for f in fret.flats] == [10.0, 11.3]


def test_photos_that_disagree_say_so():
    a, b = photo("a", {3: [flat(10.0, 0.8, 0.02)]}), photo("b", {3: [flat(10.1, 1.1, 0.02)]})
    (one,) = flats_together([a, b]).frets[0].flats
    assert "DISAGREES" in one.width.flags
    assert one.width.expanded >= 0.15


def test_frets_of_all_photos_and_what_none_of_them_reads():
    gone = "Nothing stands out where it should be"
    together = flats_together([photo("a", {3: []}, [(4, gone)]), photo("b", {5: [flat(7.0)]})])
    assert [f.number for f in together.frets] == [3, 5]
    assert [(str(n.what), n.reason) for n in together.not_measured] == [("fret 4, flats", gone)]


def test_outlines_are_the_first_photos_by_their_new_numbers():
    together = flats_together([photo("a", {3: [flat(20.0)]}), photo("b", {3: [flat(5.0), flat(20.2)]})])
    (drawn,) = together.frets[0].outlines
    assert str(drawn.of) == "fret 3, flats 2"


def test_the_answer_names_its_photos_and_fits_the_schema():
    together = flats_together([photo("a", {3: [flat(20.0)]}), photo("b", {3: [flat(5.0)]})])
    assert [p["name"] for p in together.options["together"]] == ["a", "b"]
    form = json.loads(json.dumps(together.to_dict()))
    jsonschema.validate(form, answer_schema())
    assert Inspection.from_dict(form).frets == together.frets


def test_nothing_to_put_together_is_refused():
    with pytest.raises(OptionError, match="shows frets from above"):
        flats_together([photo("a", {}), photo("b", {3: []}, view="elevation")])
    with pytest.raises(OptionError, match="different scale lengths"):
        flats_together([photo("a", {3: []}), photo("b", {3: []}, scale_length=628.0)])
