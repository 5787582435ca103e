"""A data folder that holds something of every kind, for the promises to be kept of."""

import hashlib
import shutil
import sqlite3
from contextlib import closing

import pytest

from calib.lens_profile import LensProfile
from inspect_app import services
from inspect_app.instrument.wire import WireStock
from inspect_app.services.bench_checks import keep_bench_check
from inspect_app.services.deciding import add_wire, change_terms, write_fret_heights
from inspect_app.services.estimating import accept_estimate, draft, issue_estimate
from inspect_app.services.gauge_readings import write_gauge_reading
from inspect_app.services.gauges import add_gauge, use_gauge
from inspect_app.services.heights import record_work, same_instrument
from inspect_app.services.lenses import keep_lens
from tests.inspect_app.conftest import full_answer
from tests.inspect_app.deciding_case import make_job, put_elevation


def fill(store, monkeypatch):
    """One row at least in every table, an issued estimate with its paper among them; returns the job's id."""
    with monkeypatch.context() as m:
        job = make_job(store)
        put_elevation(store, m, job, 1, [0.15, 0.2, 0.0, 0.1, 0.0, 0.0])
        put_elevation(store, m, job, 2, [0.02] * 6, visit="after")
    services.accept_sure(store, job)
    made = services.add_print(store, "strip", 100.2)
    gauge = add_gauge(store, "bench", "calliper", 0.01, 0.012)
    services.measure_print(store, made.id, 100.1, gauge.id)
    use_gauge(store, gauge.id)
    keep_bench_check(store, "plan", {"kind": "repeat study", "photos": [], "quantities": []})
    keep_lens(store, LensProfile("phone", 0.81, 0.001, -0.01, 0.003, 0.1, 9))
    services.put_setting(store, "shop", {"name": "The bench", "lines": ["Harbour Street 1"]})
    write_fret_heights(store, job, {3: 1.02}, "intake")
    write_gauge_reading(store, job, "intake", "hollow depth", 0.2, 3)
    wire = add_wire(store, WireStock("shop no. 3", "nickel silver", 2.6, 1.3, 0.52, 1.6, 220))
    change_terms(store, job, wire_id=wire.id)
    accept_estimate(store, issue_estimate(store, draft(store, job).id).id)
    keep_hand_measure(store, job)
    record_work(store, job, "after", "levelled", off=0.1)
    same_instrument(store, services.create_job(store, services.JobDetails("A. Customer")), job)
    return job


def keep_hand_measure(store, job):
    """A hand measurement as the services would write it, without a scale in the photo."""
    from inspect_app.jobs.models import HandMeasure
    from inspect_app.jobs.store import writing
    from inspect_app.services.rows import now

    photo = services.job_view(store, job).photos[0]
    result = full_answer().frets[0].crown_width.to_dict()
    with writing(store) as session:
        session.add(
            HandMeasure(
                photo_id=photo.id,
                kind="distance",
                points=[[1.5, 2.0], [3.0, 4.0]],
                ask={},
                result=result,
                version="t",
                note="a chip",
                created=now(),
            )
        )


def hashes(folder):
    """SHA-256 of every file below a folder, by its place in it."""
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def stored_in(path):
    """Everything that can be read of a database, ``None`` where it can't be read to its end."""
    try:
        with closing(sqlite3.connect(path)) as connection:
            connection.text_factory = bytes
            names = connection.execute("SELECT type, name, sql FROM sqlite_master ORDER BY 1, 2").fetchall()
            tables = [n.decode() for kind, n, _ in names if kind == b"table"]
            return names, {t: connection.execute(f'SELECT rowid, * FROM "{t}" ORDER BY 1').fetchall() for t in tables}
    except (sqlite3.Error, UnicodeDecodeError):
        return None


@pytest.fixture(scope="session")
def full_data_dir(new_data_dir, tmp_path_factory):
    """A data folder that `fill` has filled, never written to again."""
    store = services.open_store(shutil.copytree(new_data_dir, tmp_path_factory.mktemp("full") / "data"))
    fill(store, pytest.MonkeyPatch())
    store.close()
    return store.data_dir


@pytest.fixture
def full(full_data_dir, tmp_path):
    """A store that `fill` has filled."""
    store = services.open_store(shutil.copytree(full_data_dir, tmp_path / "data"))
    yield store
    store.close()
