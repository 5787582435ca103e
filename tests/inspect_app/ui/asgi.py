"""Requests and websockets put to an ASGI application in this process."""

from concurrent.futures import ThreadPoolExecutor

import anyio
import httpx


def apart(call, *args):
    """Run in a thread of its own, whatever runs in this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(anyio.run, call, *args).result()


class Client:
    """A browser without a screen: keeps cookies, follows no redirect."""

    def __init__(self, app):
        self.app = app
        self.cookies = httpx.Cookies()

    def request(self, method, path, **more):
        async def once():
            transport = httpx.ASGITransport(self.app)
            async with httpx.AsyncClient(transport=transport, base_url="http://bench", cookies=self.cookies) as c:
                answer = await c.request(method, path, **more)
                self.cookies.update(answer.cookies)
                return answer

        return apart(once)

    def get(self, path, **more):
        return self.request("GET", path, **more)

    def post(self, path, **more):
        return self.request("POST", path, **more)

    def websocket(self, path):
        """The messages a websocket at `path` sends until it closes."""
        sent = []
        cookie = "; ".join(f"{k}={v}" for k, v in self.cookies.items())
        scope = {
            "type": "websocket", "path": path, "raw_path": path.encode(), "query_string": b"", "scheme": "ws",
            "headers": [(b"host", b"bench"), (b"cookie", cookie.encode())], "subprotocols": [],
            "client": ("10.0.0.9", 1),
        }  # fmt: skip

        async def receive():
            return {"type": "websocket.connect"}

        async def send(message):
            sent.append(message)

        apart(self.app, scope, receive, send)
        return sent
