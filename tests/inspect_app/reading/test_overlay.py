"""Drawing an answer on its photo: in the right place, readable on any wood, the photo itself untouched."""

from dataclasses import replace

import numpy as np
import pytest

from inspect_app.reading.inspection import Outline
from inspect_app.reading.key import parse_key
from inspect_app.reading.overlay import draw
from inspect_app.reading.quantities import QUANTITIES


def photo(level, size=(600, 800)):
    pixels = np.full((*size, 3), level, np.uint8)
    pixels.flags.writeable = False
    return pixels


def one_line(make_answer, name, points, closed=False):
    answer = make_answer(frets=(5,))
    fret = replace(answer.frets[0], outlines=(Outline(name, points, closed, parse_key("fret 5, length")),))
    return replace(answer, frets=(fret,), scale=None)


def test_the_photo_itself_is_left_alone_and_keeps_its_size(make_answer):
    before = photo(90)
    after = draw(before, make_answer())
    assert after.shape == before.shape
    assert after.dtype == np.uint8
    assert (before == 90).all()


def test_a_line_lies_where_its_points_are(make_answer):
    after = draw(photo(90), one_line(make_answer, "crown_edge", ((200.25, 300.0), (600.75, 300.0))))
    rows, columns = np.nonzero((after != 90).any(axis=2))
    columns, rows = columns[rows >= 296], rows[rows >= 296]  # the label is over the line's highest point
    assert abs(rows.mean() - 300.0) < 0.6
    assert columns.min() == pytest.approx(200, abs=4)
    assert columns.max() == pytest.approx(601, abs=4)
    assert rows.max() <= 305


@pytest.mark.parametrize("wood", [10, 60, 128, 200, 250])
def test_every_kind_of_line_stands_out_on_every_wood(make_answer, wood):
    """The stroke holds a light and a dark tone, so one of them differs from any wood by over a third of the range."""
    for name in sorted({line.name for q in QUANTITIES for line in q.lines} | {"scale", "something new"}):
        after = draw(photo(wood), one_line(make_answer, name, ((50.0, 400.0), (750.0, 400.0))))
        band = after[390:411, 100:700].astype(int).mean(axis=2)
        assert np.abs(band - wood).max() > 85, name


def test_kinds_are_told_apart_without_colour(make_answer):
    """The same line, its colours thrown away, differs between kinds that meet on one photo."""
    gray = {}
    for name in ("crown_edge", "fret_end", "flat", "divot", "arc", "scale"):
        drawn = draw(photo(128), one_line(make_answer, name, ((50.0, 400.0), (750.0, 400.0))))
        gray[name] = (drawn[400, 60:740].mean(axis=1) > 60).mean().round(2)
    assert gray["crown_edge"] != gray["fret_end"]
    assert gray["flat"] != gray["divot"]
    assert gray["crown_edge"] != gray["scale"]


def test_labels_stay_inside_the_picture(make_answer):
    after = draw(photo(90), one_line(make_answer, "crown_edge", ((0.0, 0.0), (0.0, 50.0))))
    assert (after[:60, :80] == 255).any()


def test_outlines_of_one_point_or_none_are_passed_over(make_answer):
    answer = one_line(make_answer, "flat", ((5.0, 5.0),))
    assert draw(photo(90), answer).shape == (600, 800, 3)


def test_a_closed_outline_is_closed(make_answer):
    triangle = ((200.0, 200.0), (400.0, 200.0), (400.0, 400.0))
    after = draw(photo(90), one_line(make_answer, "flat", triangle, closed=True))
    assert (after[298:303, 298:303] != 90).any()  # on the side from the last point to the first
    open_ = draw(photo(90), one_line(make_answer, "flat", triangle))
    assert (open_[298:303, 298:303] == 90).all()
