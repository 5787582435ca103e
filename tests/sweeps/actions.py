"""A person's actions in a data folder, drawn from a seed, each with facts that must hold once it is acknowledged."""

import hashlib
import json
import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from inspect_app import services
from inspect_app.instrument.wire import WireStock
from inspect_app.jobs.store import DATABASE
from inspect_app.measure import one_photo
from inspect_app.reading.key import parse_key
from inspect_app.services.deciding import add_wire, write_fret_heights
from inspect_app.services.estimating import accept_estimate, draft, issue_estimate
from inspect_app.services.exporting import export_job
from inspect_app.services.importing import import_job
from shared.errors import InspectError
from tests.inspect_app.conftest import full_answer, noise_jpeg
from tests.inspect_app.deciding_case import make_job, put_elevation

KEYS = ("crown width", "position", "length", "flats 1, width", "flats 2, length")


def stand_in():
    """Let every photo give a full answer."""
    one_photo.measure = lambda photo, ask: full_answer(photo.name, photo.sha256, ask)


def template(folder):
    """A folder `data` with a job that estimates can be made of, and another job exported whole as `job.zip`."""
    stand_in()
    store = services.open_store(folder / "data")
    with pytest.MonkeyPatch.context() as m:
        job = make_job(store)
        put_elevation(store, m, job, 1, [0.15, 0.2, 0.0, 0.1, 0.0, 0.0])
    other = services.create_job(store, services.JobDetails("X. Elsewhere"))
    services.add_photo(store, other, noise_jpeg(99), "x.jpg")
    export_job(store, other, folder / "job.zip", whole=True)
    store.close()
    shutil.rmtree(folder / "data")
    store = services.open_store(folder / "data")
    with pytest.MonkeyPatch.context() as m:
        put_elevation(store, m, make_job(store), 1, [0.15, 0.2, 0.0, 0.1, 0.0, 0.0])
    store.close()
    return folder


def row(sql, *params):
    """A fact: the database answers this with at least one row."""
    return {"sql": sql, "params": list(params)}


class Person:
    """Does one thing after another."""

    def __init__(self, store, folder, seed):
        self.store, self.folder, self.seed = store, folder, seed
        self.rng = random.Random(seed)
        self.turn = 0
        self.jobs, self.photos, self.inspections = [1], [], []

    def act(self):
        """Do one thing; its facts."""
        self.turn += 1
        ways = [self.job, self.photo, self.photo, self.setting, self.details, self.heights, self.wire]
        ways += [self.measure, self.measure, self.judge, self.hide] if self.photos else []
        ways += [self.estimate] * (self.turn % 5 == 0) + [self.backup] * (self.turn % 7 == 0)
        ways += [self.take_in] * (self.turn == 3)
        return self.rng.choice(ways)()

    @property
    def word(self):
        return f"w{self.seed}-{self.turn}"

    def job(self):
        made = services.create_job(self.store, services.JobDetails(self.word))
        self.jobs.append(made)
        born = services.job_view(self.store, made).created  # its other details may be written over
        return [row("SELECT 1 FROM jobs WHERE id = ? AND created LIKE ?", made, f"{born:%Y-%m-%d %H:%M:%S}%")]

    def photo(self):
        data = noise_jpeg(self.seed * 1000 + self.turn, (48, 64))
        added = services.add_photo(self.store, self.rng.choice(self.jobs), data, f"{self.word}.jpg").photo
        self.photos.append(added.id)
        kept = added.id, added.name, hashlib.sha256(data).hexdigest()
        return [row("SELECT 1 FROM photos WHERE id = ? AND name = ? AND sha256 = ?", *kept)]

    def measure(self):
        photo = self.rng.choice(self.photos)
        made = services.measure_photo(self.store, photo, services.suggested_ask(self.store, photo), again=True)
        self.inspections.append(made.id)
        return [row("SELECT 1 FROM inspections WHERE id = ? AND photo_id = ?", made.id, photo)]

    def judge(self):
        if not self.inspections:
            return self.measure()
        at, key = self.inspections[-1], parse_key(f"fret 3, {self.rng.choice(KEYS)}")
        services.judge(self.store, at, key, "reject", self.word)
        return [row("SELECT 1 FROM judgements WHERE inspection_id = ? AND reason = ?", at, self.word)]

    def hide(self):
        photo = self.photos[0]
        services.remove_photo(self.store, photo)
        return [row("SELECT 1 FROM photos WHERE id = ? AND removed IS NOT NULL", photo)]

    def setting(self):
        services.put_setting(self.store, self.word, {"says": self.word})
        return [row("SELECT 1 FROM settings WHERE key = ? AND value LIKE ?", self.word, f"%{self.word}%")]

    def details(self):
        job = self.rng.choice(self.jobs)
        now = services.update_job(self.store, job, services.JobDetails(self.word, contact="c"))
        return [row("SELECT 1 FROM jobs WHERE id = ? AND revision >= ?", job, now)]

    def heights(self):
        visit = services.job_view(self.store, 1).visits[0].id
        height = 1.0 + self.turn / 1000.0
        write_fret_heights(self.store, 1, {1: height}, "intake")
        return [row("SELECT 1 FROM fret_heights WHERE visit_id = ? AND height = ?", visit, height)]

    def wire(self):
        made = add_wire(self.store, WireStock(self.word, "nickel silver", 2.6, 1.3, price=200))
        return [row("SELECT 1 FROM wires WHERE id = ? AND label = ?", made.id, self.word)]

    def estimate(self):
        try:
            made = issue_estimate(self.store, draft(self.store, 1).id)
        except InspectError:  # the job's details were written over: nothing to go by
            return self.setting()
        accept_estimate(self.store, made.id)
        return [
            row("SELECT 1 FROM estimates WHERE id = ? AND length(pdf) > 1000", made.id),
            row("SELECT 1 FROM answers WHERE estimate_id = ?", made.id),
        ]

    def backup(self):
        path = self.folder / f"{self.word}.zip"
        services.back_up(self.store, path)
        return [{"backup": path.name, "jobs": len(self.jobs)}]

    def take_in(self):
        made = import_job(self.store, self.folder / "job.zip")
        return [row("SELECT 1 FROM jobs WHERE number = ? AND customer = 'X. Elsewhere'", made.number)]


def lost(folder, facts):
    """What of the acknowledged facts does not hold in a folder after a crash, and what else is wrong with it."""
    try:
        store = services.open_store(folder / "data", make=False)
    except InspectError as error:
        return [f"does not open: {error}"]
    try:
        found = services.check_store(store)
        bad = [] if found.sound else [f"not sound: {found.problems} {found.missing} {found.damaged}"]
        with closing(sqlite3.connect(folder / "data" / DATABASE)) as connection:
            asked = [f for f in facts if "sql" in f]
            bad += [json.dumps(f) for f in asked if not connection.execute(f["sql"], f["params"]).fetchone()]
        bad += [problem for f in facts if "backup" in f for problem in _lacks(folder, f)]
        services.create_job(store, services.JobDetails("the next"))
    except InspectError as error:
        bad = [f"does not go on: {error}"]
    finally:
        store.close()
    return bad


def _lacks(folder, fact):
    to = folder / f"restored-{fact['backup']}"
    try:
        made = services.restore(folder / fact["backup"], to)
        return [f"the backup {fact['backup']} lacks {made.lacks}"] if made.lacks else []
    except InspectError as error:
        return [f"the backup {fact['backup']} does not restore: {error}"]
    finally:
        shutil.rmtree(to, ignore_errors=True)


def copied(template_folder, to):
    """A fresh copy of the template."""
    to = Path(to)
    shutil.rmtree(to, ignore_errors=True)
    return Path(shutil.copytree(template_folder, to))
