"""Calls in workers: what comes back, and what becomes of one that hangs, fills the memory or dies."""

import os
import signal
import time
from dataclasses import astuple

import pytest

from shared.errors import OptionError, StoppedError, UnforeseenError
from shared.worker_processes import InProcess, Limits, WorkerPool, outcome, run_calls, runner

MB = 1 << 20
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
pytestmark = pytest.mark.slow


def double(x):
    return 2 * x


def sleep(seconds):
    time.sleep(seconds)
    return seconds


def meet(folder, n):
    other = n ^ 1
    (folder / str(n)).touch()
    while not (folder / str(other)).exists():
        time.sleep(0.01)
    return other


def fill(size):
    return len(bytearray(size))


def die():
    os.kill(os.getpid(), signal.SIGKILL)


def refuse():
    raise OptionError("It is wrong.", "Do this.", "width")


def fail_unforeseen():
    raise UnforeseenError("IndexError", "line 7")


def number_of_threads():
    return os.environ.get("OPENBLAS_NUM_THREADS"), os.getpid()


@pytest.fixture(scope="module")
def apart():
    """A pool made where nothing says how many threads there may be, as outside these tests."""
    with pytest.MonkeyPatch.context() as m:
        for name in THREADS:
            m.delenv(name, raising=False)
        made = WorkerPool(1, Limits(seconds=3.0, memory=1500 * MB))
        yield made
        made.close()


def test_a_call_comes_back_from_another_process(apart):
    assert outcome(apart.submit(double, 21), "a") == 42
    threads, pid = outcome(apart.submit(number_of_threads), "a")
    assert threads == "1"
    assert pid != os.getpid()


def test_errors_come_back_as_they_were(apart):
    with pytest.raises(OptionError) as caught:
        outcome(apart.submit(refuse), "a")
    assert (caught.value.wrong, caught.value.advice, caught.value.of) == ("It is wrong.", "Do this.", "width")
    with pytest.raises(UnforeseenError) as caught:
        outcome(apart.submit(fail_unforeseen), "a")
    assert caught.value.report == "line 7"


@pytest.mark.parametrize(
    ("call", "says"),
    [
        ((sleep, 60.0), "Reading bad.jpg took longer than 3 s and was stopped"),
        ((fill, 4000 * MB), "needed more memory"),
        ((die,), "ended the process that did it"),
    ],
)
def test_what_oversteps_is_stopped_and_named_and_the_next_goes_on(apart, call, says):
    with pytest.raises(StoppedError, match=says):
        outcome(apart.submit(*call), "bad.jpg")
    assert outcome(apart.submit(double, 4), "good.jpg") == 8
    assert outcome(apart.submit(number_of_threads), "good.jpg")[0] == "1"  # sums are still added up in one order


def test_idle_workers_that_were_killed_are_replaced(apart):
    _, pid = outcome(apart.submit(number_of_threads), "a")
    os.kill(pid, signal.SIGKILL)
    time.sleep(0.5)
    for _ in range(3):  # the pool may notice at the first call
        try:
            assert outcome(apart.submit(double, 4), "a") == 8
            break
        except StoppedError:
            continue
    else:
        pytest.fail("no worker came back")


def test_several_are_done_at_a_time(tmp_path):
    """Each call ends when the one beside it has begun: one after the other, the first would be stopped."""
    two = WorkerPool(2, Limits(seconds=60.0, memory=1500 * MB))
    try:
        done = dict(run_calls(two, ((n, meet, (tmp_path, n)) for n in range(4))))
    finally:
        two.close()
    assert {n: outcome(call, "a") for n, call in done.items()} == {0: 1, 1: 0, 2: 3, 3: 2}


def test_no_more_is_begun_than_there_is_room_for():
    begun = []

    def calls():
        for n in range(9):
            begun.append(n)
            yield n, double, (n,)

    ahead = []
    for n, call in run_calls(InProcess(), calls()):
        ahead.append(len(begun) - len(ahead))
        assert outcome(call, "a") == 2 * n
    assert len(ahead) == 9
    assert max(ahead) <= 2


def test_the_environment_says_whether_there_are_workers(monkeypatch):
    limits = Limits(1.0, MB)
    assert isinstance(runner(2, limits), InProcess)  # as the tests are run
    monkeypatch.delenv("INSPECT_APP_APART")
    assert isinstance(runner(2, limits), WorkerPool)  # nothing is started yet
    assert astuple(limits) == (1.0, MB)
