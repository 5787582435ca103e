"""The web server of the pages: loopback only unless asked, nothing fetched from or sent to another machine."""

from __future__ import annotations

import gc
import logging
import socket
import webbrowser
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from threading import Timer
from typing import Any

import streamlit as st
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware

from inspect_app import services
from inspect_app.services import workers
from inspect_app.services.known_things import held_path
from inspect_app.ui.access import PasscodeGate, Passes
from inspect_app.ui.content_policy import OwnPagesOnly
from inspect_app.ui.look import THEME
from inspect_app.ui.photo_files import routes
from inspect_app.ui.prepare_ahead import load_the_rest
from shared.data_folder import PREVIEWS
from shared.errors import OptionError

__all__ = ["Settings", "settings", "use", "store", "build_app", "config", "lan_address", "passes", "MIN_PASSCODE"]

HERE = Path(__file__).parent
_LOG = logging.getLogger(__name__)
MIN_PASSCODE = 6
"""Shortest passcode accepted; see `gate.MAX_TRIES` for what guessing costs."""
MAX_UPLOAD_MB = 60
"""Largest photo accepted: three times a 48-megapixel JPEG of the finest quality."""
_LOOPBACK = ("localhost", "127.0.0.1", "[::1]")


@dataclass(frozen=True, slots=True)
class Settings:
    """How this run of the pages was started."""

    data_dir: Path | None = None
    port: int = 8501
    lan: bool = False
    passcode: str | None = None

    def __post_init__(self) -> None:
        if self.lan and len(self.passcode or "") < MIN_PASSCODE:
            raise OptionError(
                f"To be reached from the network the pages need a passcode of at least {MIN_PASSCODE} characters.",
                "Give one with --passcode, or leave --lan out.",
            )


_current = Settings()


def use(chosen: Settings) -> None:
    """Take `chosen` for this process."""
    global _current
    _current = chosen
    store.cache_clear()


def settings() -> Settings:
    """How this process was started."""
    return _current


@lru_cache(maxsize=1)
def store() -> services.Store:
    """The store of this process, opened once.

    Raises
    ------
    StoreError
        If the data folder cannot be used.
    """
    return services.open_store(_current.data_dir)


@lru_cache(maxsize=1)
def passes() -> Passes:
    """What lets phones in while this process runs."""
    return Passes()


def build_app(chosen: Settings) -> st.App:
    """The ASGI application: pages, photos, and the gate when the network may reach it."""
    use(chosen)
    opened = store()
    hosts = [
        *_LOOPBACK,
        *((lan_address(), socket.gethostname(), f"{socket.gethostname()}.local") if chosen.lan else ()),
    ]
    middleware = [Middleware(TrustedHostMiddleware, allowed_hosts=hosts)]
    middleware.append(Middleware(OwnPagesOnly))
    if chosen.lan:
        middleware.append(Middleware(PasscodeGate, passcode=str(chosen.passcode), passes=passes()))
    return st.App(
        HERE / "app.py",
        routes=routes(
            lambda sha: held_path(opened, sha) or services.photo_path(opened, sha), opened.data_dir / PREVIEWS
        ),
        middleware=middleware,
        lifespan=_warm,
        on_script_error=_unexpected,
    )


def _unexpected(error: Exception) -> bool:
    """Say that a page failed, without its inner workings; the log keeps those."""
    _LOG.error("a page failed", exc_info=error)
    st.error(
        "This page failed in a way nobody foresaw. **What was stored is as it was: load the page again, and if it "
        "fails again, go back to the list of jobs.**"
    )
    return True


@asynccontextmanager
async def _warm(app: st.App) -> AsyncIterator[None]:
    """Import what the first page needs, and start what reads photos, before anyone waits for it."""
    workers.start()
    import_module("pandas")
    import_module("pyarrow")
    settle()
    load_the_rest(settle)
    yield
    workers.stop()


def settle() -> None:
    """Leave out all that is loaded by now of later collections: there is one after every rerun, and what is loaded
    stays."""
    gc.collect()
    gc.freeze()


@lru_cache(maxsize=1)
def settle_once() -> None:
    """As `settle`, when a page with readings has been shown for the first time: that loads the rest."""
    settle()


def config(chosen: Settings) -> dict[str, Any]:
    """Streamlit's options for this run."""
    return {
        "server.address": "0.0.0.0" if chosen.lan else "127.0.0.1",
        "server.port": chosen.port,
        "server.headless": True,  # the browser is opened by us, at the right address
        "server.fileWatcherType": "none",
        "server.maxUploadSize": MAX_UPLOAD_MB,
        "server.enableXsrfProtection": True,
        "server.enableCORS": True,
        "server.showEmailPrompt": False,
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        "client.showErrorLinks": False,
        "runner.magicEnabled": False,
        "logger.hideWelcomeMessage": True,
        **THEME,
    }


def lan_address() -> str:
    """This machine's address on the network, found without sending anything; loopback if it has none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
        try:
            s.connect(("192.0.2.1", 9))  # RFC 5737 documentation address: picks the outgoing interface only
        except OSError:
            return "127.0.0.1"
        return str(s.getsockname()[0])


def open_soon(url: str) -> None:
    """Open the browser once the server has had a moment to start."""
    timer = Timer(1.0, webbrowser.open, (url,))
    timer.daemon = True
    timer.start()
