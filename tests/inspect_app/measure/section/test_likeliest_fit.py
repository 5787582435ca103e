"""Which edges a section's outline is fitted to, where marks on the face or its body lie beside them: drawn photos."""

import dataclasses

import numpy as np
import pytest

from inspect_app.measure import calibrate, measure
from inspect_app.measure.section import body_strip, likeliest_fit, outline_fit
from inspect_app.measure.section.body_strip import WIDEST_MM, unseen_strips
from inspect_app.measure.section.face import find_faces
from inspect_app.measure.section.face_edges import innermost
from inspect_app.measure.section.likeliest_fit import FINER_PX_PER_MM, fit_section
from inspect_app.measure.section.outline_fit import CLEAR_MM, FIRST, fit_face
from tests.inspect_app.measure.section.wire_pictures import Scene, Wire, draw, section_ask

pytestmark = pytest.mark.slow

WORN = Wire(level=0.2)
ENDS = ((-0.62, -0.3), (-0.25, 0.0), (0.05, 0.3), (0.35, 0.6))
"""Of four marks across the flat of `WORN`, one beside the other."""


def marked(width, tone, below):
    """A worn end with level marks under its flat, each `below` (mm) it or a little more, before a dark ground."""
    top = WORN.height - WORN.level
    lower = (0.0, 0.02, 0.04, 0.01)
    marks = tuple((top - below - d - width / 2.0, width, *ends) for d, ends in zip(lower, ENDS, strict=True))
    face = Scene().face
    return Scene(WORN, look=(0.0, 0.0), body=(0.006,) * 3, noise=0.003, marks=marks, mark=tuple(tone * v for v in face))


def looked_at(scene):
    photo = draw(scene)
    return photo, *calibrate(photo, section_ask())


def test_marks_further_in_than_the_flat_are_not_taken_for_it():
    """The innermost edges of a face lie on its marks; the nearest lie on all of its outline."""
    photo, scale, plane = looked_at(marked(0.14, 0.95, 0.02))
    face = find_faces(photo, scale, plane)[0]
    assert fit_face(photo, plane, face.shape, FIRST[0], innermost) is None
    seen = fit_section(photo, scale, plane)
    assert seen.shape.height == pytest.approx(WORN.height - WORN.level, abs=0.003)
    assert seen.shown[seen.sides.index(("flat", 0))] > 0.9


def test_a_flat_that_lies_on_marks_by_chance_is_not_measured():
    """Half of its rows show a mark within the search, and no two marks in one line: nothing is said of the flat."""
    answer = measure(draw(marked(0.09, 0.9, 0.02)), section_ask())
    (fret,) = answer.frets
    assert fret.flat_width is fret.crown_height is None
    reasons = {str(n.what): n.reason for n in answer.not_measured}
    assert "marks on the wire's end" in reasons["fret 5, crown height"]
    for name in ("crown_width", "crown_radius", "tang_width", "tang_depth"):
        got = getattr(fret, name)
        assert abs(got.value - WORN.truth()[name]) <= got.expanded < 0.03, name


@pytest.fixture(scope="module")
def turned():
    """A worn end whose body shows 0.78 to 0.85 mm below it."""
    return looked_at(Scene(WORN, ground=(0.62,) * 3, smear=(0.0, -0.75), look=(0.0, 0.0), px_per_mm=80.0))


def test_a_face_that_a_coarse_picture_does_not_show_is_looked_for_in_a_finer_one(turned, monkeypatch):
    photo, scale, plane = turned
    tried = []

    def only_fine(photo, scale, plane, coarse):
        tried.append(coarse)
        return find_faces(photo, scale, plane, coarse) if coarse == FINER_PX_PER_MM else []

    monkeypatch.setattr(likeliest_fit, "find_faces", only_fine)
    seen = fit_section(photo, scale, plane)
    assert len(tried) == 2
    assert seen.shape.height == pytest.approx(WORN.height - WORN.level, abs=0.01)


def test_a_body_that_shows_further_below_than_is_looked_at_first_hides_nothing(turned, monkeypatch):
    """Its strip is wider than `WIDEST_MM`, and its far edge is there where that is looked for."""
    photo, scale, plane = turned
    shape = fit_section(photo, scale, plane).shape
    wide = np.array([0.0, 0.83, -0.02])
    assert wide[1] > WIDEST_MM
    monkeypatch.setattr(body_strip, "_shift", lambda rows, at, found: (wide, 4e-4 * np.eye(3)))
    assert unseen_strips(photo, plane, shape, CLEAR_MM) == {}
    near = body_strip._look_outside
    monkeypatch.setattr(body_strip, "_look_outside", lambda *a: near(*a[:-1], WIDEST_MM))
    assert set(unseen_strips(photo, plane, shape, CLEAR_MM)) >= {("underside", -1), ("underside", 1)}


@pytest.mark.parametrize(("soft", "left_out"), [("side", {"side"}), ("arc", {"arc", "side"})])
def test_a_soft_arc_tells_of_the_tang_beside_it_but_a_soft_tang_not_of_the_arc(turned, monkeypatch, soft, left_out):
    """A body that shows beside the arc shows beside the tang too; beside the tang a barb behind it may show alone."""
    photo, scale, plane = turned
    shape = fit_section(photo, scale, plane).shape
    fits, fit_sides = [], outline_fit._fit_sides
    monkeypatch.setattr(outline_fit, "softer", lambda *_: frozenset({(soft, -1)}))
    monkeypatch.setattr(outline_fit, "_fit_sides", lambda *a: fits.append(a[5:]) or fit_sides(*a))
    fit_face(photo, plane, shape, FIRST[0])
    assert (frozenset((piece, -1) for piece in left_out),) in fits


def test_an_outline_whose_undersides_are_both_soft_comes_after_one_that_shows_a_sharp_one(turned):
    """The far end of a body below has undersides too, a little out of focus, and a foot."""
    photo, scale, plane = turned
    sharp = fit_section(photo, scale, plane)
    one, both = (
        dataclasses.replace(sharp, soft=frozenset(("underside", side) for side in sides)) for sides in ((1,), (-1, 1))
    )
    fewer = dataclasses.replace(sharp, support=0.9 * sharp.support)
    evidence = likeliest_fit._evidence
    assert evidence(sharp) == evidence(one) > evidence(fewer) > evidence(both)
