"""Nothing but these pages may talk to the server, and these pages may talk to nothing else."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from inspect_app.ui.script_links import links

__all__ = ["OwnPagesOnly", "policy"]

_HOST = re.compile(r"[A-Za-z0-9.-]+(:\d{1,5})?|\[[0-9A-Fa-f:.]+\](:\d{1,5})?")
"""A host and port as RFC 3986 writes them, names of DNS only."""


def policy(host: str) -> str:
    """The content security policy (W3C CSP level 3) of pages served as `host`: all they load comes from there.

    Streamlit's pages need inline styles and scripts, and its charts evaluate their expressions; websockets are named
    for browsers that do not count them to ``'self'``.
    """
    sockets = f" ws://{host} wss://{host}" if _HOST.fullmatch(host) else ""
    return "; ".join(
        (
            "default-src 'self'",
            "script-src 'self' 'unsafe-inline' 'unsafe-eval' 'wasm-unsafe-eval' blob:",
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "media-src 'self' data: blob:",
            "font-src 'self' data:",
            f"connect-src 'self' data: blob:{sockets}",
            "worker-src 'self' blob:",
            "frame-src 'self' data: blob:",
            "object-src 'none'",
            "base-uri 'self'",
            "form-action 'self'",
            "frame-ancestors 'self'",
        )
    )


class OwnPagesOnly:
    """ASGI middleware: websockets of other sites' pages are refused, and every answer carries the policy.

    Refused here, before Streamlit looks at the origin: it would ask an outside address for this machine's own, and
    stand still meanwhile.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what comes from these pages."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        host, origin = headers.get("host", ""), headers.get("origin")
        if scope["type"] == "websocket" and origin is not None and _netloc(origin) != host:
            await send({"type": "websocket.close", "code": 4403, "reason": "another site's page"})
            return

        async def send_with_policy(message: Message) -> None:
            if message["type"] == "http.response.start":
                answer = MutableHeaders(scope=message)
                answer["Content-Security-Policy"] = policy(host)
                answer["Referrer-Policy"] = "same-origin"
                answer["X-Content-Type-Options"] = "nosniff"
                answer["X-Frame-Options"] = "SAMEORIGIN"
                if answer.get("Content-Type", "").startswith("text/html"):
                    answer["Link"] = links()
            await send(message)

        await self.app(scope, receive, send_with_policy)


def _netloc(origin: str) -> str:
    try:
        return urlsplit(origin).netloc
    except ValueError:
        return ""
