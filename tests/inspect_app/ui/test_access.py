"""The gate before the pages on a network: nothing without the passcode, tries counted, no way to another host."""

import time
from urllib.parse import unquote

import anyio
import pytest
from itsdangerous import TimestampSigner
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route, WebSocketRoute

from inspect_app.ui.access import MAX_TRIES, SCAN_S, TRY_WINDOW_S, FailedTries, PasscodeGate, Passes, local_path
from inspect_app.ui.server import Settings, config
from shared.errors import OptionError
from tests.inspect_app.ui.asgi import Client

CODE = "pear-tree-9"


class Clock:
    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


async def hello(request):
    return PlainTextResponse("inside")


async def talk(websocket):
    await websocket.accept()
    await websocket.send_text("inside")
    await websocket.close()


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def client(clock):
    inside = Starlette(routes=[Route("/{path:path}", hello), WebSocketRoute("/_stcore/stream", talk)])
    return Client(PasscodeGate(inside, CODE, FailedTries(clock)))


def enter(client, code, target="/"):
    return client.post(f"/enter?next={target}", data={"passcode": code})


@pytest.mark.parametrize("path", ["/", "/photo/x/preview.jpg", "/media/a", "/static/a", "/_stcore/upload_file/a/b"])
def test_nothing_answers_before_the_passcode(client, path):
    assert client.get(path).status_code == 401
    sent = client.get(path, headers={"accept": "text/html"})
    assert sent.status_code == 303
    assert sent.headers["location"].startswith("/enter?next=")


def test_a_websocket_is_refused_before_and_answered_after(client):
    assert [m["type"] for m in client.websocket("/_stcore/stream")] == ["websocket.close"]
    assert enter(client, CODE).status_code == 303
    sent = client.websocket("/_stcore/stream")
    assert sent[0]["type"] == "websocket.accept"
    assert sent[1]["text"] == "inside"


def test_the_right_passcode_lets_in_and_keeps_the_way(client):
    answer = enter(client, CODE, "/photos%3Fjob%3D3")
    assert answer.headers["location"] == "/photos?job=3"
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    assert client.get("/").text == "inside"


def test_a_forged_pass_is_no_pass(client):
    client.cookies.set("bench_pass", "in.forged.signature")
    assert client.get("/").status_code == 401


def test_a_scanned_code_lets_in_until_it_runs_out_and_is_no_pass_itself(monkeypatch):
    passes = Passes()
    gate = PasscodeGate(Starlette(routes=[Route("/{path:path}", hello)]), CODE, passes=passes)
    way = passes.to_scan("/photos?job=3&visit=after")
    code = way.partition("scanned=")[2]
    cheat, client = Client(gate), Client(gate)
    cheat.cookies.set("bench_pass", unquote(code))
    assert cheat.get("/").status_code == 401
    answer = client.get(way)
    assert (answer.status_code, answer.headers["location"]) == (303, "/photos?job=3&visit=after")
    assert client.get("/").text == "inside"
    late = int(time.time()) + SCAN_S + 1
    monkeypatch.setattr(TimestampSigner, "get_timestamp", lambda _: late)
    refused = Client(gate).get(way)
    assert refused.status_code == 401
    assert "has run out" in refused.text
    assert client.get("/").text == "inside"


@pytest.mark.slow
def test_wrong_tries_are_limited_and_the_limit_passes(client, clock):
    for _ in range(MAX_TRIES):
        assert enter(client, "wrong").status_code == 401
    late = enter(client, CODE)
    assert late.status_code == 429
    assert "five minutes" in late.text
    clock.now += TRY_WINDOW_S + 1
    assert enter(client, CODE).status_code == 303


def test_tries_at_the_same_moment_are_all_counted():
    tries = FailedTries(Clock())
    for _ in range(MAX_TRIES):
        assert tries.allowed("a")
        tries.add("a")
    assert not tries.allowed("a")
    assert tries.allowed("b")


@pytest.mark.parametrize(
    ("given", "taken"),
    [
        ("/photos?job=3", "/photos?job=3"),
        ("//elsewhere.example/", "/"),
        ("https://elsewhere.example/", "/"),
        ("/\\elsewhere.example", "/"),
        ("/a\r\nSet-Cookie: x=1", "/"),
        ("", "/"),
    ],
)
def test_only_paths_of_this_server_are_gone_on_to(given, taken):
    assert local_path(given) == taken


def test_what_was_typed_never_comes_back_as_markup(client):
    answer = client.get('/enter?next=/"><script>alert(1)</script>')
    assert "<script>" not in answer.text


def test_an_endless_form_is_cut_off(client):
    assert client.post("/enter", content=b"passcode=" + b"x" * 100_000).status_code == 413


def test_health_tells_only_that_it_runs(client):
    assert client.get("/_stcore/health").status_code == 200


def test_the_network_needs_a_passcode():
    with pytest.raises(OptionError, match="passcode"):
        Settings(lan=True)
    with pytest.raises(OptionError, match="6 characters"):
        Settings(lan=True, passcode="short")
    Settings(lan=True, passcode=CODE)


def test_only_loopback_is_bound_unless_asked():
    assert config(Settings())["server.address"] == "127.0.0.1"
    assert config(Settings(lan=True, passcode=CODE))["server.address"] == "0.0.0.0"
    assert config(Settings())["browser.gatherUsageStats"] is False


def test_the_passcode_is_checked_off_the_event_loop(monkeypatch, client):
    seen = []
    real = anyio.to_thread.run_sync

    async def spy(function, *args):
        seen.append(function.__name__)
        return await real(function, *args)

    monkeypatch.setattr(anyio.to_thread, "run_sync", spy)
    enter(client, "wrong")
    assert "_scrypt" in seen
