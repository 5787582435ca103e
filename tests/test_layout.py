"""The house keeps its order: imports go down only, the top level stays small, the documents name what exists."""

import ast
import re
import tomllib
from functools import cache
from graphlib import CycleError, TopologicalSorter
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
MAP = {
    "shared": ("shared",),
    "calib": ("calib",),
    "instrument": ("inspect_app.instrument",),
    "reading": ("inspect_app.reading",),
    "measure": ("inspect_app.measure",),
    "decide": ("inspect_app.decide",),
    "jobs": ("inspect_app.jobs",),
    "report": ("inspect_app.report",),
    "services": ("inspect_app.services",),
    "ui": ("inspect_app.ui",),
    "commands": ("inspect_app.commands", "inspect_app.cli", "inspect_app.demo"),
    "sample_images": ("sample_images",),
}
"""The rooms by name and what each holds. The scenes inside `measure` are kept apart by a test of their own."""
MOST_ROOMS = 16
MOST_ARROWS = 50
"""A picture of more is not taken in at a look (common practice, no source)."""
MOST_LINES = 450
ANYWHERE = ("inspect_app", "inspect_app.bootstrap")  # the version; the set-up, which imports nothing of ours


def room_of(module):
    """The floor a module is on, and ``None`` for what has no floor."""
    if module in ANYWHERE:
        return None
    fits = [(len(prefix), floor) for floor, room in enumerate(ROOMS) for prefix in room if is_in(module, prefix)]
    assert fits, f"{module} belongs to no room: give it one in tests/test_layout.py and in DEVELOPERS.md"
    return max(fits)[1]


def named_room(module):
    """The room a module is in, by its name on the map; ``None`` for what stands outside."""
    fits = [(len(prefix), name) for name, held in MAP.items() for prefix in held if is_in(module, prefix)]
    return max(fits)[1] if fits else None


def is_in(module, prefix):
    return module == prefix or module.startswith(f"{prefix}.")


@cache
def import_nodes(path):
    """Every import statement of a file, at the top or inside a function."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return [node for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom)]


@cache
def imports_of(path):
    """Every project module that a file imports."""
    found = []
    for node in import_nodes(path):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            assert node.level == 0, f"{path}: relative import"
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        found += (n for n in names if n.split(".")[0] in PACKAGES and is_module(n))
    return tuple(found)


def is_module(name):
    path = ROOT.joinpath(*name.split("."))
    return path.is_dir() or path.with_suffix(".py").is_file()


def _walk():
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), path


MODULES = list(_walk())


def arrows():
    """Pairs of rooms of which the first imports the second, each with one import that makes it so."""
    found = {}
    for module, path in MODULES:
        for name in imports_of(path):
            here, there = named_room(module), named_room(name)
            if here is not None and there is not None and here != there:
                found.setdefault((here, there), f"{module} imports {name}")
    return found


def circle_in(needs):
    """The modules of one import circle, in order; empty where there is none."""
    try:
        TopologicalSorter(needs).prepare()
    except CycleError as error:
        return error.args[1]
    return []


def needed_by(module, path):
    """What must be loaded before this module; the package that it is part of has begun to load already."""
    return {n for n in imports_of(path) if n != module and not is_in(module, n)}


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


def test_no_import_circle():
    assert circle_in({module: needed_by(module, path) for module, path in MODULES}) == []
    assert circle_in({"a": {"b"}, "b": {"c"}, "c": {"a"}})


def test_few_rooms_and_few_arrows_between_them():
    every = {named_room(module) for module, _ in MODULES if module not in ANYWHERE}
    assert every == set(MAP)
    assert len(MAP) <= MOST_ROOMS
    found = arrows()
    drawn = "\n".join(f"{a} -> {b}: {why}" for (a, b), why in sorted(found.items()))
    assert len(found) <= MOST_ARROWS, f"{len(found)} arrows between {len(MAP)} rooms:\n{drawn}"


def test_the_arrows_between_rooms_make_no_circle():
    needs = {room: {b for a, b in arrows() if a == room} for room in MAP}
    assert circle_in(needs) == []


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
        for node in import_nodes(path)
        if any(
            is_in(name, library)
            for name in ([node.module or ""] if isinstance(node, ast.ImportFrom) else [a.name for a in node.names])
        )
    }
    assert users, f"nothing imports {library}: the test looks for the wrong name"
    assert not [m for m in users if not any(is_in(m, r) for r in rooms)]


@pytest.mark.parametrize("name", ["scipy.stats", "scipy.signal"])
def test_nothing_loads_a_library_that_takes_longer_than_the_first_photo(name):
    """Each takes half a second or more to load; what was used of it stands in `scipy.special`, or is a few lines."""
    loads = re.compile(rf"^\s*(?:from|import) {re.escape(name)}\b", re.MULTILINE)
    assert [m for m, p in MODULES if loads.search(p.read_text(encoding="utf-8"))] == []


def test_the_top_level_stays_small():
    allowed = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "pyproject.toml", *PACKAGES, "tests"}
    present = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    build_leftovers = {n for n in present if n in ("build", "dist") or n.endswith(".egg-info")}
    assert present - build_leftovers <= allowed


def test_files_stay_short():
    every = [*(p for _, p in MODULES), *(ROOT / "tests").rglob("*.py")]
    lines = {str(p.relative_to(ROOT)): len(p.read_text(encoding="utf-8").splitlines()) for p in every}
    assert {p: n for p, n in lines.items() if n > MOST_LINES} == {}


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


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_the_documents_name_files_that_exist(document):
    text = (ROOT / document).read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:inspect_app|calib|shared|sample_images|tests|\.ci)/[\w./-]*\.?[\w]+)`", text))
    assert len(named) >= {"README.md": 1, "DEVELOPERS.md": 15}[document]
    assert sorted(n for n in named if not (ROOT / n).exists()) == []


def test_exact_versions_are_pinned_for_every_requirement():
    lines = (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = {line.split("==")[0].lower().replace("_", "-") for line in lines if "==" in line}
    assert all("==" in line for line in lines if line and not line.startswith("#"))
    assert not [line for line in lines if "://" in line]
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    names = {w.split(">")[0].split("=")[0].split("[")[0].strip().lower() for w in wanted}
    assert names <= pins


def test_what_the_services_hand_out_is_no_module():
    """A function called as its module is would be hidden by it, once that is loaded."""
    from inspect_app import services

    for name in services.__all__:
        assert not isinstance(getattr(services, name), type(services)), name
    modules = {p.stem for p in (ROOT / "inspect_app" / "services").glob("*.py")}
    assert not modules & set(services.__all__) & set(services._MODULES), "import these above, where it is not lazy"
