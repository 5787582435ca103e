"""The wear map: photos put together, strings by lane, disagreement, rates."""

import math

import GTC
import pytest

from calib.budget import difference
from inspect_app.decide.influences import with_influences
from inspect_app.decide.wear import build_wear_map, combined, depth_of_flat, wear_rates
from inspect_app.instrument.details import Instrument, string_places
from inspect_app.reading.inspection import Divot, Flat, FretReading, Inspection, PhotoSummary
from inspect_app.reading.key import NotMeasured, on_fret
from shared.errors import OptionError
from shared.measured import Measured

GUITAR = Instrument(scale_length=648.0, frets=6, strings=6, spread_nut=35.0, spread_bridge=52.0)
PHOTO = PhotoSummary("a.jpg", "0" * 64, 10, 10)
LATER = PhotoSummary("b.jpg", "1" * 64, 10, 10)


def mm(value, u=0.01, *flags):
    return Measured.of(value, "mm", flags, edge_noise=u)


def plan(fret, flats=(), not_measured=(), width=2.6):
    reading = FretReading(fret, length=mm(44.0, 0.05), crown_width=mm(width), flats=tuple(flats))
    return Inspection("plan", PHOTO, "t", {}, (reading,), tuple(not_measured))


def elevation(fret, divots=(), not_measured=(), blind=0.01, photo=PHOTO):
    reading = FretReading(fret, blind_depth=mm(blind), divots=tuple(divots))
    return Inspection("elevation", photo, "t", {}, (reading,), tuple(not_measured))


def flat(place, depth):
    return Flat(mm(place, 0.1), mm(4.0, 0.2), mm(0.9, 0.05), mm(depth, 0.03, "INDIRECT"))


def divot(place, depth, u=0.01):
    return Divot(mm(place, 0.1), mm(5.0, 0.3), mm(depth, u))


def test_strings_fan_out_by_equal_temperament():
    # at the 12th fret half the scale is behind: the spread is the mean of nut and bridge
    places = string_places(Instrument(648.0, frets=24), 12, 48.0)
    spread = (35.5 + 52.0) / 2
    assert places[-1] - places[0] == pytest.approx(spread)
    assert places[0] == pytest.approx((48.0 - spread) / 2)


def test_the_same_spot_seen_from_above_and_along_is_one_spot():
    wear = build_wear_map([plan(2, [flat(10.0, 0.12)]), elevation(2, [divot(10.6, 0.10)])], GUITAR)
    (spot,) = wear.fret(2).spots
    # weights 1/0.03^2 and 1/0.01^2: (0.12/9 + 0.10) / (1/9 + 1) = 0.102
    assert spot.depth.value == pytest.approx(0.102)
    assert spot.depth.u == pytest.approx(math.sqrt(1 / (1 / 0.03**2 + 1 / 0.01**2)))
    assert spot.views == ("plan", "elevation")
    assert "DISAGREES" not in spot.depth.flags
    assert "INDIRECT" not in spot.depth.flags


def test_each_views_own_word_is_kept_beside_the_combined_depth():
    (spot,) = build_wear_map([plan(3, [flat(20.0, 0.10)]), elevation(3, [divot(20.4, 0.12)])], GUITAR).fret(3).spots
    own = {view: (d.value, d.u) for view, d in spot.by_view}
    assert own == {"plan": (0.10, pytest.approx(0.03)), "elevation": (0.12, pytest.approx(0.01))}
    assert spot.depth.u < 0.01  # 1 / sqrt(1 / 0.03^2 + 1 / 0.01^2) = 0.0095


def test_views_that_disagree_beyond_their_uncertainty_say_so():
    wear = build_wear_map([plan(2, [flat(10.0, 0.30)]), elevation(2, [divot(10.2, 0.10)])], GUITAR)
    depth = wear.fret(2).spots[0].depth
    assert "DISAGREES" in depth.flags
    # weights 1/0.03^2 + 1/0.01^2 = 11111, chi2 = 0.2^2 / (0.03^2 + 0.01^2) = 40: excess sqrt((40 - 1) / 11111) = 0.059
    assert depth.u == pytest.approx(math.hypot(0.0095, 0.0592), abs=0.0005)


def test_spots_belong_to_the_nearest_string():
    places = string_places(GUITAR, 3, 44.0)
    wear = build_wear_map([elevation(3, [divot(places[4] + 0.8, 0.2)]), plan(3)], GUITAR)
    assert wear.fret(3).spots[0].string == 5


def test_wear_beyond_the_outer_strings_belongs_to_none():
    narrow = Instrument(scale_length=648.0, frets=6, strings=6, spread_nut=30.0, spread_bridge=30.0)
    # strings 6 mm apart, the outer one (44 - 30) / 2 = 7 mm from the end: beyond 7 - 3 = 4 mm no string is near
    wear = build_wear_map([elevation(3, [divot(3.5, 0.2)]), plan(3)], narrow)
    assert wear.fret(3).spots[0].string is None


def test_a_fret_read_without_wear_has_a_depth_that_could_be_missed():
    wear = build_wear_map([elevation(1, blind=0.02)], GUITAR)
    depth = wear.fret(1).deepest()
    assert depth.value == pytest.approx(0.01)
    assert depth.u == pytest.approx(0.02 / math.sqrt(12))  # rectangular, GUM 4.3.7


def test_a_fret_whose_wear_could_not_be_read_stays_unknown():
    said = NotMeasured(on_fret(4, "flats"), "glare over the crown")
    wear = build_wear_map([plan(4, not_measured=[said])], GUITAR)
    assert wear.fret(4).deepest() is None
    assert wear.fret(4).reasons == ("glare over the crown",)
    assert wear.unread == (1, 2, 3, 4, 5, 6)


def test_a_section_photo_is_of_no_fret():
    cut = Inspection("section", PHOTO, "t", {}, (FretReading(1, crown_width=mm(2.6), crown_height=mm(1.1)),))
    assert build_wear_map([cut], GUITAR).fret(1).reasons == ("no photo shows it",)


def test_a_fret_read_in_part_counts_and_says_so():
    said = NotMeasured(on_fret(2, "flats"), "covered beyond 30 mm")
    wear = build_wear_map([plan(2, [flat(10.0, 0.12)], [said])], GUITAR)
    assert wear.read == wear.read_in_part == (2,)
    assert wear.fret(2).deepest().value == pytest.approx(0.12)
    assert wear.fret(2).depth_elsewhere() is None


def bare_flat(place, width=0.7030):
    return Flat(mm(place, 0.1), mm(4.0, 0.2), mm(width, 0.02))


def test_depth_of_a_flat_follows_from_the_known_crown():
    # reference-values 4.4 (closed form, computed with an independent library): crown 2.5 x 1.1, 0.05 off gives 0.7029
    depth = depth_of_flat(mm(0.7029, 0.02), mm(2.5, 0.01), mm(1.1, 0.03))
    assert depth.value == pytest.approx(0.05, abs=2e-5)
    assert "INDIRECT" in depth.flags
    # dd/df = f / (4 sqrt(r^2 - f^2 / 4)) = 0.7029 / (4 x 1.2102) = 0.1452; r's share, (1 - r / 1.2102) u_r, is small
    assert depth.u == pytest.approx(0.1452 * 0.02, rel=0.02)


def test_a_flat_as_wide_as_its_crown_tells_a_least_depth():
    # 2.62 on 2.70, 1.10 high: r = (1.8225 + 1.21) / 2.2 = 1.3784; at its narrowest, 2.70 - 0.02 - (2.62 - 0.02 > 2.6)
    # the flat is 2.60 wide: 1.3784 - sqrt(1.8999 - 1.69) = 0.920; anything from there to 1.10: 1.010 +- 0.052
    depth = depth_of_flat(mm(2.62, 0.01), mm(2.70, 0.035), mm(1.10, 0.01))
    assert depth.value == pytest.approx(1.010, abs=0.001)
    assert depth.u == pytest.approx((1.10 - 0.920) / math.sqrt(12), abs=0.001)
    assert "AT_LEAST" in depth.flags
    wear = build_wear_map(
        [plan(1, [bare_flat(20.0, 2.62)], width=2.70), plan(2, [bare_flat(20.0, 0.7)], width=2.70)], GUITAR, mm(1.10)
    )
    assert wear.fret(1).deepest().value > 0.9 > 0.1 > wear.fret(2).deepest().value
    for flat in (2.6, 2.7, 2.9):  # wider is never less
        assert (
            depth_of_flat(mm(flat + 0.05, 0.01), mm(2.7), mm(1.1)).value
            >= depth_of_flat(mm(flat, 0.01), mm(2.7), mm(1.1)).value
        )


def test_photos_of_one_board_share_their_scale_and_not_their_edges():
    def seen(fret, sha):
        width = Measured.of(2.6, "mm", crown_edges=0.02, scale=0.008, camera_pose_and_lens=0.006)
        return Inspection(
            "plan", PhotoSummary(sha, sha * 64, 9, 9), "t", {"scale": {"kind": "strip", "factor": 1.002}},
            (FretReading(fret, crown_width=width),),
        )  # fmt: skip

    two = combined([f.crown_width for sha in "ab" for f in with_influences(seen(1, sha)).frets])
    u = {c.source: c.u for c in two.contributions}
    assert u["scale"] == pytest.approx(0.008)
    assert math.hypot(*(c.u for c in two.contributions if c.source == "crown edges")) == pytest.approx(
        0.02 / math.sqrt(2)
    )
    poses = [c.u for c in two.contributions if c.source == "camera pose and lens"]
    assert poses == pytest.approx([0.003, 0.003])  # two photos, two poses
    again = with_influences(with_influences(seen(1, "a")))
    assert again == with_influences(seen(1, "a"))


def test_the_scale_moves_frets_on_either_side_of_the_photo_apart():
    at = [Measured.of(x, "mm", crown_edges=0.01, scale=abs(x) * 0.003) for x in (-30.0, 30.0)]
    photo = Inspection("plan", PHOTO, "t", {}, tuple(FretReading(n, position=q) for n, q in enumerate(at, 1)))
    a, b = (f.position for f in with_influences(photo).frets)
    assert difference(b, a).u == pytest.approx(math.hypot(60 * 0.003, 0.01 * math.sqrt(2)))


def test_a_flat_that_would_not_show_below_a_width_bounds_the_depth():
    said = NotMeasured(
        on_fret(2, "flats"), "Between 3 and 9 mm from the treble end a flat narrower than 0.51 mm would not show: x."
    )
    wear = build_wear_map([plan(2, [], [said])], GUITAR)
    # radius 1.3 at least: 1.3 - sqrt(1.69 - 0.51^2 / 4) = 0.0252
    assert wear.fret(2).unseen_depth == pytest.approx(0.0252, abs=1e-4)
    assert wear.read_in_part == ()


def test_a_flat_read_without_a_known_crown_height_leaves_the_wear_unknown():
    wear = build_wear_map([plan(2, [bare_flat(10.0)], width=2.5)], GUITAR)
    assert not wear.fret(2).was_read
    assert wear.fret(2).deepest() is None
    known = build_wear_map([plan(2, [bare_flat(10.0)], width=2.5)], GUITAR, mm(1.1, 0.03), "as written down")
    assert known.fret(2).deepest().value == pytest.approx(0.05, abs=1e-3)


def test_height_left_wants_both_height_and_depth():
    inspections = [elevation(2, [divot(22.0, 0.2)])]
    assert build_wear_map(inspections, GUITAR).height_left(2, 3) is None
    wear = build_wear_map(inspections, GUITAR, mm(1.1, 0.03), "section photo")
    string = wear.fret(2).spots[0].string
    left = wear.height_left(2, string)
    assert left.value == pytest.approx(0.9)
    assert left.u == pytest.approx(math.hypot(0.03, 0.01))


def test_weighted_mean_keeps_named_contributions():
    mean = combined([Measured.of(1.0, "mm", scale=0.1), Measured.of(2.0, "mm", scale=0.1, edge=0.1)])
    assert {c.source for c in mean.contributions} >= {"scale", "edge"}
    with pytest.raises(ValueError, match="one unit"):
        combined([mm(1.0), Measured.of(1.0, "deg", x=1.0)])
    with pytest.raises(ValueError, match="got none"):
        combined([])


def test_rate_of_wear_between_two_visits():
    before = build_wear_map([elevation(2, [divot(22.0, 0.10)])], GUITAR)
    after = build_wear_map([elevation(2, [divot(22.0, 0.20)], photo=LATER)], GUITAR)
    (rate,) = wear_rates(before, after, years=2.0, depth_limit=0.30)
    assert rate.per_year.value == pytest.approx(0.05)
    assert rate.per_year.u == pytest.approx(math.hypot(0.01, 0.01) / 2)
    assert rate.years_left == pytest.approx(2.0)


def test_no_years_are_told_from_a_change_inside_its_uncertainty():
    before = build_wear_map([elevation(2, [divot(22.0, 0.10)])], GUITAR)
    after = build_wear_map([elevation(2, [divot(22.0, 0.11)], photo=LATER)], GUITAR)
    assert wear_rates(before, after, 1.0, 0.3)[0].years_left is None
    with pytest.raises(ValueError, match="same day"):
        wear_rates(before, after, 0.0, 0.3)


@pytest.mark.parametrize("bad", [{"scale_length": 64.8}, {"scale_length": 648.0, "frets": 0}])
def test_impossible_instruments_are_refused(bad):
    with pytest.raises(OptionError):
        Instrument(**bad)


@pytest.mark.parametrize(("flat", "u_flat"), [(0.6, 0.03), (1.2, 0.05), (1.9, 0.04)])
def test_depth_of_a_flat_carries_uncertainty_as_the_gtc_library_does(flat, u_flat):
    # GTC 1.5 (Measurement Standards Laboratory of New Zealand) differentiates the same formula by itself
    f, w, h = GTC.ureal(flat, u_flat), GTC.ureal(2.6, 0.02), GTC.ureal(1.1, 0.03)
    radius = (w**2 / 4 + h**2) / (2 * h)
    expected = radius - GTC.sqrt(radius**2 - f**2 / 4)
    ours = depth_of_flat(mm(flat, u_flat), mm(2.6, 0.02), mm(1.1, 0.03))
    assert ours.value == pytest.approx(GTC.value(expected), rel=1e-12)
    assert ours.u == pytest.approx(GTC.uncertainty(expected), rel=0.01)  # ours: differences over one u, not derivatives


def test_a_flat_gets_its_depth_from_the_height_the_fret_has_by_now():
    seen = FretReading(2, crown_width=mm(2.6), flats=(Flat(mm(20.0), mm(4.0), mm(1.0), mm(0.0983)),))
    asked = Inspection("plan", PHOTO, "t", {"crown_height": 1.1}, (seen,))
    # r = (1.69 + 0.86^2) / (2 x 0.86) = 1.4126; r - sqrt(r^2 - 0.25) = 0.0915
    for now, depth in ((1.1, 0.0983), (0.86, 0.0915)):
        wear = build_wear_map([asked], GUITAR, mm(now, 0.03), "levelled")
        assert wear.fret(2).deepest().value == pytest.approx(depth, abs=1e-4)


def test_a_photo_across_the_neck_says_nothing_of_wear():
    gap = Inspection("side", PHOTO, "t", {}, (FretReading(3, string_gap=mm(1.2, 0.05)),))
    assert build_wear_map([gap], GUITAR).fret(3).reasons == ("no photo shows it",)
