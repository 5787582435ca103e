"""No test is of speed: on a busy machine, properties are given as long as they take. None reaches another machine."""

import os
import shutil
import socket
import sys
import time
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("unhurried", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")

# Before numpy is loaded, and for all that is started from here: the tests' own processes fill the machine, and threads
# that wait for each other at every sum take three times as long then.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# Compiled files are kept beside their sources, whatever the shell says: tests start a hundred processes that would each
# compile the program anew, and every process of the tests would all of the tests.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# Photos are measured in the tests' own process, so that a test can stand in for what measures them; the workers have
# tests of their own.
os.environ["INSPECT_APP_APART"] = "0"

_connect = socket.socket.connect


class Outside(Exception):
    """Something was about to reach another machine; no library takes it for a network that is down."""


def _only_here(self, address):
    """As `socket.connect`, to this machine alone; a datagram socket that connects sends nothing."""
    inside = self.type & socket.SOCK_DGRAM or self.family not in (socket.AF_INET, socket.AF_INET6)
    if not inside and address[0] not in ("127.0.0.1", "::1", "localhost"):
        raise Outside(f"{address} is another machine")
    return _connect(self, address)


def pytest_collection_modifyitems(items):
    """Files with slow tests first, those in a browser before all: what is left at the end is short, and no process
    waits long for another's last file. One file that needs the measured demo goes first and makes it; the others that
    need it in a browser come after those that do not, and find it made."""
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    browser = {item.path for item in items if item.get_closest_marker("browser")}
    demo = {item.path for item in items if "demo" in getattr(item, "fixturenames", ())} & browser
    makes = min(demo, default=None)
    items.sort(key=lambda i: (i.path not in browser, i.path not in slow, i.path in demo and i.path != makes))
    items.sort(key=lambda i: i.path != makes)


@pytest.fixture(autouse=True, scope="session")
def nothing_leaves():
    """For the whole run."""
    socket.socket.connect = _only_here
    yield
    socket.socket.connect = _connect


def rest_slow(every, quick=1):
    """Parameters of one property, of which the first few stand for all while working; every change passes all."""
    return [v if i < quick else _slow(v) for i, v in enumerate(every)]


def _slow(v):
    if hasattr(v, "marks"):  # a parameter set
        return pytest.param(*v.values, id=v.id, marks=(*v.marks, pytest.mark.slow))
    return pytest.param(*(v if isinstance(v, tuple) else (v,)), marks=pytest.mark.slow)


@pytest.fixture(scope="session")
def published():
    """Read a file of published numbers."""
    folder = Path(__file__).parent / "reference"
    return lambda name: tomllib.loads((folder / f"{name}.toml").read_text(encoding="utf-8"))


MADE_S = 600.0  # as long as the slowest folder takes on a loaded machine


@pytest.fixture(scope="session")
def made_once(tmp_path_factory):
    """A copy of a folder that is made once a run, whichever of its processes asks first: ``made_once(name, make)``."""
    alone = "PYTEST_XDIST_WORKER" not in os.environ
    common = tmp_path_factory.getbasetemp() if alone else tmp_path_factory.getbasetemp().parent

    def copied(name, make):
        folder, done = common / f"once-{name}", common / f"once-{name}.done"
        try:
            folder.mkdir()
        except FileExistsError:
            end = time.monotonic() + MADE_S
            while not done.exists():
                assert time.monotonic() < end, f"{name} was begun and not finished, by a process that failed at it"
                time.sleep(0.2)
        else:
            make(folder)
            done.touch()
        return shutil.copytree(folder, tmp_path_factory.mktemp(name) / name)

    return copied


@pytest.fixture(scope="module")
def demo_data(made_once):
    """A data folder of the file's own that holds the demo job, measured."""
    return made_once("demo", load_in) / "data"


@pytest.fixture(scope="session")
def finished_made(made_once):
    """Gives a data folder of one's own that holds both demo jobs, as the command makes them."""
    return lambda: made_once("finished", lambda folder: load_both_in(folder, made_once("demo", load_in))) / "data"


def load_in(folder):
    """The demo job in a new data folder `data`."""
    from inspect_app.demo import load_demo
    from inspect_app.services import open_store

    store = open_store(folder / "data")
    load_demo(store)
    store.close()


def load_both_in(folder, demo):
    """Both demo jobs in `data`, by the command: it finds the first one there and makes the other."""
    from inspect_app.cli import main
    from inspect_app.commands import pages

    shutil.copytree(demo / "data", folder / "data")
    with pytest.MonkeyPatch.context() as m:
        m.setattr(pages, "serve", lambda *_: None)
        assert main(["demo", "--data", str(folder / "data"), "--no-browser"]) == 0
