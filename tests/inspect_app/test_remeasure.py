"""Reading stored photos again with a later version: earlier readings stay, what moved is said, issued papers stay."""

import json
from dataclasses import replace

import pytest

from inspect_app import services
from inspect_app.cli import main
from inspect_app.reading.ask import Ask
from inspect_app.reading.key import parse_key
from inspect_app.services import measuring, remeasuring
from inspect_app.services.estimating import accept_estimate, draft, estimates, issue_estimate
from inspect_app.services.remeasuring import changes_between, remeasure, to_remeasure
from shared.errors import StoreError
from tests.inspect_app.conftest import full_answer, measure_with
from tests.inspect_app.deciding_case import elevation, make_job, mm, put_elevation

DEPTH = parse_key("fret 1, divots 1, depth")


@pytest.fixture
def job(store, monkeypatch):
    """A job with one measured photo: divots of 0.15 mm on three frets."""
    job = make_job(store)
    put_elevation(store, monkeypatch, job, 1, [0.15, 0.15, 0.15])
    return job


def next_version(monkeypatch, depths, **kwargs):
    """From here on another version measures, and reads these depths."""
    for module in (measuring, remeasuring):
        monkeypatch.setattr(module, "__version__", "9.0")
    measure_with(monkeypatch, lambda photo, ask: replace(elevation(photo, depths, **kwargs), version="9.0"))


def the_photo(store, job):
    (photo,) = services.job_view(store, job).photos
    return photo


def test_earlier_readings_are_kept_and_what_moved_is_listed(store, job, monkeypatch):
    before = the_photo(store, job).inspection
    next_version(monkeypatch, [0.16, 0.15, 0.0])
    (done,) = remeasure(store, to_remeasure(store))
    moved = {str(c.key): c for c in done.changes}
    assert moved["fret 1, divots 1, depth"].moved == pytest.approx(0.01)
    assert moved["fret 1, divots 1, depth"].moved_over_u == pytest.approx(1.0)  # U is 0.01
    assert moved["fret 3, divots 1, depth"].now is None
    assert len(moved) == 4  # a divot that is gone has three readings
    now = the_photo(store, job).inspection
    assert (now.earlier, now.version) == (1, "9.0")
    assert services.undo(store, now.photo_id).answer == before.answer


def test_what_this_version_has_read_is_not_asked_again_unless_told(store, job, monkeypatch):
    next_version(monkeypatch, [0.15] * 3)
    (done,) = remeasure(store, to_remeasure(store))
    assert done.changes == ()
    assert to_remeasure(store) == ()
    assert len(to_remeasure(store, every=True)) == 1
    assert to_remeasure(store, [99], every=True) == ()


def test_a_trial_keeps_nothing(store, job, monkeypatch):
    next_version(monkeypatch, [0.3] * 3)
    (done,) = remeasure(store, to_remeasure(store), keep=False)
    assert len(done.changes) == 3
    assert not done.kept
    assert the_photo(store, job).inspection.version == "t"


def test_an_answer_someone_got_meanwhile_stays(store, job, monkeypatch):
    next_version(monkeypatch, [0.3] * 3)
    asked = to_remeasure(store)
    photo = the_photo(store, job)
    theirs = services.measure_photo(store, photo.id, Ask("elevation", first_fret=2))
    (done,) = remeasure(store, asked)
    assert not done.kept
    assert the_photo(store, job).inspection.id == theirs.id


def test_judgements_go_with_readings_that_came_out_the_same(store, job, monkeypatch):
    at = the_photo(store, job).inspection.id
    for fret in (1, 2):
        services.judge(store, at, parse_key(f"fret {fret}, divots 1, depth"), "accept")
    next_version(monkeypatch, [0.16, 0.15, 0.15])
    assert len(list(remeasure(store, to_remeasure(store)))) == 1
    said = {r.reading.key: r.verdict for r in services.readings(store, job)}
    assert said[parse_key("fret 2, divots 1, depth")] == "accept"
    assert said[DEPTH] == "open"


def test_an_issued_estimate_stays_to_the_last_byte(store, job, monkeypatch, capsys, tmp_path):
    services.accept_sure(store, job)
    accept_estimate(store, issue_estimate(store, draft(store, job).id).id)
    before = estimates(store, job)
    next_version(monkeypatch, [0.4] * 3)
    out = tmp_path / "moved.json"
    assert main(["remeasure", "--data", str(store.data_dir), "--json", str(out)]) == 0
    said = capsys.readouterr().out
    assert "fret 1, divots 1, depth" in said
    assert "3 moved, 3 of them by more than U" in said
    assert "#1: estimate 1 (accepted) stays as it was issued." in said
    assert estimates(store, job) == before
    (form,) = json.loads(out.read_text(encoding="utf-8"))
    assert [c["moved"] for c in form["changes"]] == pytest.approx([0.25] * 3)
    assert main(["remeasure", "--data", str(store.data_dir)]) == 0
    assert "This version has read every photo" in capsys.readouterr().out
    assert services.check_store(store).sound


def test_what_moved_is_written_down_as_it_goes_and_stays_whatever_ends_the_run(store, job, monkeypatch, tmp_path):
    put_elevation(store, monkeypatch, job, 2, [0.1] * 3)
    next_version(monkeypatch, [0.4] * 3)
    out, lying = tmp_path / "moved.json", []
    each = remeasuring.remeasure

    def stopped(*args, **how):
        for n, at in enumerate(each(*args, **how)):
            if n == 1:
                lying.extend(p.name.endswith(".part") for p in tmp_path.glob("moved.json*"))
                raise KeyboardInterrupt
            yield at

    monkeypatch.setattr("inspect_app.commands.remeasure.remeasure", stopped)
    with pytest.raises(KeyboardInterrupt):
        main(["remeasure", "--data", str(store.data_dir), "--json", str(out)])
    assert lying == [True]
    assert len(json.loads(out.read_text(encoding="utf-8"))) == 1


def test_a_list_that_cannot_be_written_to_its_end_is_said_and_no_more(store, job, monkeypatch, tmp_path, capsys):
    next_version(monkeypatch, [0.4] * 3)

    def full(path, parts):
        next(parts)
        parts.close()
        raise StoreError("The disk is full.", "Make room.")

    monkeypatch.setattr("inspect_app.commands.remeasure.write_file", full)
    assert main(["remeasure", "--data", str(store.data_dir), "--json", str(tmp_path / "moved.json")]) == 2
    assert capsys.readouterr().err == "The disk is full. Make room.\n"


def test_a_missing_photo_keeps_its_readings_and_the_others_go_on(store, job, monkeypatch, capsys):
    put_elevation(store, monkeypatch, job, 2, [0.1] * 3)
    first, second = services.job_view(store, job).photos
    services.photo_path(store, first.sha256).unlink()
    next_version(monkeypatch, [0.15] * 3)
    assert main(["remeasure", "1", "--data", str(store.data_dir)]) == 1
    assert "not read, and left as it was" in capsys.readouterr().out
    now = services.job_view(store, job).photos
    assert [p.inspection.version for p in now] == ["t", "9.0"]
    assert now[1].id == second.id


def test_a_job_that_is_not_there_is_said(store, capsys):
    assert main(["remeasure", "7", "--data", str(store.data_dir)]) == 2
    assert "no job #7" in capsys.readouterr().err


def test_a_move_is_told_in_units_of_its_uncertainty():
    before, now = full_answer(), full_answer()
    moved = replace(now.frets[0], crown_width=mm(before.frets[0].crown_width.value + 0.03, 0.01))
    (change,) = changes_between(before, replace(now, frets=(moved, *now.frets[1:])))
    assert change.moved_over_u == pytest.approx(0.03 / (2.0 * max(before.frets[0].crown_width.u, 0.01)))
