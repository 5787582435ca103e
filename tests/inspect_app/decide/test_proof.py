"""After the work: common bevels (20, 30, 35 degrees: common practice, no source) held against what was agreed."""

import pytest

from inspect_app.decide.levelling import Spread
from inspect_app.decide.limits import Limits, Verdict
from inspect_app.decide.proof import Agreed, prove
from inspect_app.decide.wear import FretWear, Spot, WearMap
from inspect_app.instrument.details import Instrument
from inspect_app.reading.inspection import FretReading, Inspection, PhotoSummary
from inspect_app.reading.key import NotMeasured, parse_key
from shared.measured import Measured

LIMITS = Limits.default()
GUITAR = Instrument(648.0, frets=2)


def end(fret, treble, u=0.5):
    q = Measured.of(treble, "deg", fit=u)
    return Inspection("end", PhotoSummary("e.jpg", "0" * 64, 9, 9), "t", {}, (FretReading(fret, bevel_treble=q),))


def said(agreed, inspections, wear=None):
    wear = wear or WearMap(GUITAR, (FretWear(1), FretWear(2)))
    return {c.what: c for c in prove(agreed, wear, inspections, LIMITS)}


@pytest.mark.parametrize("angle", [20.0, 30.0, 35.0])
def test_a_bevel_at_the_agreed_angle_is_within(angle):
    assert said(Agreed(angle), [end(1, angle)])["fret 1, bevel, treble end"].verdict == Verdict.WITHIN


def test_a_bevel_five_degrees_off_is_beyond():
    assert said(Agreed(30.0), [end(1, 35.0)])["fret 1, bevel, treble end"].verdict == Verdict.BEYOND


def test_a_bevel_at_the_limit_can_not_be_told():
    # 32.4 +- 0.5 against 30 +- 2.5: 0.2 u inside
    assert said(Agreed(30.0), [end(1, 32.4)])["fret 1, bevel, treble end"].verdict == Verdict.CANNOT_TELL


def test_of_two_readings_the_better_known_is_held():
    check = said(Agreed(30.0), [end(1, 36.0, u=3.0), end(1, 30.0, u=0.4)])["fret 1, bevel, treble end"]
    assert check.measured.value == 30.0


def test_no_photo_after_the_work_proves_nothing():
    checks = said(Agreed(30.0), [])
    assert {c.verdict for c in checks.values()} == {Verdict.CANNOT_TELL}
    assert all(c.reason for c in checks.values())


def test_a_divot_left_behind_is_beyond():
    left = Spot(Measured.of(20.0, "mm", x=0.1), 3, Measured.of(0.12, "mm", x=0.01))
    wear = WearMap(GUITAR, (FretWear(1, (left,), unseen_depth=0.01), FretWear(2, unseen_depth=0.01)))
    checks = said(Agreed(30.0), [], wear)
    assert checks["fret 1, deepest divot"].verdict == Verdict.BEYOND
    assert checks["fret 2, deepest divot"].verdict == Verdict.WITHIN


def test_a_fret_seen_in_part_proves_a_divot_but_not_its_absence():
    def seen(depth):
        spot = Spot(Measured.of(20.0, "mm", x=0.1), 3, Measured.of(depth, "mm", x=0.005))
        wear = WearMap(GUITAR, (FretWear(1, (spot,), reasons=("covered beyond 30 mm",)), FretWear(2)))
        return said(Agreed(30.0), [], wear)["fret 1, deepest divot"]

    assert seen(0.12).verdict == Verdict.BEYOND
    assert seen(0.01).verdict == Verdict.CANNOT_TELL
    assert seen(0.01).reason == "covered beyond 30 mm"


def test_height_left_is_held_against_its_limit():
    wear = WearMap(GUITAR, (FretWear(1, unseen_depth=0.01), FretWear(2)), Measured.of(0.95, "mm", x=0.02), "section")
    checks = said(Agreed(30.0), [], wear)
    assert checks["fret 1, crown height"].verdict == Verdict.WITHIN
    assert "fret 2, crown height" not in checks  # nobody looked at it after the work


@pytest.mark.parametrize(
    ("height", "verdict"),
    # expected 0.93 +- 0.04 (k = 2): at least 0.89 was agreed; u of the calliper 0.01
    [(0.93, Verdict.WITHIN), (0.89, Verdict.CANNOT_TELL), (0.85, Verdict.BEYOND)],
)
def test_height_left_is_held_against_what_the_estimate_expected(height, verdict):
    own = Measured.of(height, "mm", calliper=0.01)
    wear = WearMap(GUITAR, (FretWear(1, crown_height=own), FretWear(2)))
    check = said(Agreed(30.0, {1: Spread(0.93, 0.02)}), [], wear)["fret 1, crown height"]
    assert check.verdict == verdict
    assert check.target == "at least 0.89 mm (expected 0.93 ± 0.04)"


def test_a_forecast_never_lowers_the_limit():
    wear = WearMap(GUITAR, (FretWear(1, crown_height=Measured.of(0.69, "mm", calliper=0.001)), FretWear(2)))
    check = said(Agreed(30.0, {1: Spread(0.72, 0.03)}), [], wear)["fret 1, crown height"]
    assert check.verdict == Verdict.BEYOND  # 0.72 - 0.06 = 0.66, but 0.70 must be left


def plan(fret, hidden=None):
    missing = (NotMeasured(parse_key(f"fret {fret}, flats"), hidden),) if hidden else ()
    return Inspection(
        "plan", PhotoSummary("p.jpg", "1" * 64, 9, 9), "t", {}, (FretReading(fret),), not_measured=missing
    )


def test_flats_are_gone_only_where_the_whole_crown_was_read():
    width = Measured.of(2.6, "mm", x=0.02)
    wear = WearMap(GUITAR, (FretWear(1, crown_width=width), FretWear(2, crown_width=width)))
    checks = said(Agreed(30.0), [plan(1), plan(2, "glare over the crown")], wear)
    assert checks["fret 1, widest flat"].verdict == Verdict.WITHIN
    assert checks["fret 2, widest flat"].verdict == Verdict.CANNOT_TELL
    assert checks["fret 2, widest flat"].reason == "glare over the crown"


@pytest.mark.parametrize(("flat", "verdict"), [(0.5, Verdict.WITHIN), (1.3, Verdict.BEYOND)])  # 0.40 of 2.6 is 1.04
def test_a_flat_left_behind_is_held_against_its_share_of_the_crown(flat, verdict):
    spot = Spot(Measured.of(20.0, "mm", x=0.1), 3, flat_width=Measured.of(flat, "mm", x=0.03))
    wear = WearMap(GUITAR, (FretWear(1, (spot,), crown_width=Measured.of(2.6, "mm", x=0.02)), FretWear(2)))
    assert said(Agreed(30.0), [plan(1)], wear)["fret 1, widest flat"].verdict == verdict
