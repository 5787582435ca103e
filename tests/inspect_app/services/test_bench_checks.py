"""Known things and repeat studies kept: on the record, in U of the view, retired."""

from __future__ import annotations

import pytest

from inspect_app import services
from inspect_app.cli import main
from inspect_app.report.bench_checks import bench_check_rows
from inspect_app.report.number_format import NumberFormat
from inspect_app.services.bench_checks import bench_checks, keep_bench_check, own_precision, retire_bench_check
from shared.errors import OptionError
from shared.measured import Measured

LEAF = {
    "kind": "known thing", "what": "distance across", "e_n": -0.31, "agrees": True,
    "expected": Measured.of(0.5, "mm", limits=0.003).to_dict(), "read": Measured.of(0.498, "mm", edges=0.004).to_dict(),
}  # fmt: skip


def study(u):
    rows = [{"quantity": "crown width", "unit": "mm", "own_u": u, "own_dof": 8.0, "laid": 0.004}]
    return {"kind": "repeat study", "photos": [{"by": "A", "name": "1.jpg"}] * 6, "quantities": rows}


def test_the_newest_study_of_a_view_stands_in_its_questions_until_it_is_retired(store, make_jpeg):
    job = services.create_job(store, services.JobDetails(customer="A", instrument=services.InstrumentDetails("B")))
    photo = services.add_photo(store, job, make_jpeg(1), "a.jpg").photo
    keep_bench_check(store, "plan", LEAF)
    assert services.suggested_ask(store, photo.id).precision == ()
    keep_bench_check(store, "plan", study(0.02))
    newer = keep_bench_check(store, "plan", study(0.01))
    keep_bench_check(store, "end", study(0.5))
    (own,) = services.suggested_ask(store, photo.id).precision
    assert (own.quantity, own.u, own.dof, own.assumed) == ("crown width", 0.01, 8.0, 0.004)
    assert own.study.endswith(f"no. {newer.id}")
    retire_bench_check(store, newer.id)
    assert [p.u for p in own_precision(store, "plan")] == [0.02]
    assert [c.kind for c in bench_checks(store)] == ["repeat study", "repeat study", "repeat study", "known thing"]
    with pytest.raises(OptionError, match="no bench check 99"):
        retire_bench_check(store, 99)
    with pytest.raises(OptionError, match="no result"):
        keep_bench_check(store, "plan", {"kind": "poem"})
    assert services.check_store(store).problems == ()


def test_rows_of_the_record_say_day_view_and_what_was_found(store):
    keep_bench_check(store, "section", LEAF)
    keep_bench_check(store, "plan", study(0.012))
    retired = keep_bench_check(store, "plan", study(0.5))
    retire_bench_check(store, retired.id)
    of_study, of_leaf = bench_check_rows(bench_checks(store), NumberFormat())
    assert of_leaf[1:3] == ["section", "Known thing, distance across"]
    assert "E_n -0.31: agrees" in of_leaf[3]
    assert of_study[2] == "Repeat study, 6 photos"
    assert "crown width ± 0.012 mm" in of_study[3]


@pytest.mark.slow
def test_a_known_thing_is_kept_by_command_and_stands_on_the_record(tmp_path, capsys):
    from pathlib import Path

    section = Path(__file__).parents[3] / "sample_images" / "intake-section.jpg"
    data = ["--data", str(tmp_path / "shop")]
    ask = ["known-thing", str(section), "--view", "section", "--reading", "fret 1, tang width", "--expected", "0.52"]
    assert main([*ask, "--within", "0.01", "--keep", *data]) == 0
    assert main(["bench-checks", *data]) == 0
    said = capsys.readouterr().out
    assert "fret 1, tang width: E_n" in said
    assert main(["bench-checks", "--retire", "1", *data]) == 0
    assert "retired" in capsys.readouterr().out
