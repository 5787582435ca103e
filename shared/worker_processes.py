"""Work on strangers' files in processes of its own, with limits: a file that hangs or fills the memory ends its worker.

The program itself stays up, and the call that was stopped says which file it was. Workers are spawned, never forked:
they start alike on every system, and hold nothing of the program's.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from multiprocessing.context import SpawnContext, SpawnProcess
from typing import Any, ParamSpec, Protocol, TypeVar

from pebble import ProcessExpired, ProcessPool

from shared.errors import StoppedError

__all__ = ["WorkerPool", "InProcess", "Limits", "Runner", "cores", "run_calls", "outcome", "runner"]

NOT_APART = "INSPECT_APP_APART"
"""Set to 0 in the environment, everything is done in the program's own process: for debuggers and tests."""

P = ParamSpec("P")
T = TypeVar("T")
L = TypeVar("L")
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""How numerical libraries are told to keep to one thread, read when they are loaded."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What one call may take: seconds, and bytes of address space of its whole process."""

    seconds: float
    memory: int


class Runner(Protocol):
    """Whatever calls a function somewhere: in this process, in a worker, on another machine."""

    width: int
    """How many calls it can do at a time."""

    def submit(self, f: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Begin a call; arguments and result are pickled where it is done elsewhere."""

    def close(self) -> None:
        """Stop what is still being done."""


class InProcess:
    """Calls at once, in this process: no limits. For debuggers and tests."""

    width = 1

    def submit(self, f: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """The finished call."""
        done: Future[T] = Future()
        try:
            done.set_result(f(*args, **kwargs))
        except Exception as error:
            done.set_exception(error)
        return done

    def close(self) -> None:
        """Nothing to end."""


def runner(workers: int, limits: Limits, load: tuple[str, ...] = ()) -> Runner:
    """Workers for calls; none where the environment says so."""
    return InProcess() if os.environ.get(NOT_APART) == "0" else WorkerPool(workers, limits, load)


class WorkerPool:
    """Worker processes, started when they are first needed; one that is stopped or dies is replaced.

    Safe to share between threads. `load` names modules that the calls need. Each worker keeps to one thread: together
    they fill the cores, and sums are then added up in one order, so that answers are the same to the bit however many
    there are.
    """

    def __init__(self, workers: int, limits: Limits, load: tuple[str, ...] = ()) -> None:
        self.width = workers
        self._limits = limits
        self._load = load
        self._pool: ProcessPool | None = None
        self._turn = threading.Lock()

    def submit(self, f: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Begin a call in a worker; `outcome` says what came of it."""
        with self._turn:
            for _ in range(2):  # a pool whose idle workers were killed is broken, and made anew
                try:
                    return self._begun(f, *args, **kwargs)
                except (RuntimeError, BrokenProcessPool):
                    self._let_go()
            return self._begun(f, *args, **kwargs)

    def _begun(self, f: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        call: Future[T] = self._running().schedule(f, args=args, kwargs=kwargs, timeout=self._limits.seconds)
        return call

    def _running(self) -> ProcessPool:
        if self._pool is None:
            self._pool = ProcessPool(
                self.width,
                initializer=_start_worker,
                initargs=(self._limits.memory, self._load),
                context=_Workers(),
            )
        return self._pool

    def close(self) -> None:
        """End the workers, whatever they do."""
        with self._turn:
            self._let_go()

    def _let_go(self) -> None:
        if self._pool is not None:
            self._pool.stop()
            self._pool.join()
            self._pool = None


class _Worker(SpawnProcess):
    """A worker, whether one of the first or in the place of one that ended: it is started with one thread to use."""

    def start(self) -> None:
        with _ENVIRONMENT, _one_thread():
            super().start()


class _Workers(SpawnContext):
    Process = _Worker


_ENVIRONMENT = threading.Lock()
"""Held while the environment, which is the whole process's, is as a new worker needs it."""


@contextmanager
def _one_thread() -> Iterator[None]:
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _start_worker(memory: int, load: tuple[str, ...]) -> None:
    """What a worker does first: the modules it will need are loaded before it is asked."""
    limit_memory(memory)
    for name in load:
        import_module(name)


def limit_memory(memory: int) -> None:
    """Let this process have that much address space at most, bytes; nothing where the system knows no such limit."""
    try:
        import resource
    except ImportError:  # Windows
        return
    try:
        resource.setrlimit(resource.RLIMIT_AS, (memory, resource.getrlimit(resource.RLIMIT_AS)[1]))
    except (ValueError, OSError):  # a lower one holds already, or the system only pretends to know it (macOS)
        return


def outcome(call: Future[T], name: str) -> T:
    """What a call gave; waits for it.

    Raises
    ------
    StoppedError
        If it was stopped, for it took too long, or took its worker down; `name` says what it was about.
    """
    try:
        return call.result()
    except TimeoutError as error:
        seconds = error.args[1] if len(error.args) > 1 else 0
        raise StoppedError(f"Reading {name} took longer than {seconds:.0f} s and was stopped.") from None
    except (ProcessExpired, BrokenProcessPool) as error:
        raise StoppedError(f"Reading {name} ended the process that did it ({_how_it_ended(error)}).") from None
    except MemoryError:
        raise StoppedError(f"Reading {name} needed more memory than one photo may take.") from None


def _how_it_ended(error: Exception) -> str:
    code = getattr(error, "exitcode", None)
    return "it was killed" if code is None or code < 0 else f"with status {code}"


def run_calls(
    runner: Runner, calls: Iterable[tuple[L, Callable[..., T], tuple[Any, ...]]]
) -> Iterator[tuple[L, Future[T]]]:
    """Make calls, each ``(label, function, arguments)``, as many at a time as there is room for; each as it is done.

    The arguments of no more than two calls a worker are held at a time.
    """
    waiting: dict[Future[T], L] = {}
    for label, f, args in calls:
        waiting[runner.submit(f, *args)] = label
        while len(waiting) >= 2 * runner.width:
            yield from _done(waiting)
    while waiting:
        yield from _done(waiting)


def _done(waiting: dict[Future[T], L]) -> Iterator[tuple[L, Future[T]]]:
    done, _ = wait(waiting, return_when=FIRST_COMPLETED)
    for call in [c for c in waiting if c in done]:  # in the order they were begun
        yield waiting.pop(call), call


def cores() -> int:
    """Processor cores that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # Windows, macOS
        return os.cpu_count() or 1
