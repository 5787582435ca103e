"""The house keeps its order: imports go down only, the top level stays small, the documents name what exists."""

import ast
import tomllib
from pathlib import Path

import pytest

from inspect_app.cli import parser
from shared.flags import FLAGS

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("shared", "calib", "inspect_app", "sample_images")

# From the bottom up. A module belongs to the longest prefix that fits; it may import from its own room and from below.
ROOMS = (
    ("shared",),
    ("calib", "inspect_app.instrument"),
    ("inspect_app.reading",),
    ("inspect_app.measure", "inspect_app.decide", "inspect_app.jobs", "inspect_app.report"),
    ("inspect_app.services", "sample_images"),
    ("inspect_app.demo",),
    ("inspect_app.ui", "inspect_app.cli", "inspect_app.commands"),
)
SCENES = ("inspect_app.measure.plan", "inspect_app.measure.backdrop", "inspect_app.measure.section")
ANYWHERE = ("inspect_app", "inspect_app.bootstrap")  # the version; the set-up, which imports nothing of ours


def room_of(module):
    """The floor a module is on, and ``None`` for what has no floor."""
    if module in ANYWHERE:
        return None
    fits = [(len(prefix), floor) for floor, room in enumerate(ROOMS) for prefix in room if is_in(module, prefix)]
    assert fits, f"{module} belongs to no room: give it one in tests/test_layout.py and in DEVELOPERS.md"
    return max(fits)[1]


def is_in(module, prefix):
    return module == prefix or module.startswith(f"{prefix}.")


def imports_of(path):
    """Every project module that a file imports, at the top or inside a function."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        else:
            continue
        yield from (n for n in names if n.split(".")[0] in PACKAGES and is_module(n))


def is_module(name):
    path = ROOT.joinpath(*name.split("."))
    return path.is_dir() or path.with_suffix(".py").is_file()


def _walk():
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), path


MODULES = list(_walk())


@pytest.mark.parametrize(("module", "path"), MODULES, ids=[m for m, _ in MODULES])
def test_imports_go_down_only(module, path):
    here = room_of(module)
    if here is None:
        assert not [n for n in imports_of(path) if room_of(n) is not None], f"{module} stands outside the rooms"
        return
    floors = {name: room_of(name) for name in imports_of(path)}
    upward = [name for name, floor in floors.items() if floor is not None and floor > here]
    assert not upward, f"{module} imports upwards: {upward}"


@pytest.mark.parametrize("scene", SCENES)
def test_a_scene_never_imports_another(scene):
    files = [(module, path) for module, path in MODULES if is_in(module, scene)]
    assert len(files) > 3
    others = [s for s in SCENES if s != scene]
    assert not [(m, n) for m, path in files for n in imports_of(path) if any(is_in(n, other) for other in others)]


def test_the_walk_sees_an_upward_import(tmp_path):
    bad = tmp_path / "bad.py"
    bad.write_text("def f():\n    from inspect_app.services import open_store\n")
    assert "inspect_app.services" in set(imports_of(bad))
    assert room_of("inspect_app.services") > room_of("calib.plane")


@pytest.mark.parametrize("library", ["streamlit", "sqlalchemy"])
def test_decisions_and_measuring_know_neither_screen_nor_database(library):
    rooms = {"streamlit": ("inspect_app.ui",), "sqlalchemy": ("inspect_app.jobs", "inspect_app.services")}[library]
    users = {
        module
        for module, path in MODULES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Import | ast.ImportFrom)
        and any(
            is_in(name, library)
            for name in ([node.module or ""] if isinstance(node, ast.ImportFrom) else [a.name for a in node.names])
        )
    }
    assert users, f"nothing imports {library}: the test looks for the wrong name"
    assert not [m for m in users if not any(is_in(m, r) for r in rooms)]


def test_the_top_level_stays_small():
    allowed = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "pyproject.toml", *PACKAGES, "tests"}
    present = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    build_leftovers = {n for n in present if n in ("build", "dist") or n.endswith(".egg-info")}
    assert present - build_leftovers <= allowed


def test_files_stay_short():
    long = {m: n for m, path in MODULES if (n := len(path.read_text(encoding="utf-8").splitlines())) > 500}
    assert not long


def subcommands():
    action = next(a for a in parser()._actions if isinstance(a.choices, dict))
    return dict(action.choices)


def test_the_readme_opens_with_the_job():
    first = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")[1]
    for word in ("fingerboard", "scale", "uncertainty", "refret", "estimate", "proof"):
        assert word in first


def test_the_set_up_is_exactly_two_commands_that_exist():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    start = readme.split("## Start")[1].split("\n## ")[0]
    block = start.split("```sh\n")[1].split("```")[0]
    commands = [line.split("#")[0].split() for line in block.splitlines()]
    assert [c[:2] for c in commands] == [["python3", "inspect_app/bootstrap.py"]] * 2
    assert (ROOT / commands[0][1]).is_file()
    assert [c[2] for c in commands] == ["demo", "test"]
    assert "demo" in subcommands()


def test_every_option_is_in_the_readme():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    parsers = {"": parser(), **subcommands()}
    options = {o for p in parsers.values() for o in p._option_string_actions if o.startswith("--")}
    assert len(options) > 20
    assert not [o for o in sorted(options) if f"{o} " not in readme and f"{o}`" not in readme and f"{o}]" not in readme]
    assert not [name for name in subcommands() if f"inspect-app {name}" not in readme]


@pytest.mark.parametrize("flag", FLAGS.values(), ids=lambda f: f.code)
def test_every_flag_is_in_the_readme(flag):
    assert f"| `{flag.code}` | {flag.text} {flag.advice} |" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_documents_name_files_that_exist():
    named = ("inspect_app/answer.schema.json", ".ci/constraints.txt", ".ci/run", "inspect_app/reading/overlay.py")
    text = "".join((ROOT / d).read_text(encoding="utf-8") for d in ("README.md", "DEVELOPERS.md"))
    for name in named:
        assert name in text
        assert (ROOT / name).is_file()


def test_exact_versions_are_pinned_for_every_requirement():
    lines = (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = {line.split("==")[0].lower().replace("_", "-") for line in lines if "==" in line}
    assert all("==" in line for line in lines if line and not line.startswith("#"))
    assert not [line for line in lines if "://" in line]
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    names = {w.split(">")[0].split("=")[0].split("[")[0].strip().lower() for w in wanted}
    assert names <= pins
