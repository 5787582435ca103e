"""Stored photos are decoded and looked at once, by however many threads; whatever the order, all are answered."""

import threading
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest

from inspect_app import measure, services
from inspect_app.demo import ask_of
from inspect_app.reading.ask import Ask, HandEdge
from inspect_app.services import add_photo, open_store, photo_cache, photo_path, workers
from inspect_app.services.measuring import answers_now
from sample_images import photos
from shared.errors import InspectError, ScaleError, StoreError
from shared.worker_processes import Limits, WorkerPool
from tests.inspect_app.conftest import noise_jpeg

PATIENCE_S = 30.0
"""An answer that has not come by then never comes: nothing here takes time."""
PLAN = Ask("plan")


@pytest.fixture(autouse=True)
def nothing_kept():
    photo_cache._KEPT.clear()
    yield
    photo_cache._KEPT.clear()


@pytest.fixture
def count(monkeypatch):
    """How often each photo was decoded and looked at, by its hash."""
    counted, lock = {"decoded": Counter(), "looked": Counter()}, threading.Lock()
    opens, looks = photo_cache.open_photo, measure.look

    def note(what, photo):
        with lock:
            counted[what][photo.sha256] += 1

    def open_photo(data, name):
        photo = opens(data, name)
        note("decoded", photo)
        return photo

    def look(photo, ask, calibrated):
        note("looked", photo)
        return looks(photo, ask, calibrated)

    monkeypatch.setattr(photo_cache, "open_photo", open_photo)
    monkeypatch.setattr(measure, "look", look)
    return counted


def two_shots():
    """A sample photo of an end and one from the side, the quickest to measure."""
    return [next(s for s in photos() if s.view == view) for view in ("end", "elevation")]


def added(store, job):
    return [(add_photo(store, job, s.path.read_bytes(), s.path.name, s.view).photo, ask_of(s)) for s in two_shots()]


@pytest.fixture
def two_workers(monkeypatch):
    """Photos are measured apart, as the pages do it."""
    monkeypatch.delenv("INSPECT_APP_APART")
    workers.stop()
    yield workers.pool()
    workers.stop()


@pytest.mark.slow
def test_two_windows_measure_at_once_what_one_measures(store, job, tmp_path, count, two_workers):
    asked = added(store, job) * 2  # each photo by both windows
    with ThreadPoolExecutor(2) as pool:
        at_once = list(pool.map(lambda a: services.measure_photo(store, a[0].id, a[1], again=True).answer, asked))
    alone_in = open_store(tmp_path / "alone")
    one = services.create_job(alone_in, services.JobDetails("A"))
    asked_alone = [(photo.id, ask) for photo, ask in added(alone_in, one)]
    alone = [services.measure_photo(alone_in, *at).answer for at in asked_alone]
    together = dict(answers_now(alone_in, asked_alone))
    alone_in.close()
    assert at_once == alone * 2
    assert [together[n] for n in range(len(alone))] == alone
    assert all(answer.frets for answer in alone)
    assert count == {"decoded": {}, "looked": {}}  # nothing of it in the pages' own process


@pytest.mark.slow
def test_a_photo_that_hangs_is_stopped_named_and_the_pages_go_on(store, job, two_workers, monkeypatch):
    """The limit is so short that no photo is ready in time."""
    hangs, goes = (photo for photo, _ in added(store, job))
    short = WorkerPool(1, Limits(seconds=0.001, memory=4 << 30))
    monkeypatch.setattr(workers, "pool", lambda: short)
    kept = services.measure_photo(store, hangs.id, Ask("end"))
    short.close()
    assert f"Reading {hangs.name} took longer" in kept.answer.not_measured[0].reason
    services.make_ready(store, hangs.id)  # not looked at again in the pages' own process
    monkeypatch.undo()
    assert services.measure_photo(store, goes.id, Ask("elevation")).answer.frets
    assert services.check_store(store).sound


@pytest.mark.slow
def test_a_measured_photo_is_ready_for_its_handles_and_looked_at_once(store, job, count):
    photo, ask = added(store, job)[1]
    measured = services.measure_photo(store, photo.id, ask)
    count["looked"].clear()  # what measured it keeps nothing: it is another process, but in tests
    services.make_ready(store, photo.id)
    fret = measured.answer.frets[0]
    edges = [o for o in fret.outlines if o.name == "bevel"]
    assert edges
    for n in (-1, 0):
        services.place_edge(store, measured.id, HandEdge(edges[0].of.part("top"), (edges[0].points[n],)))
    assert count["looked"] == {photo.sha256: 1}
    assert count["decoded"] == {photo.sha256: 1}


def test_an_error_of_one_photo_leaves_the_others_kept(store, job, count):
    good, bad = (add_photo(store, job, noise_jpeg(i), f"{i}.jpg").photo for i in (1, 2))
    photo_cache._KEPT.clear()
    paths = {p.sha256: photo_path(store, p.sha256) for p in (good, bad)}
    photo_cache.decoded_photo(paths[good.sha256], good.sha256)
    whole = paths[bad.sha256].read_bytes()
    paths[bad.sha256].write_bytes(noise_jpeg(3))
    for _ in range(2):
        with pytest.raises(StoreError, match="has changed since it was stored"):
            photo_cache.decoded_photo(paths[bad.sha256], bad.sha256)
    paths[bad.sha256].write_bytes(whole)  # restored from a backup
    assert photo_cache.decoded_photo(paths[bad.sha256], bad.sha256).sha256 == bad.sha256
    photo_cache.decoded_photo(paths[good.sha256], good.sha256)
    assert count["decoded"][good.sha256] == 1


def test_a_photo_whose_file_is_changed_or_lost_is_not_answered_from_memory(store, job):
    photo = add_photo(store, job, noise_jpeg(1), "a.jpg").photo
    path = photo_path(store, photo.sha256)
    assert photo_cache.decoded_photo(path, photo.sha256).sha256 == photo.sha256
    path.write_bytes(noise_jpeg(2))
    with pytest.raises(StoreError, match="has changed since it was stored"):
        services.measure_photo(store, photo.id, PLAN)
    path.unlink()
    with pytest.raises(StoreError, match="Restore it from a backup"):
        services.measure_photo(store, photo.id, PLAN)
    assert services.photo_view(store, photo.id).inspection is None


def test_what_is_kept_stays_within_its_bound_and_the_last_used_stays(store, job, monkeypatch):
    monkeypatch.setattr(
        photo_cache, "_BYTES_A_PIXEL", photo_cache._KEPT_BYTES // (3 * 120 * 160)
    )  # three of these fill it
    shots = [add_photo(store, job, noise_jpeg(i), f"{i}.jpg").photo for i in range(5)]
    for photo in shots:
        photo_cache.decoded_photo(photo_path(store, photo.sha256), photo.sha256)
    assert [sha for _, sha, _ in photo_cache._KEPT] == [p.sha256 for p in shots[2:]]
    assert photo_cache._KEPT.currsize <= photo_cache._KEPT_BYTES


def test_a_photo_larger_than_the_bound_is_kept_alone(store, job, monkeypatch, count):
    monkeypatch.setattr(photo_cache, "_BYTES_A_PIXEL", photo_cache._KEPT_BYTES)
    photo = add_photo(store, job, noise_jpeg(1), "a.jpg").photo
    for _ in range(2):
        photo_cache.decoded_photo(photo_path(store, photo.sha256), photo.sha256)
    assert len(photo_cache._KEPT) == 1
    assert count["decoded"] == {photo.sha256: 1}


@pytest.mark.slow
def test_a_photo_without_a_scale_is_searched_for_one_once(store, job, monkeypatch):
    searched, calibrate = [], measure.calibrate
    monkeypatch.setattr(measure, "calibrate", lambda photo, ask: searched.append(ask) or calibrate(photo, ask))
    photo = add_photo(store, job, noise_jpeg(1), "a.jpg").photo
    for _ in range(2):
        with pytest.raises(ScaleError):
            services.plane_of(store, photo.id)
    assert len(searched) == 1


@pytest.fixture
def gate(store, job, monkeypatch):
    """Looking waits until it is opened; returns it with the arguments that name each of four photos."""
    opened = threading.Event()

    def look(photo, ask, calibrated):
        assert opened.wait(PATIENCE_S)
        if photo.sha256 == shots["bad"]:
            raise InspectError("Nothing is in it.", "Take another.")
        return lambda asked: photo.sha256

    monkeypatch.setattr(measure, "calibrate", lambda photo, ask: None)
    monkeypatch.setattr(measure, "look", look)
    files = {"a": noise_jpeg(1), "b": noise_jpeg(2), "c": noise_jpeg(3), "bad": noise_jpeg(4)}
    shots = {n: add_photo(store, job, data, n).photo.sha256 for n, data in files.items()}
    yield opened, {n: (photo_path(store, sha), sha) for n, sha in shots.items()}
    opened.set()


def test_photos_leafed_through_faster_than_they_are_looked_at_are_all_answered(gate):
    opened, shots = gate
    for at in shots.values():
        photo_cache.look_ahead(*at, PLAN)
    with ThreadPoolExecutor(3) as pool:
        said = [pool.submit(lambda at=shots[n]: photo_cache.detected_photo(*at, PLAN)(PLAN)) for n in ("c", "a", "b")]
        opened.set()
        assert [s.result(PATIENCE_S) for s in said] == [shots[n][1] for n in ("c", "a", "b")]


def test_a_photo_that_shows_nothing_keeps_neither_the_next_nor_a_new_question_waiting(gate):
    opened, shots = gate
    photo_cache.look_ahead(*shots["bad"], PLAN)
    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(photo_cache.detected_photo, *shots["bad"], PLAN)
        opened.set()
        with pytest.raises(InspectError):
            waiting.result(PATIENCE_S)
    with pytest.raises(InspectError):
        photo_cache.detected_photo(*shots["bad"], replace(PLAN, first_fret=2))
    photo_cache.look_ahead(*shots["a"], PLAN)
    assert photo_cache.detected_photo(*shots["a"], PLAN)(PLAN) == shots["a"][1]
