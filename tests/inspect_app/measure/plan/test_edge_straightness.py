"""Wire runs straight and the border of dirt beside it wanders: which of two edges is the metal's."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from inspect_app.measure.plan.crown_edges import crown_edge_likelihoods, fit_crowns
from inspect_app.measure.plan.crown_profile import CrownProfile, crown_profile
from inspect_app.measure.plan.edge_classifier import LEAST, EdgeLikelihood
from inspect_app.measure.plan.edge_straightness import EdgeCourse, held_straight
from inspect_app.measure.plan.fret_frame import FretFrame
from inspect_app.measure.plan.fret_patch import COLOUR_ROWS, FretPatch
from inspect_app.reading.key import NotMeasured, parse_key

PX, LENGTH_MM, HALF_MM, DIRT_MM = 25.0, 46.0, 1.1, 0.25
STRINGS_MM = (5.0, 12.0, 19.0, 26.0, 33.0, 40.0)

ACROSS_MM = np.arange(-80, 81) / PX


def patch(wander_mm=0.06, drift=0.0, strings=(), seed=0, brown=False):
    """A bright crown, matt dirt `DIRT_MM` wide along both feet, and dark streaked wood; row by row.

    Where it is `brown` the dirt is as dark as the wood, which is grey as the metal is.

    The border of the dirt wanders by `wander_mm` (standard deviation), every 2 mm anew. A lamp's picture on the flank,
    0.3 mm inside the edge, lies `drift` mm farther out at the bass end than at the treble end.
    """
    rng = np.random.default_rng(seed)
    along, across = np.arange(-1.0, LENGTH_MM + 1.0, 1.0 / 12.0), ACROSS_MM

    def step(at, soft_mm=0.8 / PX):
        return 0.5 + 0.5 * np.tanh((at - np.abs(across)) / soft_mm)

    def wandering(at):
        rough = gaussian_filter1d(rng.standard_normal(len(along)), 8.0)
        return (at + wander_mm * rough / rough.std())[:, None]

    wood = 0.1 * np.exp(0.3 * gaussian_filter1d(rng.standard_normal(len(along)), 2.0))[:, None]
    border = np.where(across > 0.0, wandering(HALF_MM + DIRT_MM), wandering(HALF_MM + DIRT_MM))
    light = wood if brown else wood + (0.04 - wood) * step(border)
    lamp = (HALF_MM - 0.3 + drift * (along / LENGTH_MM - 0.5))[:, None]
    light = light + (0.25 - light) * step(HALF_MM) + 0.3 * step(lamp, 0.05)
    for y in strings:
        light[np.abs(along - y) < 0.4] = 0.3
    light = light * np.exp(rng.normal(0.0, 0.02, light.shape))
    frame = FretFrame(5, None, np.zeros(2), np.array([0.0, 1.0]), np.array([1.0, 0.0]), -1.1, 23.0, 320.0, LENGTH_MM)
    unread = NotMeasured(parse_key("crown width"), "not yet read")
    seen = np.ones(light.shape, bool)
    red_blue = np.stack([light, light * np.exp(-0.5 * (step(border) - step(HALF_MM)))], axis=2)[::COLOUR_ROWS]
    colour = red_blue.astype(np.float32) if brown else None
    return FretPatch(frame, light.astype(np.float32), seen, along, across, 0.0, PX, unread, red_blue=colour)


def wander_at(course, half_mm):
    """Where the step is clearest within 0.05 mm of a place: its scatter on both sides."""
    sides = [np.abs(s * ACROSS_MM - half_mm) < 0.05 for s in (-1, 1)]
    return [course.wander[m][course.noise[m].argmin()] for m in sides]


@pytest.mark.parametrize("strings", [(), STRINGS_MM])
def test_wire_runs_straight_and_the_border_of_dirt_does_not(strings):
    profiles = [crown_profile(patch(strings=strings, seed=k)) for k in range(4)]
    assert max(max(wander_at(p.courses[0], HALF_MM)) for p in profiles) < 0.015
    borders = [w for p in profiles for w in wander_at(p.courses[0], HALF_MM + DIRT_MM)]
    assert min(borders) > 0.025
    # the farthest places, 0.12 mm off, are not seen whole
    assert np.mean(borders) == pytest.approx(0.06, abs=0.02)


def test_a_lamp_that_moves_steadily_along_the_flank_wanders_nowhere():
    still, moves = (crown_profile(patch(drift=d)) for d in (0.0, 0.15))
    for p in (still, moves):
        assert max(wander_at(p.courses[0], HALF_MM - 0.3)) < 0.02


def test_the_border_of_brown_dirt_on_black_wood_is_told_by_its_colour():
    profile = crown_profile(patch(brown=True))
    light, colour = profile.courses
    assert min(wander_at(colour, HALF_MM + DIRT_MM)) > 0.025
    misled = peaks(HALF_MM, HALF_MM + DIRT_MM)
    outwards = [replace(c, **{k: getattr(c, k)[80:] for k in ("wander", "noise", "step")}) for c in (light, colour)]
    (by_light, _), (by_both, _) = (held_straight(c, ACROSS_MM[80:], [misled])[0] for c in (outwards[:1], outwards))
    border = np.abs(misled.across_mm - HALF_MM - DIRT_MM) < 0.05
    assert by_light.log_likelihood == pytest.approx(misled.log_likelihood)
    assert np.exp(by_both.log_likelihood[border]).sum() < 0.5 * np.exp(by_light.log_likelihood[border]).sum()


def test_a_border_that_hardly_wanders_more_than_wire_is_hardly_told_by_it():
    """Of ten places none, and each that scatters twice as far tells a little more."""

    def lost(wander):
        seen = course([1.4])
        seen = replace(seen, wander=np.where(seen.step > 0.0, wander, seen.wander))
        return -held_straight([seen], AT_MM, [peaks(1.4)])[0][1]

    assert lost(0.024) == 0.0
    assert 0.0 < lost(0.027) < 2.0
    assert lost(0.04) > 3.0


def peaks(*places_mm):
    """A finder that takes each of these places for the edge, as likely as the others."""
    at = np.arange(0.2, 2.7, 0.02)
    y = np.max([2.5 - 0.5 * ((at - x) / 0.03) ** 2 for x in places_mm], axis=0)
    return EdgeLikelihood(at, np.maximum(y, LEAST))


AT_MM = np.arange(0.0, 3.0, 0.04)


def course(wanders_mm=(), straight_mm=()):
    """Steps here and there, each 0.12 mm wide; nothing is seen elsewhere."""
    wander, noise, step = np.full(len(AT_MM), 0.5), np.full(len(AT_MM), 0.5), np.zeros(len(AT_MM))
    for places, scatter in ((wanders_mm, 0.06), (straight_mm, 0.01)):
        for x in places:
            near = np.abs(AT_MM - x) < 0.06
            wander[near], noise[near], step[near] = scatter, 0.004, 0.1
    return EdgeCourse(wander, noise, step)


def likeliest(edge):
    return float(edge.across_mm[edge.log_likelihood.argmax()])


def test_of_two_edges_the_straight_one_is_the_metals():
    (held, _), (misled, stands) = held_straight([course([1.4], [1.1])], AT_MM, [peaks(1.1, 1.4), peaks(1.4)])
    assert likeliest(held) == pytest.approx(1.1, abs=0.02)
    assert np.exp(held.log_likelihood[held.across_mm > 1.34]).sum() < 0.02 * np.exp(held.log_likelihood).sum()
    assert stands < -3.0  # who saw the border alone is hardly believed any more
    assert misled.log_likelihood.min() >= LEAST


def test_beyond_a_wandering_border_lies_no_edge_that_nobody_saw_run_straight():
    """Unless all finders, who look at other things, take it for likely."""
    far, near = peaks(1.1, 1.4, 1.6), peaks(1.1)

    def left(seen, finders):
        held, _ = held_straight([seen], AT_MM, finders)[0]
        return held.log_likelihood[held.across_mm > 1.5].max()

    assert left(course([1.4], [1.1]), [far, near]) == LEAST
    assert left(course([1.4], [1.1, 1.6]), [far, near]) > 2.0
    assert left(course([1.4], [1.1]), [far, far]) > 2.0


def test_what_wanders_where_no_finder_looks_changes_nothing():
    """A reflection on the metal, farther in."""
    finder = peaks(1.2)
    ((held, stands),) = held_straight([course([0.7], [1.2])], AT_MM, [finder])
    assert held.log_likelihood == pytest.approx(finder.log_likelihood)
    assert stands == pytest.approx(0.0)


def test_steps_lost_in_noise_tell_nothing():
    seen, finder = course([1.4], [1.1]), peaks(1.1, 1.4)
    for lost in (replace(seen, noise=seen.wander), replace(seen, step=0.05 * seen.step)):
        ((held, _),) = held_straight([lost], AT_MM, [finder])
        assert held.log_likelihood == pytest.approx(finder.log_likelihood)


def test_a_crown_in_dirt_is_not_read_as_wide_as_the_dirt():
    profiles = [crown_profile(patch(seed=k)) for k in range(4)]
    unseen = replace(profiles[0].courses[0], step=np.zeros(len(profiles[0].across_mm)))

    def widths(seen):
        edges, odds, _ = crown_edge_likelihoods(seen, [0.0] * len(seen))
        return [(c.width, 2.0 * c.u_width) for c in fit_crowns(edges, odds, [0.0] * len(seen), 1.1, PX)]

    misled = widths([replace(p, courses=(unseen,)) for p in profiles])
    assert min(w for w, _ in misled) > 2.0 * HALF_MM + 0.2
    for width, u in widths(profiles):
        assert abs(width - 2.0 * HALF_MM) < min(u, 0.1)


def in_the_stretch(board, foot):
    """What a finder says of a fret's nut side from place to place in a stretch of `foot`, 0.3 mm wide, on a `board`."""
    unseen = (EdgeCourse(*np.zeros((3, len(ACROSS_MM)))),)
    light = board + (0.2 - board) / (1.0 + np.exp((np.abs(ACROSS_MM) - HALF_MM) / 0.02))
    stretch = 1.0 / (1.0 + np.exp((np.abs(ACROSS_MM + HALF_MM + 0.05) - 0.15) / 0.02))
    log_light = np.log(light + (foot - light) * stretch + 0.003)
    grain = ((np.abs(ACROSS_MM) > HALF_MM).astype(float),) * 2
    p = CrownProfile(
        ACROSS_MM,
        log_light,
        *[0.0] * 4,
        grain,
        (0.1, 0.1),
        0.0 * ACROSS_MM,
        unseen,
        480,
        PX,
        log_light[None],
        ACROSS_MM[:1],
    )
    (((nut, _),), _), _, _ = crown_edge_likelihoods([p], [0.0])
    return nut.log_likelihood[np.abs(nut.across_mm + HALF_MM + 0.05) < 0.1]


def test_a_foot_in_the_dark_may_be_anywhere_in_it():
    dark, seen = (np.exp(in_the_stretch(0.1, foot)) for foot in (0.002, 0.03))
    assert len(dark) > 5
    assert dark.min() > dark.mean() / 3.0  # as much of it lies anywhere
    assert seen.min() < seen.mean() / 10.0  # seen, it is judged


def test_on_a_board_that_is_dark_itself_places_are_told_apart():
    assert np.ptp(in_the_stretch(0.002, 0.002)) > 1.0
