"""Setting up from a bare Python: what it would run, and when it sets up anew."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from inspect_app import bootstrap


@pytest.fixture
def checkout(tmp_path, monkeypatch):
    """A checkout in another folder whose environment is only noted, not made."""
    (tmp_path / ".ci").mkdir()
    (tmp_path / "pyproject.toml").write_text("[project]")
    (tmp_path / ".ci" / "constraints.txt").write_text("numpy==2.0.0")
    monkeypatch.setattr(bootstrap, "ROOT", tmp_path)
    monkeypatch.setattr(bootstrap, "VENV", tmp_path / ".venv")
    monkeypatch.setattr(bootstrap, "CONSTRAINTS", tmp_path / ".ci" / "constraints.txt")
    monkeypatch.setattr(bootstrap, "STAMP", tmp_path / ".venv" / "set-up.sha256")
    return tmp_path


@pytest.fixture
def ran(checkout, monkeypatch):
    commands = []

    def create(folder, with_pip, clear, symlinks):
        bootstrap.python().parent.mkdir(parents=True, exist_ok=True)
        bootstrap.python().touch()
        commands.append(["venv", str(folder)])

    monkeypatch.setattr(bootstrap.venv, "create", create)
    monkeypatch.setattr(bootstrap.subprocess, "run", lambda words, **_: commands.append(words))
    monkeypatch.setattr(bootstrap.subprocess, "call", lambda words, **_: commands.append(words) or 0)
    return commands


def test_it_needs_the_standard_library_alone():
    tree = ast.parse(Path(bootstrap.__file__).read_text(encoding="utf-8"))
    imported = {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
    imported |= {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
    assert {name.split(".")[0] for name in imported} <= sys.stdlib_module_names


def test_the_first_run_sets_up_with_pinned_versions_then_runs(ran, checkout):
    assert bootstrap.main(["demo", "--no-browser"]) == 0
    made, back_end, project, started = ran
    assert made[0] == "venv"
    assert str(checkout / ".ci" / "constraints.txt") in back_end
    assert project[-1] == f"{checkout}[test]"
    assert str(checkout / ".ci" / "constraints.txt") in project
    assert started[1:] == ["-m", "inspect_app.cli", "demo", "--no-browser"]


def test_a_second_run_sets_nothing_up(ran):
    bootstrap.main(["demo"])
    del ran[:]
    assert bootstrap.main(["test", "-q"]) == 0
    assert bootstrap.main(["test"]) == 0
    assert [words[1:] for words in ran] == [["-m", "pytest", "-q"], ["-m", "pytest", *bootstrap.ALL_TESTS]]


@pytest.mark.parametrize("name", ["pyproject.toml", ".ci/constraints.txt"])
def test_changed_requirements_set_up_anew(ran, checkout, name):
    bootstrap.main(["demo"])
    del ran[:]
    (checkout / name).write_text("changed")
    bootstrap.main(["demo"])
    assert ran[0][0] == "venv"


def test_a_set_up_that_was_cut_short_is_done_again(ran, checkout, monkeypatch, capsys):
    def fails(words, **_):
        raise subprocess.CalledProcessError(1, words)

    with monkeypatch.context() as m:
        m.setattr(bootstrap.subprocess, "run", fails)
        assert bootstrap.main(["demo"]) == 1
    assert "Setting up did not finish" in capsys.readouterr().err
    del ran[:]
    assert bootstrap.main(["demo"]) == 0
    assert ran[0][0] == "venv"


def test_an_old_python_is_told_so(monkeypatch, capsys, ran):
    monkeypatch.setattr(bootstrap.sys, "version_info", (3, 9, 1))
    assert bootstrap.main(["demo"]) == 2
    assert "Python 3.11 or later is needed" in capsys.readouterr().err
    assert ran == []


def test_windows_has_its_own_place_for_python(monkeypatch):
    monkeypatch.setattr(bootstrap.os, "name", "nt")
    assert bootstrap.python().as_posix().endswith(".venv/Scripts/python.exe")


def test_an_older_python_can_at_least_read_the_file():
    """The sentence about the version must be reached: no syntax of 3.10 or later in this one file."""
    ast.parse(Path(bootstrap.__file__).read_text(encoding="utf-8"), feature_version=(3, 7))


def test_the_end_of_what_it_ran_is_its_own(ran, monkeypatch):
    monkeypatch.setattr(bootstrap.subprocess, "call", lambda *_, **__: 5)
    assert bootstrap.main(["test"]) == 5
