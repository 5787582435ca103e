"""What is read around an end: light in logarithm, what hides it, and which of board, bevel and crown it agrees with."""

import math
from dataclasses import replace

import numpy as np
import pytest

from inspect_app.measure.plan.end_light import (
    ExpectedEnd,
    alongside_log_density,
    bevel_log_density,
    board_log_density,
    crown_log_density,
    darker_alongside,
    end_light,
    noise_level,
)
from inspect_app.measure.plan.fret_patch import LUMINANCE_BGR
from tests.inspect_app.measure.plan.end_pictures import End, cover_of, crown_of, draw, frame_of

REACH = (2.0, 4.0)


def light_of(end, photo=None):
    edges, at = crown_of(end).apparent, ExpectedEnd(end.at, end.outward)
    return end_light(photo or draw(end), cover_of(end), frame_of(end), edges, at, REACH, end.px_per_mm)


def plain(code):
    photo = draw(End())
    return light_of(End(), replace(photo, bgr=np.full_like(photo.bgr, code)))


@pytest.mark.parametrize(("code", "light"), [(0, 0.0), (128, 0.215861), (188, 0.502886), (255, 1.0)])
def test_light_is_linear_and_grey_has_no_colour(code, light):
    # sRGB codes to linear light by IEC 61966-2-1, worked out by hand: ((c / 255 + 0.055) / 1.055)^2.4
    e = plain(code)
    assert np.exp(e.strips[0]) - 0.01 == pytest.approx(light, abs=1e-5)
    assert e.strips[1:] == pytest.approx(0.0, abs=1e-6)
    assert e.beside[:, 1:] == pytest.approx(0.0, abs=1e-6)


def test_rows_count_inwards_and_strips_span_the_crown():
    end = End()
    e = light_of(end)
    assert e.inward_mm[0] == pytest.approx(-REACH[0])
    assert e.strips.shape == (3, len(e.inward_mm), len(e.across_mm))
    assert np.abs(e.across_mm).max() < end.width / 2.0
    outside, inside = e.strips[0][e.inward_mm < -0.2], e.strips[0][e.inward_mm > 1.0]
    assert outside.std(axis=1).mean() < 0.3 * inside.std(axis=1).mean()  # a crown's light varies across it


def test_rows_beneath_the_scale_and_close_to_it_are_hidden():
    e = light_of(End(cover=-0.5))
    place = e.inward_mm  # the treble end, at 0, lies towards smaller along
    assert not e.visible[place < -0.55].any()
    assert e.visible[place > -0.2].all()
    assert not e.beside_visible[:, place < -0.55].any()


def test_rows_outside_the_photo_are_hidden():
    end = End()
    photo = draw(end)
    cut = photo.bgr[: photo.height // 2 + round(0.5 * end.px_per_mm)].copy()
    cut.flags.writeable = False
    e = light_of(end, replace(photo, bgr=cut))
    assert not e.visible[e.inward_mm < -0.6].any()
    assert e.visible[e.inward_mm > -0.4].all()


def test_each_part_agrees_best_with_what_it_is():
    end = End(bevel=35.0, margin=0.6)
    e = light_of(end)
    noise = noise_level(e)
    middle = slice(2, -2)
    board, crown = (fit(e, noise)[:, middle].mean(axis=1) for fit in (board_log_density, crown_log_density))
    face = bevel_log_density(e, noise, middle)[0] / e.strips[0, :, middle].shape[1]
    where = e.inward_mm
    outside, bevel, inside = (where < -0.15) & (where > -0.5), (where > 0.1) & (where < 0.4), where > 1.2
    assert board[outside].mean() > max(crown[outside].mean(), face[outside].mean())
    assert face[bevel].mean() > max(crown[bevel].mean(), board[bevel].mean())
    deep = inside & (where < 3.0)  # a crown is judged by what lies farther in
    assert crown[deep].mean() > max(face[deep].mean(), board[deep].mean())


def test_a_shadow_agrees_with_board_and_another_colour_does_not():
    end = End(grain=0.0)
    e = light_of(end)
    before = (e.inward_mm < -0.1) & (e.inward_mm > -0.28)
    noise = noise_level(e)

    def with_change(brightness, colour):
        strips = e.strips.copy()
        strips[:, before] += np.array([brightness, colour, colour])[:, None, None]
        return board_log_density(replace(e, strips=strips), noise)[before].mean()

    shaded, brighter, grey = with_change(-0.7, 0.0), with_change(0.7, 0.0), with_change(-0.7, 0.5)
    assert shaded > brighter + 1.0
    assert shaded > grey + 1.0


def test_noise_is_told_in_codes():
    said = [float(noise_level(light_of(End(noise=n)))[0, 0, 0]) for n in (1.0, 4.0)]
    # the mean of three samples, each between four pixels: at most 1 / sqrt(3) of a pixel's noise
    assert 1.5 < said[1] / said[0] < 5.0
    assert said[1] < 4.0 / math.sqrt(3.0)


GREASE = (0.03, 0.045, 0.06)
"""Blue, green, red."""


def test_dirt_along_a_fret_is_darker_than_half_a_sky_leaves_the_board():
    clean, coated = light_of(End()), light_of(End(coat=(0.15, GREASE)))
    assert 0.0 < darker_alongside(clean) < math.log(2.0) < darker_alongside(coated)
    assert coated.alongside[:, 0] == pytest.approx(
        float(np.log(np.array(GREASE) @ LUMINANCE_BGR.ravel() + 0.01)), abs=0.3
    )


def test_a_shadow_on_one_side_of_a_fret_is_no_dirt():
    e = light_of(End())
    alongside = e.alongside.copy()
    alongside[1, 0] -= 1.5
    assert darker_alongside(replace(e, alongside=alongside)) == pytest.approx(darker_alongside(e), abs=0.3)


def test_where_a_side_is_hidden_nothing_is_said_of_dirt():
    e = light_of(End())
    assert darker_alongside(replace(e, beside_visible=np.zeros_like(e.beside_visible))) is None


def test_dirt_before_an_end_agrees_with_that_along_its_sides():
    e = light_of(End(coat=(0.4, GREASE), margin=0.8))
    fit = alongside_log_density(e, noise_level(e))
    where = e.inward_mm
    assert fit[(where < -0.1) & (where > -0.3)].mean() > fit[(where < -0.5) & (where > -0.7)].mean() + 1.0
