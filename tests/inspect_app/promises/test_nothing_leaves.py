"""Nothing leaves the machine: other sites' pages are refused before anything is asked, and pages load nothing else.

`tests/conftest.py` lets no test reach another machine either.
"""

import socket

import pytest
from starlette.applications import Starlette
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.responses import PlainTextResponse
from starlette.routing import Route, WebSocketRoute
from streamlit.web.server.starlette.starlette_websocket import _is_origin_allowed

from inspect_app.ui import server
from inspect_app.ui.access import PasscodeGate
from inspect_app.ui.content_policy import OwnPagesOnly, policy
from inspect_app.ui.server import Settings, build_app
from inspect_app.ui.words import label_of, plain
from tests.conftest import Outside
from tests.inspect_app.ui.asgi import Client, apart


async def hello(request):
    return PlainTextResponse("inside")


async def talk(websocket):
    await websocket.accept()
    await websocket.close()


def websocket(app, origin, host="127.0.0.1"):
    """The kinds of messages that a websocket from a page of `origin` gets."""
    sent, asked = [], []
    scope = {
        "type": "websocket", "path": "/_stcore/stream", "raw_path": b"/_stcore/stream", "query_string": b"",
        "scheme": "ws", "subprotocols": [], "client": ("127.0.0.1", 1),
        "headers": [(b"host", host.encode()), *([(b"origin", origin.encode())] if origin else [])],
    }  # fmt: skip

    async def receive():
        asked.append(1)
        return {"type": "websocket.connect"} if len(asked) == 1 else {"type": "websocket.disconnect", "code": 1000}

    async def send(message):
        sent.append(message["type"])

    apart(app, scope, receive, send)
    return sent


ELSEWHERE = ["http://elsewhere.example", "http://127.0.0.1:9", "null", "http://[", "http://127.0.0.1.elsewhere.example"]


@pytest.mark.parametrize("origin", ELSEWHERE)
def test_another_sites_page_is_refused_before_streamlit_looks(origin, monkeypatch):
    asked = []
    monkeypatch.setattr("streamlit.net_util.get_external_ip", lambda: asked.append(1))

    async def as_streamlit(scope, receive, send):
        await send({"type": "websocket.accept" if _is_origin_allowed(origin, "127.0.0.1") else "websocket.close"})

    assert websocket(OwnPagesOnly(as_streamlit), origin) == ["websocket.close"]
    assert asked == []


def test_the_pages_stand_behind_it(data_dir, monkeypatch):
    made = []
    monkeypatch.setattr(server.st, "App", lambda *_, **how: made.append([m.cls for m in how["middleware"]]))
    build_app(Settings(data_dir))
    build_app(Settings(data_dir, lan=True, passcode="pear-tree-9"))
    server.store().close()
    server.use(Settings())
    assert made == [[TrustedHostMiddleware, OwnPagesOnly], [TrustedHostMiddleware, OwnPagesOnly, PasscodeGate]]


@pytest.mark.parametrize("origin", ["http://127.0.0.1", "https://127.0.0.1", None])
def test_its_own_pages_are_answered(origin):
    app = OwnPagesOnly(Starlette(routes=[WebSocketRoute("/_stcore/stream", talk)]))
    assert websocket(app, origin)[0] == "websocket.accept"


def test_every_answer_says_that_nothing_is_loaded_from_elsewhere():
    client = Client(OwnPagesOnly(Starlette(routes=[Route("/", hello)])))
    for path in ("/", "/missing"):
        headers = client.get(path).headers
        rules = dict(rule.split(" ", 1) for rule in headers["content-security-policy"].split("; "))
        assert rules["default-src"] == "'self'"
        assert not any("http" in r or "*" in r for r in rules.values())
        assert rules["frame-ancestors"] == "'self'"
        assert headers["referrer-policy"] == "same-origin"
        assert headers["x-content-type-options"] == "nosniff"


def test_a_host_can_write_nothing_into_the_policy():
    assert "ws://bench.local:8501 " in policy("bench.local:8501")
    for host in ("x; script-src *", "x y", "", "x\r\nSet-Cookie: a"):
        assert "ws:" not in policy(host)
        assert host in ("",) or host not in policy(host)


@pytest.mark.parametrize("text", ["![x](http://elsewhere.example/x.png)", "[x](javascript:alert(1))", "<img src=x>"])
def test_text_from_a_person_is_never_markdown(text):
    for safe in (plain(text), label_of(text)):
        for sign in "![]()<>":
            assert safe.count(sign) == safe.count(f"\\{sign}")


def test_no_test_reaches_another_machine():
    with socket.socket() as s, pytest.raises(Outside):
        s.connect(("192.0.2.1", 80))
