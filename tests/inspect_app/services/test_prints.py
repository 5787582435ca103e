"""Prints by number and the gauges that measure them: factor, uncertainty, and what hand readings take from a gauge."""

import json
import math
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from calib.scales.ask import u_of_air
from inspect_app import services
from inspect_app.cli import main
from inspect_app.services.gauges import add_gauge, gauges, retire_gauge, use_gauge
from inspect_app.services.heights import fret_heights, write_fret_heights
from shared.errors import OptionError


def test_a_print_is_unverified_until_its_bar_is_measured(store):
    new = services.new_print(store, "strip", "laser, tray 2")
    assert (new.verified, new.factor, new.measured) == (False, 1.0, None)
    assert 2.0 * new.u_factor == pytest.approx(0.03)  # what printers are off by
    gauge = add_gauge(store, "bench", "calliper", 0.01, 0.012)
    done = services.measure_print(store, new.id, 99.8, gauge.id, humidity=45.0)
    assert (done.verified, done.factor, done.gauge, done.humidity) == (True, pytest.approx(0.998), "bench", 45.0)
    read = math.hypot(0.012, 0.01 / math.sqrt(12.0), 0.03) / 100.0
    assert done.u_factor == pytest.approx(math.hypot(read, u_of_air(45.0)))
    again = services.measure_print(store, new.id, 99.9)
    assert (again.factor, again.u_factor) == (pytest.approx(0.999), pytest.approx(math.hypot(5e-4, u_of_air(None))))
    services.retire_print(store, new.id)
    assert [p.retired for p in services.prints(store)] == [True]
    with pytest.raises(OptionError, match="is retired"):
        services.print_numbered(store, new.id)


def test_paper_that_was_measured_in_drier_air_has_grown_by_now():
    """Drawn: air of 40 % to 60 % now, paper that grows by 0.1 % to 0.4 % from 33 % to 66 %."""
    rng = np.random.default_rng(1)
    grows, now = rng.uniform(0.001, 0.004, 100_000) / 33.0, rng.uniform(40.0, 60.0, 100_000)
    for then in (30.0, 50.0):
        assert u_of_air(then) == pytest.approx(np.sqrt(np.mean((grows * (now - then)) ** 2)), rel=0.01)
    unknown = rng.uniform(40.0, 60.0, 100_000)
    assert u_of_air(None) == pytest.approx(np.std(grows * (now - unknown)), rel=0.01)
    assert u_of_air(50.0) < u_of_air(None) < u_of_air(30.0)


def test_readings_of_a_bar_that_cannot_be_are_refused(store):
    new = services.new_print(store, "backdrop")
    with pytest.raises(OptionError, match="can't be right"):
        services.measure_print(store, new.id, 47.0)
    with pytest.raises(OptionError, match="humidity of 140"):
        services.measure_print(store, new.id, 100.0, humidity=140.0)
    with pytest.raises(OptionError, match="no gauge 9"):
        services.measure_print(store, new.id, 100.0, gauge_id=9)
    with pytest.raises(OptionError, match="no print 9"):
        services.print_numbered(store, 9)
    with pytest.raises(OptionError, match="no printed scale"):
        services.new_print(store, "rule")
    assert not services.print_numbered(store, new.id).verified


def test_gauges_are_entered_used_and_retired(store):
    one = add_gauge(store, " bench calliper ", "calliper", 0.01, 0.012, date(2026, 3, 1))
    assert (one.name, one.in_use, one.calibrated) == ("bench calliper", False, date(2026, 3, 1))
    use_gauge(store, one.id)
    assert [g.in_use for g in gauges(store)] == [True]
    retire_gauge(store, one.id)
    assert [(g.in_use, g.retired) for g in gauges(store)] == [(False, True)]
    with pytest.raises(OptionError, match="is retired"):
        use_gauge(store, one.id)
    for bad in (("", "calliper", 0.01, 0.01), ("x", "stick", 0.01, 0.01), ("x", "rule", 0.0, 0.1), ("x", "rule", 1, 9)):
        with pytest.raises(OptionError, match=r"no name|no kind of gauge|not possible"):
            add_gauge(store, *bad)


def test_heights_read_with_a_chosen_gauge_carry_its_uncertainty(store, make_jpeg):
    job = services.create_job(store, services.JobDetails(customer="A", instrument=services.InstrumentDetails("B")))
    services.add_photo(store, job, make_jpeg(1), "a.jpg")
    write_fret_heights(store, job, {1: 1.10}, services.FIRST_VISIT)
    fine = add_gauge(store, "micrometer stand", "calliper", 0.001, 0.002)
    use_gauge(store, fine.id)
    write_fret_heights(store, job, {2: 1.11}, services.FIRST_VISIT)
    before, after = fret_heights(store, job)[1], fret_heights(store, job)[2]
    assert before.u == pytest.approx(0.03)
    shared = next(c for c in after.contributions if c.source == "calliper")
    assert (shared.u, shared.of) == (0.002, f"gauge {fine.id}")
    assert after.u < before.u
    retire_gauge(store, fine.id)
    assert fret_heights(store, job)[2].u == after.u  # what it read stays as it was


def test_prints_and_gauges_by_command(tmp_path, capsys):
    data = ["--data", str(tmp_path / "shop")]
    assert main(["gauges", *data]) == 0
    assert (
        main(["gauges", "--add", "bench", "--resolution", "0.01", "--u", "0.012", "--calibrated", "2026-03-01", *data])
        == 0
    )
    assert "bench   calliper   0.01 mm    0.012 mm   2026-03-01" in capsys.readouterr().out
    assert main(["prints", "--add", "strip", *data]) == 0
    said = capsys.readouterr().out
    assert "Write 1 on the face of this strip." in said
    assert "not measured" in said
    assert "3 %" in said
    assert main(["prints", "1", "--bar", "99.8", "--gauge", "1", "--humidity", "45", *data]) == 0
    said = capsys.readouterr().out
    assert "99.8 mm" in said
    assert "0.9980" in said
    assert main(["gauges", "--use", "1", *data]) == 0
    assert "in use" in capsys.readouterr().out
    assert main(["prints", "--retire", "1", *data]) == 0
    assert "retired" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["prints", "--bar", "99"], "which print is meant"),
        (["prints", "7", "--bar", "99"], "no print 7"),
        (["gauges", "--add", "x"], "Give --resolution MM and --u MM"),
        (
            ["gauges", "--add", "x", "--resolution", "0.01", "--u", "0.01", "--calibrated", "May"],
            "Write it as YYYY-MM-DD",
        ),
    ],
)
def test_what_is_missing_is_said(tmp_path, words, sentence, capsys):
    assert main([*words, "--data", str(tmp_path / "shop")]) == 2
    assert sentence in capsys.readouterr().err


@pytest.mark.slow
def test_photos_are_measured_with_a_print_of_the_shop(tmp_path, capsys):
    data, out = ["--data", str(tmp_path / "shop")], tmp_path / "a.json"
    photo = str(Path(__file__).parents[3] / "sample_images" / "intake-section.jpg")
    ask = ["measure", photo, "--view", "section", "--json", str(out), *data, "--print", "1"]
    assert main(["prints", "--add", "backdrop", *data]) == 0
    assert main(ask) == 0
    rough = json.loads(out.read_text())
    assert "PRINT_UNVERIFIED" in rough["flags"]
    width = rough["frets"][0]["crown_width"]
    assert width["u"] > 0.015 * width["value"]
    assert main(["prints", "1", "--bar", "99.8", *data]) == 0
    assert main(ask) == 0
    fine = json.loads(out.read_text())
    assert "PRINT_UNVERIFIED" not in fine["flags"]
    assert fine["frets"][0]["crown_width"]["value"] == pytest.approx(0.998 * width["value"], rel=1e-3)
    assert fine["frets"][0]["crown_width"]["u"] < 0.5 * width["u"]
    capsys.readouterr()
    assert main([*ask, "--scale", "rule"]) == 2
    assert main([*ask, "--scale-factor", "0.99"]) == 2
    said = capsys.readouterr().err
    assert "Print 1 is a backdrop" in said
    assert "factor is given twice" in said


def test_a_sheet_gets_three_numbers_and_photos_are_told_of_all_prints(store, make_jpeg):
    numbers = services.new_sheet(store)
    assert numbers == {"strip": 1, "backdrop": 2, "tongue": 3}
    services.measure_print(store, 1, 98.0)
    services.measure_print(store, 2, 99.9)
    services.retire_print(store, 2)
    job = services.create_job(store, services.JobDetails(customer="A", instrument=services.InstrumentDetails("B")))
    photo = services.add_photo(store, job, make_jpeg(1), "a.jpg").photo
    strip, backdrop, _ = services.suggested_ask(store, photo.id).scale.prints
    assert (strip.number, strip.kind, strip.factor) == (1, "strip", pytest.approx(0.98))
    assert strip.u_factor == services.print_numbered(store, 1).u_factor
    assert (backdrop.number, backdrop.u_factor) == (2, 0.015)  # retired: no longer relied on


def test_a_sheet_by_command_has_its_numbers_in_it(tmp_path, capsys):
    data, out = ["--data", str(tmp_path / "shop")], tmp_path / "sheet.pdf"
    assert main(["prints", "--add", "sheet", "--out", str(out), *data]) == 0
    assert "strip no. 1, backdrop no. 2, tongue no. 3" in capsys.readouterr().out
    assert out.read_bytes().startswith(b"%PDF")
    assert main(["prints", "--add", "sheet", *data]) == 2
    assert "with --out FILE" in capsys.readouterr().err
