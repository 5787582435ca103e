"""Who may reach the pages from the bench's network: a passcode for every request and websocket, tries counted, or a
code shown on a page to scan."""

from __future__ import annotations

import hashlib
import hmac
import html
import secrets
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from string import Template
from urllib.parse import parse_qs, quote, urlencode

import anyio
from itsdangerous import BadSignature, TimestampSigner
from starlette.datastructures import URL
from starlette.requests import HTTPConnection, Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

__all__ = ["SCAN_S", "PasscodeGate", "Passes", "FailedTries", "local_path"]

COOKIE = "bench_pass"
SESSION_S = 12 * 3600
"""A pass lasts a working day."""
SCAN_S = 15 * 60
"""A code to scan is good for a quarter of an hour: time to fetch the phone, and too short for a picture of the screen
to be of use later (common practice, no source). A page left open makes a new one before (`phone.RENEWED_S`)."""
MAX_TRIES, TRY_WINDOW_S = 5, 300.0
"""Five tries in five minutes an address: half a million a year, against two thousand million
passcodes of six letters and digits."""
_OPEN = ("/_stcore/health",)  # says only that the server runs
_FORM_BYTES = 4096  # a passcode form is far smaller
_PAGE = Template((Path(__file__).parent / "static" / "enter.html").read_text(encoding="utf-8"))


@dataclass
class FailedTries:
    """Failed tries by address within the last `TRY_WINDOW_S` seconds."""

    clock: Callable[[], float] = time.monotonic
    failed: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))

    def allowed(self, address: str) -> bool:
        """Whether `address` may try again now."""
        now = self.clock()
        recent = [t for t in self.failed.get(address, []) if now - t < TRY_WINDOW_S]
        if recent:
            self.failed[address] = recent
        else:
            self.failed.pop(address, None)
        return len(recent) < MAX_TRIES

    def add(self, address: str) -> None:
        """Count one failed try."""
        self.failed[address].append(self.clock())


def local_path(target: str) -> str:
    """`target` if it is a path of this server, else ``/``: a link can't send anyone elsewhere after signing in."""
    plain = target.startswith("/") and not target.startswith("//") and "\\" not in target
    return target if plain and all(c.isprintable() for c in target) else "/"


class Passes:
    """What lets in, signed with a key that ends with this process: the pass in a cookie, the code to scan for one."""

    def __init__(self) -> None:
        self._signer = TimestampSigner(secrets.token_bytes(32))

    def cookie(self) -> str:
        """A new pass."""
        return self._signer.sign("in").decode()

    def to_scan(self, target: str) -> str:
        """The path that gives a pass and goes on to `target`, for `SCAN_S`."""
        return f"/enter?{urlencode({'next': target, 'scanned': self._signer.sign('scan').decode()})}"

    def good(self, cookie: str) -> bool:
        """Whether a cookie is a pass that has not run out."""
        return self._holds(cookie, "in", SESSION_S)

    def scanned(self, code: str) -> bool:
        """Whether a scanned code has not run out."""
        return self._holds(code, "scan", SCAN_S)

    def _holds(self, signed: str, what: str, seconds: int) -> bool:
        try:
            return self._signer.unsign(signed, max_age=seconds) == what.encode()
        except BadSignature:
            return False


class PasscodeGate:
    """ASGI middleware: nothing but the sign-in form answers before the passcode was given, or a code scanned."""

    def __init__(
        self, app: ASGIApp, passcode: str, tries: FailedTries | None = None, passes: Passes | None = None
    ) -> None:
        self.app = app
        self._salt = secrets.token_bytes(16)
        self._hash = _scrypt(passcode, self._salt)
        self._passes = passes or Passes()
        self._tries = tries or FailedTries()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what carries a valid pass; sign in; refuse the rest."""
        if scope["type"] == "lifespan" or scope["path"] in _OPEN or self._has_pass(HTTPConnection(scope)):
            await self.app(scope, receive, send)
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 4401, "reason": "passcode needed"})
        else:
            response = await self._answer(Request(scope, receive))
            await response(scope, receive, send)

    def _has_pass(self, connection: HTTPConnection) -> bool:
        return self._passes.good(connection.cookies.get(COOKIE, ""))

    async def _answer(self, request: Request) -> Response:
        if request.url.path == "/enter":
            target = local_path(request.query_params.get("next", "/"))
            return await self._enter(request, target) if request.method == "POST" else self._come(request, target)
        if "text/html" not in request.headers.get("accept", ""):
            return PlainTextResponse("The passcode is needed: open this address in a browser.", 401)
        return RedirectResponse(f"/enter?next={quote(_path(request.url))}", 303)

    def _come(self, request: Request, target: str) -> Response:
        """The form, unless a code was scanned that is still good."""
        code = request.query_params.get("scanned")
        if code is None:
            return _form(target)
        if not self._passes.scanned(code):
            return _form(
                target, "This code has run out. Scan the one on the bench's page now, or type the passcode.", 401
            )
        return self._let_in(target)

    async def _enter(self, request: Request, target: str) -> Response:
        address = request.client.host if request.client else "unknown"
        if not self._tries.allowed(address):
            return _form(target, "Too many wrong passcodes. Wait five minutes, then try again.", 429)
        body = bytearray()
        async for chunk in request.stream():
            body += chunk
            if len(body) > _FORM_BYTES:
                return _form(target, "That was too long to be a passcode. Type it again.", 413)
        given = parse_qs(body.decode("utf-8", "replace")).get("passcode", [""])[0]
        self._tries.add(address)  # counted before the slow check, so that many at once do not slip through
        if not hmac.compare_digest(await anyio.to_thread.run_sync(_scrypt, given, self._salt), self._hash):
            return _form(target, "That passcode is not right. It was chosen where the program was started.", 401)
        self._tries.failed.pop(address, None)
        return self._let_in(target)

    def _let_in(self, target: str) -> Response:
        answer = RedirectResponse(target, 303, {"Cache-Control": "no-store"})
        answer.set_cookie(COOKIE, self._passes.cookie(), max_age=SESSION_S, httponly=True, samesite="strict", path="/")
        return answer


def _scrypt(passcode: str, salt: bytes) -> bytes:
    """RFC 7914 with N = 2^14, r = 8, p = 1, as its section 2 advises for interactive use."""
    return hashlib.scrypt(passcode.encode(), salt=salt, n=2**14, r=8, p=1)


def _path(url: URL) -> str:
    return url.path + (f"?{url.query}" if url.query else "")


def _form(target: str, message: str = "", status: int = 200) -> HTMLResponse:
    said = f'<p role="alert">{html.escape(message)}</p>' if message else ""
    page = _PAGE.substitute(said=said, next=html.escape(quote(target, safe=""), quote=True))
    return HTMLResponse(page, status, {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"})
