"""The picture of a repeat study."""

from itertools import pairwise
from xml.etree import ElementTree

import pytest

from inspect_app.decide.precision import pooled_precision
from inspect_app.decide.repeat_study import StudyRow
from inspect_app.report.study_plot import study_plot

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize(("people", "frets"), [(1, 1), (2, 6), (8, 24)])
def test_every_reading_is_drawn_and_no_name_stands_on_another_or_outside(people, frets):
    values = {
        f"fret {n}": {f"person {k}": [1.0 + 0.01 * k, 1.02 + 0.01 * n] for k in range(people)}
        for n in range(1, frets + 1)
    }
    row = StudyRow("crown width", "mm", pooled_precision(values), 0.02, 0.0, values)
    drawn = ElementTree.fromstring(study_plot([row]))
    marks = [m for m in drawn.iter(f"{SVG}path") if m.get("class") == "mark"]
    dots = [float(m.get("transform")[len("translate(") : -1].split()[0]) for m in marks]
    assert len({(m.get("fill"), m.get("d")) for m in marks}) == min(people, 6)  # a colour never without its mark
    assert len({m.get("d") for m in marks}) == min(people, 6)
    assert len(dots) == people + 2 * people * frets
    assert max(dots) < float(drawn.get("width"))
    named = [float(t.get("x")) for t in drawn.iter(f"{SVG}text") if t.text.startswith("fret")]
    assert named
    assert all(b - a >= 40.0 for a, b in pairwise(named))  # as wide as "fret 24" in 12 px
