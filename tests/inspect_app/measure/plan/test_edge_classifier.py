"""The look of a crown's foot: the drawn light it was learnt from obeys optics, and its probabilities come true."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.stats import multivariate_t

from inspect_app.measure.plan.crown_arc import apparent_edges
from inspect_app.measure.plan.crown_edges import _TAUGHT_PX, SHARP_PX, crown_edge_likelihoods, fit_crowns
from inspect_app.measure.plan.crown_profile import CrownProfile
from inspect_app.measure.plan.edge_classifier import OFFSETS_MM, EdgeLikelihood, foot_features, foot_likelihood, score
from inspect_app.measure.plan.edge_straightness import EdgeCourse
from sample_images.edge_camera import _LUMA, _coded, _decoded, _developed, _kept, draw_edges
from sample_images.edge_light import LUMINANCE, _let_out, draw_section, light_across, tint
from sample_images.facets import Facets
from sample_images.learn_edges import PLACES_MM, learn, places_about, some_places_about

pytestmark = pytest.mark.slow

PLACES = np.arange(-0.9, 0.9, 0.01)


def sections(count, seed=5):
    rng = np.random.default_rng(seed)
    return [draw_section(rng) for _ in range(count)]


def density_of(edge):
    """Probability density at `PLACES` about the true edge at 0."""
    return np.exp(foot_likelihood(edge, PLACES).log_likelihood)


# -- the drawn light ---------------------------------------------------------------------------------------------------


def test_the_drawn_edge_is_seen_where_the_arc_says():
    for s in sections(20):
        assert s.apparent == pytest.approx(float(apparent_edges(s.width, s.height, s.view)[1]), abs=1e-9)


def test_an_open_board_under_an_even_sky_scatters_its_albedo():
    # Lambert's law: a matt surface under a sky of radiance 1 has radiance equal to its albedo
    for s in sections(5):
        even = replace(s, room=np.ones_like(s.room), lamps=np.zeros_like(s.lamps), gloss=0.0, thick=0.0)
        at, light, grain = light_across(even)
        # without gloss all of it is of the wood's colour
        assert grain[:, at > 0.01] == pytest.approx(light[:, at > 0.01])
        # the fret still hides a little of the sky
        open_board = even.albedo * even.room_colour
        assert light[:, at > 2.5] == pytest.approx(np.tile(open_board[:, None], (1, np.sum(at > 2.5))), rel=0.05)


def test_a_mirror_under_an_even_sky_shows_the_sky_times_its_reflectance():
    # at the top of the crown the line of sight meets the metal at right angles: Schlick's term is then nothing
    for s in sections(5):
        even = replace(
            s, room=np.ones_like(s.room), lamps=np.zeros_like(s.lamps), view=0.0, rough=Facets(0.03, 2.0), thick=0.0
        )
        at, light, grain = light_across(even)
        for k in range(3):
            assert np.interp(-even.apparent, at, grain[k]) < 0.01 * even.mirror[k]  # and none of the board
            shown = even.mirror[k] * even.room_colour[k]
            assert np.interp(-even.apparent, at, light[k]) == pytest.approx(shown, rel=0.02)


def test_a_steep_foot_mirrors_the_board_beside_it():
    for s in sections(5):
        steep = replace(s, width=2.2, height=1.1, view=0.0, rough=Facets(0.025, 2.0), gloss=0.0, thick=0.0)
        steep = replace(steep, lamps=np.zeros_like(s.lamps))
        at, light, grain = light_across(replace(steep, room=np.ones_like(s.room)))
        for k in range(3):
            inside, outside = np.interp([-0.01, 0.02], at, light[k])
            assert steep.mirror[k] * 0.8 < inside / outside < 1.0
            assert np.interp(-0.01, at, grain[k]) > 0.8 * inside  # so that it is as streaked


@pytest.mark.parametrize("tail", [1.7, 2.0, 5.0, 20.0])
def test_slopes_of_facets_are_student_s_as_in_scipy(tail):
    """Ribardiere and others (2017): gamma is half the degrees of freedom and one, alpha^2 / 2 the scale of a slope."""
    facets, across = Facets(0.13, tail), np.linspace(-0.6, 0.6, 25)[:, None]
    along = np.linspace(-0.5, 0.7, 25)[None, :]
    whole = multivariate_t([0.0, 0.0], np.eye(2) * 0.13**2 / 2.0, df=2.0 * (tail - 1.0))
    both = np.stack(np.broadcast_arrays(across, along), axis=-1)
    assert facets.across(across) * facets.along(along, across) == pytest.approx(whole.pdf(both), rel=1e-9)


def test_facets_span_the_laws_of_trowbridge_and_reitz_and_of_beckmann():
    """Walter and others (2007), equations 33 and 25: normals' densities; by slope they are times cos^4."""
    alpha, slope = 0.2, np.linspace(0.0, 0.8, 9)
    cos4 = (1.0 + slope**2) ** -2
    ggx = alpha**2 / (math.pi * cos4 * (alpha**2 + slope**2) ** 2)
    beckmann = np.exp(-((slope / alpha) ** 2)) / (math.pi * alpha**2 * cos4)
    for tail, law, off in ((2.0, ggx, 1e-9), (1e6, beckmann, 1e-3)):
        facets = Facets(alpha, tail)
        assert facets.across(slope) * facets.along(np.zeros(9), slope) == pytest.approx(law * cos4, rel=off)


@pytest.mark.parametrize("rough", [0.05, 0.2])
@pytest.mark.parametrize("degrees", [0.0, 40.0, 70.0, 84.0])
def test_facets_hide_each_other_so_that_what_is_seen_of_them_adds_up(rough, degrees):
    """Walter and others (2007), equation 22: facets in view, foreshortened, cover what the surface does."""
    view, tilt, turn = (
        math.radians(degrees),
        *np.meshgrid(np.linspace(0.0, 1.57, 4000), np.linspace(0.0, 6.2832, 721)[:-1]),
    )
    facets = 1.0 / (math.pi * rough**2 * np.cos(tilt) ** 4 * (1.0 + (np.tan(tilt) / rough) ** 2) ** 2)
    facing = np.maximum(math.cos(view) * np.cos(tilt) + math.sin(view) * np.sin(tilt) * np.cos(turn), 0.0)
    whole = np.mean(np.sum(facets * facing * np.sin(tilt), axis=1)) * (1.57 / 3999.0) * 2.0 * math.pi
    apparent = float(_let_out(replace(sections(1)[0], rough=Facets(rough, 2.0), lost=1.0), np.array(view)))
    assert whole * apparent == pytest.approx(math.cos(view), rel=0.01)


@pytest.mark.parametrize("px_per_mm", [9.0, 18.0, 25.0, 27.0, 38.0])
def test_a_step_of_light_is_photographed_where_it_is(px_per_mm):
    at, _, _ = light_across(sections(1)[0])
    light = np.tile(np.where(at < 0.0, 0.1, 0.2), (3, 1))
    half_way = []
    for k in range(20):
        places = np.arange(-1.5 + k / 20.0 / px_per_mm, 2.0, 1.0 / px_per_mm)
        apparent = _decoded(_developed(at, light, places, (0.8 / px_per_mm, px_per_mm, (0.0, 1.2))))
        half_way.append(np.interp(0.15, apparent[1], places))
    assert abs(np.mean(half_way)) < 0.001


def test_a_colour_has_the_warmth_asked_for_and_luminance_1():
    for warm in (-0.2, 0.0, 1.3):
        colour = tint(warm, 0.4)
        assert math.log(colour[0] / colour[2]) == pytest.approx(warm)
        assert LUMINANCE @ colour == pytest.approx(1.0)


@pytest.mark.parametrize("halved", [0, 1])
def test_a_file_that_halves_colour_keeps_brightness_and_even_colours(halved):
    """Against OpenCV's own JPEG files with colour at half the pixels, at their best quality."""
    ramp = np.linspace(0.25, 0.7, 64)
    step = np.where(np.arange(64) < 31 + halved, 0.0, 0.1)
    code = np.stack([ramp + step, ramp, ramp - step])
    ours = _kept(code, (0, 0.0))
    picture = np.round(255.0 * np.tile(code[::-1].T, (16, 1, 1))).astype(np.uint8)
    how = [cv2.IMWRITE_JPEG_QUALITY, 100, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420]
    theirs = cv2.imdecode(cv2.imencode(".jpg", picture, how)[1], cv2.IMREAD_COLOR)[8, :, ::-1].T / 255.0
    assert _LUMA @ _coded(ours) == pytest.approx(_LUMA @ code, abs=1e-9)
    assert _coded(ours) == pytest.approx(theirs, abs=0.02)  # whole codes, and their own straight lines
    assert np.abs(_kept(code, (None, 0.0)) - _decoded(code)).max() == 0.0


# -- what was learnt of it ---------------------------------------------------------------------------------------------


def test_the_stated_probability_comes_true_both_ways():
    inside, width = [], []
    for edge in draw_edges(400, seed=77):
        p = density_of(edge)
        below = np.cumsum(p) / p.sum()
        at = np.interp([0.025, 0.975], below, PLACES)
        inside.append(at[0] <= 0.0 <= at[1])
        width.append(at[1] - at[0])
    assert 0.90 <= np.mean(inside) <= 0.99
    assert np.median(width) < 0.25


def test_most_edges_are_found_to_a_pixel():
    edges = [e for e in draw_edges(200, seed=78) if e.px_per_mm > 20.0]
    off = [abs(PLACES[density_of(e).argmax()]) * e.px_per_mm for e in edges]
    assert np.median(off) < 1.0


def test_the_nut_side_is_the_mirror_image_of_the_body_side():
    nut, body = draw_edges(4, seed=3)[::2]
    at = np.arange(-2.4, 2.4, 0.04)
    y, grain, warmth = (
        np.where(at < 0.0, np.interp(-at - 1.2, nut.at_mm, a), np.interp(at - 1.2, body.at_mm, b))
        for a, b in ((nut.log_light, body.log_light), (nut.grain, body.grain), (nut.warmth, body.warmth))
    )
    straight, u, part = (0.0, 0.0, 0.0, 0.0), (0.05, 0.05), (y[None], at[:1])
    unseen = (EdgeCourse(*np.zeros((3, len(at)))),)
    there = CrownProfile(at, y, *straight, (grain, grain), u, warmth, unseen, 96, 25.0, *part)
    mirrored = (grain[::-1], grain[::-1])
    back = CrownProfile(-at[::-1], y[::-1], *straight, mirrored, u, warmth[::-1], unseen, 96, 25.0, *part)
    (one,), (other,) = (crown_edge_likelihoods([p], [v])[0][0] for p, v in ((there, 0.1), (back, -0.1)))
    assert one[0].across_mm == pytest.approx(-other[1].across_mm[::-1])
    assert one[0].log_likelihood == pytest.approx(other[1].log_likelihood[::-1], abs=0.05)


def test_a_soft_photo_is_judged_truer_as_one_of_fewer_pixels():
    """Edges blurred by 1.8 px more than a sharp photo's: the finder knows the blur of more pixels to the millimetre."""
    edges = [_softened(e, 1.8) for e in draw_edges(600, seed=81) if e.px_per_mm > 20.0]
    coarser = math.hypot(1.8, SHARP_PX) / _TAUGHT_PX
    told, untold = (
        np.mean([np.log(np.interp(0.0, PLACES, density_of(replace(e, px_per_mm=e.px_per_mm / k)))) for e in edges])
        for k in (coarser, 1.0)
    )
    assert told > untold + 0.1


def _softened(edge, blur_px):
    pixel = 1.0 / edge.px_per_mm / (edge.at_mm[1] - edge.at_mm[0])
    return replace(edge, log_light=np.log(gaussian_filter1d(np.exp(edge.log_light), blur_px * pixel, mode="nearest")))


def test_crowns_are_no_sharper_than_the_scale_s_print():
    edge = draw_edges(1, seed=4)[0]
    at = np.arange(-2.4, 2.4, 0.04)
    light, grain = (np.interp(np.abs(at) - 1.2, edge.at_mm, y) for y in (edge.log_light, edge.grain))
    unseen = (EdgeCourse(*np.zeros((3, len(at)))),)
    about = 0.0, 0.0, 0.0, 0.0, (grain, grain), (0.05, 0.05), 0.0 * at, unseen, 96, 25.0, light[None], at[:1]
    profile = CrownProfile(at, light, *about)
    alone, with_print = (crown_edge_likelihoods([profile], [0.0], px)[2] * SHARP_PX for px in (0.0, 4.0))
    assert alone < with_print == pytest.approx(4.0)


def test_how_light_the_photo_is_changes_nothing_but_one_number():
    edge = draw_edges(1, seed=4)[0]
    dark, light = (foot_features(replace(edge, log_light=edge.log_light + more), PLACES) for more in (0.0, 0.5))
    assert dark.shape == (len(PLACES), 3 * len(OFFSETS_MM) + 5)
    assert light[:, : len(OFFSETS_MM)] == pytest.approx(dark[:, : len(OFFSETS_MM)], abs=1e-5)


def test_grain_that_is_not_known_says_nothing():
    edge = draw_edges(1, seed=4)[0]
    one, other = (foot_features(replace(edge, grain=g, grain_u=1.0), PLACES) for g in (edge.grain, 0.0 * edge.grain))
    assert one == pytest.approx(other)


def test_colour_is_shown_as_it_differs_from_the_open_board():
    edge = draw_edges(1, seed=4)[0]
    one, other = (foot_features(replace(edge, warmth=edge.warmth + more), PLACES) for more in (0.0, 0.3))
    changed = np.flatnonzero(np.abs(one - other).max(axis=0) > 1e-5)
    assert changed == pytest.approx([3 * len(OFFSETS_MM) + 2])  # only how warm the board itself is


def test_colour_shows_edges_that_the_light_alone_hides():
    """Wood is warm in light and shadow alike: in colour more edges must be found than in a grey photo."""
    edges = [e for e in draw_edges(600, seed=80) if e.warmth.any()]
    coloured, grey = (
        np.mean([np.log(np.interp(0.0, PLACES, density_of(replace(e, warmth=k * e.warmth)))) for e in edges])
        for k in (1.0, 0.0)
    )
    assert coloured > grey + 0.1  # a tenth likelier that it is put where it is


def test_grain_shows_edges_that_the_light_alone_hides():
    """Wood's streaks end at the metal whatever the lamps do: known well, they must find more edges than not at all."""
    edges = [e for e in draw_edges(600, seed=79) if e.grain_u < 0.05]
    with_grain, without = (
        np.mean([np.log(np.interp(0.0, PLACES, density_of(replace(e, grain_u=u or e.grain_u)))) for e in edges])
        for u in (None, 1.0)
    )
    assert with_grain > without + 0.1  # a tenth likelier that it is put where it is


def test_it_can_be_learnt_again():
    edges = draw_edges(384, seed=9)
    windows = some_places_about(edges, seed=9)
    lost = [loss for loss, _ in learn(windows, epochs=6)]
    assert lost[-1] < lost[0] < math.log(len(PLACES_MM)) + 1.0
    *_, (_, layers) = learn(windows, epochs=1)
    assert score(layers, places_about(edges[:5])).shape == (5, len(PLACES_MM))


def test_where_dirt_hides_feet_the_finder_taught_with_dirt_is_likelier_right():
    edges = draw_edges(400, seed=81, bench=True)
    clean, bench = (
        np.mean([np.interp(0.0, PLACES, foot_likelihood(e, PLACES, on).log_likelihood) for e in edges])
        for on in (False, True)
    )
    assert bench > clean + 0.3


def edges_of(width: float) -> tuple[EdgeLikelihood, EdgeLikelihood]:
    """Both edges of a crown seen straight from above, good to 0.02 mm."""
    at = np.linspace(0.2, 2.7, 251)
    likely = -0.5 * ((at - width / 2.0) / 0.02) ** 2
    return EdgeLikelihood(-at[::-1], likely[::-1]), EdgeLikelihood(at, likely)


def test_where_finders_differ_the_uncertainty_holds_both():
    metal, dirt = [edges_of(2.3)] * 6, [edges_of(2.6)] * 6
    even = [0.5, 0.5]
    asked = ([metal], [1.0]), ([metal, metal], even), ([metal, dirt], even), ([metal, dirt], [1.0, 0.0])
    alone, agreed, torn, told = (fit_crowns(*by, [0.0] * 6, 1.1, 20.0)[0] for by in asked)
    assert told == alone
    assert (agreed.width, agreed.u_width) == pytest.approx((alone.width, alone.u_width))
    assert alone.width == pytest.approx(2.3, abs=0.01)
    assert torn.width - 2.0 * torn.u_width < 2.3
    assert torn.width + 2.0 * torn.u_width > 2.6


def two_places(width: float, wider: float, likelier: float) -> tuple[EdgeLikelihood, EdgeLikelihood]:
    """Both edges of a crown whose feet are each seen at one of two places, the outer so many times as likely."""
    (nut, body), (_, farther) = edges_of(width), edges_of(wider)
    both = np.logaddexp(body.log_likelihood, farther.log_likelihood + math.log(likelier))
    return EdgeLikelihood(nut.across_mm, both[::-1]), EdgeLikelihood(body.across_mm, both)


def test_many_crowns_that_may_all_be_misled_alike_are_no_surer_than_one():
    """A dark line at every foot: dirt beside the metal or the metal's flank, and what takes it for one does at all."""
    torn, clear = ([two_places(2.2, 2.45, 2.0)] * 8, [edges_of(2.2)] * 8)
    crowns, plain = (fit_crowns([edges], [1.0], [0.0] * 8, 1.1, 12.0) for edges in (torn, clear))
    for f in crowns:
        assert f.width - 2.0 * f.u_width < 2.2 < 2.45 < f.width + 2.0 * f.u_width
    assert all(f.width == pytest.approx(2.2, abs=0.005) and f.u_width < 0.035 for f in plain)


def test_what_the_others_are_told_by_says_nothing_of_a_fret_of_other_wire():
    alone, *others = fit_crowns([[edges_of(2.9), *[edges_of(2.3)] * 7]], [1.0], [0.0] * 8, 1.1, 12.0)
    assert alone.width == pytest.approx(2.9, abs=0.005)
    assert alone.u_width < 0.04
    assert not alone.same_wire
    assert all(f.same_wire and abs(f.width - 2.3) < 2.0 * f.u_width for f in others)
