"""Measuring in turn: on while the page is left, stopped, gone on with; one that fails is in no other's way."""

from threading import Event

import pytest

from inspect_app.reading.ask import Ask
from inspect_app.services import (
    QueueState,
    add_photo,
    forget,
    go_on,
    job_view,
    measuring_queue,
    put_in_queue,
    queue_of,
    stop_queue,
    wait_for_queue,
)
from shared.errors import PhotoError
from tests.inspect_app.conftest import full_answer, measure_with, noise_jpeg


@pytest.fixture
def three(store, job):
    return [add_photo(store, job, noise_jpeg(n), f"{n}.jpg").photo for n in (1, 2, 3)]


def asked(photos, first=1):
    return [(p.id, p.name, Ask("plan", first_fret=first)) for p in photos]


def turns(store, job):
    return [q.turn for q in queue_of(store, job)]


def test_all_are_measured_in_turn(store, job, three, fake_measuring):
    put_in_queue(store, job, asked(three, 5))
    assert wait_for_queue(store)
    assert turns(store, job) == [QueueState.DONE] * 3
    assert [a.first_fret for a in fake_measuring] == [5, 5, 5]
    assert all(p.inspection for p in job_view(store, job).photos)
    forget(store, job)
    assert queue_of(store, job) == ()


@pytest.fixture
def held(monkeypatch):
    """Measuring waits until it is let go: (begun, go)."""
    begun, go = Event(), Event()

    def measure(photo, ask):
        begun.set()
        assert go.wait(30)
        return full_answer(photo.name, photo.sha256, ask)

    measure_with(monkeypatch, measure)
    return begun, go


def test_stopped_after_this_photo_and_gone_on_with(store, job, three, held):
    begun, go = held
    put_in_queue(store, job, asked(three))
    assert begun.wait(30)
    assert turns(store, job) == [QueueState.MEASURING, QueueState.WAITING, QueueState.WAITING]
    stop_queue(store, job)
    go.set()
    assert wait_for_queue(store)
    assert turns(store, job) == [QueueState.DONE, QueueState.STOPPED, QueueState.STOPPED]
    assert [bool(p.inspection) for p in job_view(store, job).photos] == [True, False, False]
    go_on(store, job)
    assert wait_for_queue(store)
    assert turns(store, job) == [QueueState.DONE] * 3


def test_asked_anew_while_it_is_measured_it_is_measured_anew(store, job, three, held):
    begun, go = held
    put_in_queue(store, job, asked(three[:1], 1))
    assert begun.wait(30)
    put_in_queue(store, job, asked(three[:1], 7))
    go.set()
    assert wait_for_queue(store)
    assert job_view(store, job).photos[0].inspection.ask.first_fret == 7


def test_taken_out_while_it_is_measured_it_holds_up_no_other(store, job, three, held):
    begun, go = held
    put_in_queue(store, job, asked(three[:1]))
    assert begun.wait(30)
    put_in_queue(store, job, asked(three[:1], 7))  # waits for the first answer, is stopped and taken out
    stop_queue(store, job)
    forget(store, job)
    assert queue_of(store, job) == ()
    go.set()
    assert wait_for_queue(store, 10.0)
    put_in_queue(store, job, asked(three[1:]))
    assert wait_for_queue(store)
    assert turns(store, job) == [QueueState.DONE] * 2


@pytest.mark.parametrize("error", [PhotoError("The file is gone.", "Restore it."), RuntimeError("odd")])
def test_one_that_fails_lets_the_others_be_measured_and_can_be_tried_again(store, job, three, monkeypatch, error):
    measure, failing = measuring_queue.measure_photo, [three[1].id]
    measure_with(monkeypatch, lambda photo, ask: full_answer(photo.name, photo.sha256, ask))

    def sometimes(store, photo_id, ask):
        if photo_id in failing:
            failing.clear()
            raise error
        return measure(store, photo_id, ask)

    monkeypatch.setattr(measuring_queue, "measure_photo", sometimes)
    put_in_queue(store, job, asked(three))
    assert wait_for_queue(store)
    assert turns(store, job) == [QueueState.DONE, QueueState.FAILED, QueueState.DONE]
    failed = queue_of(store, job)[1]
    assert failed.wrong
    assert failed.advice
    assert str(error) not in failed.wrong or isinstance(error, PhotoError)
    go_on(store, job)
    assert wait_for_queue(store)
    assert turns(store, job) == [QueueState.DONE] * 3
    assert queue_of(store, job)[1].wrong == ""
