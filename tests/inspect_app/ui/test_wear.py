"""The wear map's cells, and the lines drawn beside it."""

from itertools import pairwise

import numpy as np
import pytest

from inspect_app.decide.wear import build_wear_map
from inspect_app.decide.wear_scale import NONE_TONE, STEPS, TONES, tone, wear_cell
from inspect_app.instrument.details import Instrument, string_places
from inspect_app.reading.inspection import CameraSummary, Flat, FretReading, Inspection, Outline, PhotoSummary
from inspect_app.reading.key import NotMeasured, on_fret
from inspect_app.ui.look import PAGE_CSS
from inspect_app.ui.profiles import changes, cone, crown_profile, place_of, radius_rows
from inspect_app.ui.wear_table import cells, heat_table
from shared.measured import Measured
from shared.units import show_cell
from tests.inspect_app.conftest import mm

INSTRUMENT = Instrument(640.0, frets=6)
SHA = "0" * 64


def plan(frets, missing=(), sha=SHA):
    return Inspection("plan", PhotoSummary("a", sha, 10, 10), "t", {}, tuple(frets), tuple(missing))


def worn(number, depth, width=0.9):
    """A fret worn under its third string."""
    flat = Flat(mm(string_places(INSTRUMENT, number, 46.0)[2]), mm(4.0), mm(width), mm(depth, 0.005))
    return FretReading(number, length=mm(46.0), crown_width=mm(2.4), flats=(flat,))


def wear(*frets, missing=(), sha=SHA):
    return build_wear_map([plan(frets, missing, sha)], INSTRUMENT, mm(1.1), "section photo")


def test_every_fret_and_string_has_a_cell():
    at = cells(wear(worn(2, 0.08)), "depth", (), "mm")
    assert len(at) == 6 * 6
    assert {c.text for (fret, _), c in at.items() if fret == 5} == {""}
    assert "no photo shows it" in at[5, 1].meaning


def test_a_cell_shows_the_value_in_the_chosen_unit():
    said = [c.text for c in cells(wear(worn(2, 0.0762)), "depth", (), "inch").values() if c.fret == 2]
    assert "3.0" in said


def test_nothing_seen_is_not_the_same_as_not_read():
    at = cells(wear(FretReading(1, length=mm(46.0), crown_width=mm(2.4))), "depth", (), "mm")
    assert at[1, 1].text == "0"
    declined = wear(FretReading(1, crown_width=mm(2.4)), missing=(NotMeasured(on_fret(1, "flats"), "glare"),))
    cell = cells(declined, "depth", (), "mm")[1, 1]
    assert cell.value is None
    assert "glare" in cell.meaning


def test_a_flat_without_depth_opens_its_reading_all_the_same():
    bare = Flat(mm(string_places(INSTRUMENT, 2, 46.0)[2]), mm(4.0), mm(0.9))
    reading = FretReading(2, length=mm(46.0), crown_width=mm(2.4), flats=(bare,))
    seen = build_wear_map([plan((reading,), ())], INSTRUMENT)  # without the crown's height a width tells no depth
    assert cells(seen, "depth", (), "mm")[2, 3].text == "?"
    assert cells(seen, "flat", (), "mm")[2, 3].text == "0.90"


def test_a_spot_is_shown_though_shallower_ones_could_be_missed():
    said = NotMeasured(on_fret(2, "flats"), "narrower ones would not show")
    assert cells(wear(worn(2, 0.08), missing=(said,)), "depth", (), "mm")[2, 3].text == "0.08"


def test_height_left_falls_with_depth():
    at = cells(wear(worn(2, 0.3)), "height", (), "mm")
    values = [c.value for c in at.values() if c.fret == 2 and c.value is not None]
    assert min(values) == pytest.approx(0.8)


@pytest.mark.parametrize("show", ["depth", "flat", "height"])
def test_tones_run_one_way(show):
    values = np.linspace(0.0, 1.6, 200)
    steps = [tone(v, show) for v in values]
    assert steps == sorted(steps, reverse=show == "height")
    assert set(steps) <= set(range(STEPS))


def test_the_table_has_no_markup_from_people():
    hostile = wear(FretReading(1), missing=(NotMeasured(on_fret(1, "flats"), '<img src=x onerror="alert(1)">'),))
    page = heat_table(hostile, "depth", cells(hostile, "depth", (), "mm"), lambda r: {})
    assert "<img" not in page
    assert '<th scope="row">' in page


def test_a_divot_stands_out_of_its_arc_at_its_depth():
    ppm, s = 25.0, np.linspace(-20.0, 20.0, 400)
    arc = np.column_stack([s, (305.0 - np.sqrt(305.0**2 - s**2))]) * ppm + 1000.0
    line = arc.copy()
    line[:, 1] += ppm * 0.12 * np.where(np.abs(s) < 2.0, (1 - (s / 2.0) ** 2) ** 2, 0.0)
    outlines = tuple(Outline(n, tuple(map(tuple, p.tolist()))) for n, p in (("crown_line", line), ("arc", arc)))
    fret = FretReading(5, outlines=outlines)
    seen = Inspection("elevation", PhotoSummary("a", SHA, 9, 9), "t", {}, (fret,),
                      camera=CameraSummary(3000.0, "EXIF", 0.0, 120.0, 4.0, ppm))  # fmt: skip
    place, depth = crown_profile(seen, fret)
    assert depth.max() == pytest.approx(0.12, abs=2e-3)
    assert place[depth.argmax()] == pytest.approx(20.0, abs=0.2)
    assert np.abs(depth[np.abs(place - 20.0) > 3]).max() < 2e-3


def test_a_compound_board_is_told_by_its_cone():
    x = {n: 1.0 - 2.0 ** (-n / 12.0) for n in (1, 5, 9, 12)}
    true = {n: 254.0 + 150.0 * v for n, v in x.items()}
    readings = [Inspection("elevation", PhotoSummary("a", SHA, 9, 9), "t", {},
                           (FretReading(n, crown_line_radius=mm(r, 3.0)),)) for n, r in true.items()]  # fmt: skip
    rows = radius_rows(readings)
    fitted = cone(rows)
    assert fitted.radius(place_of(1)).value == pytest.approx(true[1])
    assert fitted.radius(place_of(12)).value == pytest.approx(true[12])
    design = np.column_stack([np.ones(4), [x[n] for n, _ in rows]])
    cov = np.linalg.inv(design.T @ design / 9.0)  # u = 3 mm each
    assert fitted.radius(place_of(1)).u == pytest.approx(float(np.sqrt(design[0] @ cov @ design[0])))
    assert cone(rows[:2]) is None


def test_a_change_is_told_only_beyond_its_uncertainty():
    before, after = wear(worn(2, 0.08), worn(3, 0.08)), wear(worn(2, 0.15), worn(3, 0.084), sha="1" * 64)
    told = {(c.fret, c.told) for c in changes(before, after)}
    assert told == {(2, True), (3, False)}
    change = next(c for c in changes(before, after) if c.fret == 2).change
    assert change.value == pytest.approx(0.07)
    # edges 0.004 each visit; the scale (0.003) is the same at both and cancels
    assert change.u == pytest.approx(Measured.of(0.0, "mm", a=0.004, b=0.004).u)


def test_paper_and_page_have_the_same_tones():
    css = PAGE_CSS.read_text("utf-8")
    for step, ground in enumerate(TONES):
        assert f".heat .w{step} {{ background: light-dark({ground}," in css
    assert f".heat td.none {{ background: light-dark({NONE_TONE}," in css


def test_tones_grow_darker_in_one_direction():
    def luminance(ground):  # WCAG 2.2, relative luminance
        rgb = [int(ground[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    steps = [luminance(t) for t in TONES]
    assert steps == sorted(steps, reverse=True)
    assert all(a / b > 1.3 for a, b in pairwise(steps))  # told apart in grey


def test_paper_and_page_write_the_same_in_every_cell():
    seen = wear(worn(1, 0.1), FretReading(2, length=mm(46.0), crown_width=mm(2.4)))
    page = cells(seen, "depth", [], "mm")
    assert page
    for (fret, string), cell in page.items():
        assert wear_cell(seen, fret, string, show_cell).text == (cell.text or "·")
