"""Photos measured by the workers of a dask.distributed scheduler; needs the extra ``cluster``."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from typing import ParamSpec, TypeVar

from inspect_app import __version__
from shared.errors import OptionError, StoppedError

__all__ = ["Cluster"]

P = ParamSpec("P")
T = TypeVar("T")
_WAIT_S = 10
"""How long a scheduler has to answer (common practice, no source)."""


class Cluster:
    """The workers of one scheduler. They must have this version installed: then the answers are the same to the bit.

    Raises
    ------
    OptionError
        If the extra is not installed, the scheduler does not answer, or its workers have another version or are none.
    """

    def __init__(self, address: str) -> None:
        try:
            from distributed import Client
        except ImportError:
            raise OptionError(
                "The part that works with clusters is not installed.", "Install it: pip install 'inspect-app[cluster]'."
            ) from None
        try:
            self._client = Client(address, timeout=_WAIT_S, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            raise OptionError(
                f"No scheduler answers at {address} ({error}).", "Start one with `dask scheduler`, and its workers."
            ) from None
        self.width = sum(self._client.ncores().values())
        versions = set(self._client.run(version_here).values()) if self.width else set()
        if versions != {__version__}:
            self._client.close()
            raise OptionError(*_version_mismatch(address, versions))

    def submit(self, f: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Begin a call on some worker; bytes go ahead of it, so that the scheduler need not carry them."""
        sent = [self._client.scatter(a, hash=False) if isinstance(a, bytes) else a for a in args]
        far = self._client.submit(f, *sent, pure=False, **kwargs)
        near: Future[T] = Future()

        def done(call: object) -> None:
            try:
                near.set_result(far.result())
            except Exception as error:
                lost = type(error).__module__.startswith("distributed")
                near.set_exception(StoppedError(f"The cluster lost this photo ({error}).") if lost else error)

        far.add_done_callback(done)
        return near

    def close(self) -> None:
        """Let go of the scheduler; it and its workers stay."""
        self._client.close()


def version_here() -> str:
    """The version that a worker has installed."""
    return __version__


def _version_mismatch(address: str, versions: set[str]) -> tuple[str, str]:
    if not versions:
        return f"The scheduler at {address} has no workers.", "Start some with `dask worker ADDRESS`."
    return (
        f"The workers of {address} have version {', '.join(sorted(versions))}, and this is {__version__}.",
        "Install the same version everywhere: only then are the answers the same.",
    )
