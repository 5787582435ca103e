"""No test is of speed: on a busy machine, properties are given as long as they take. None reaches another machine."""

import os
import socket

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("unhurried", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")

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


@pytest.fixture(autouse=True, scope="session")
def nothing_leaves():
    """For the whole run."""
    socket.socket.connect = _only_here
    yield
    socket.socket.connect = _connect
