"""What may come in: our own host name and origin only, paired devices only, and not too much at once.

A page of some other site that is open in the same browser can send requests to 127.0.0.1; the browser then says where
they come from. Whatever changes something or opens a socket must come from our own pages (Origin), whatever comes in
must have asked for us by name (Host, against rebinding of names), and other devices must be paired.
"""

import time
from collections.abc import Mapping
from http.cookies import CookieError, SimpleCookie

from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fluewright.web.pairing import Pairing

__all__ = ["LARGEST_UPLOAD", "SESSION_COOKIE", "THIS_COMPUTER", "Guard"]

SESSION_COOKIE = "fluewright_session"
THIS_COMPUTER = ("127.0.0.1", "::1", "testclient")
"""Clients that need no pairing; the last is how tests call themselves, which no address on a network can be."""

LARGEST_UPLOAD = 300 * 1024 * 1024
_LARGEST_REQUEST = 1024 * 1024
_REQUESTS_A_SECOND, _BURST = 60.0, 240.0

_HEADERS = {
    b"content-security-policy": (
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; media-src 'self' blob:; "
        b"font-src 'self'; connect-src 'self'; worker-src 'self'; manifest-src 'self'; form-action 'self'; "
        b"base-uri 'none'; frame-ancestors 'none'"
    ),
    b"x-content-type-options": b"nosniff",
    b"referrer-policy": b"no-referrer",
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"permissions-policy": b"microphone=(self), camera=(), geolocation=()",
}


class Guard:
    """ASGI middleware that refuses what should not come in, sockets too.

    Parameters
    ----------
    app : ASGI app
    hosts : set of str
        Names by which we may be asked for, with the port, for example ``127.0.0.1:8123``.
    scheme : str
        "http" or "https".
    pairing : Pairing
    """

    def __init__(self, app: ASGIApp, *, hosts: set[str], scheme: str, pairing: Pairing) -> None:
        self.app = app
        self.hosts = hosts
        self.scheme = scheme
        self.pairing = pairing
        self._tokens: dict[str, tuple[float, float]] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request or socket through, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await self._refuse(scope, receive, send, *refusal)
            return
        if scope["type"] == "websocket":
            await self.app(scope, receive, send)
            return
        most = LARGEST_UPLOAD if scope["path"].endswith("/recording") else _LARGEST_REQUEST
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > most:
            await self._refuse(
                scope, receive, send, 413, f"more than {most // 1024**2} MiB were sent; a recording may have up to "
                f"{LARGEST_UPLOAD // 1024**2} MiB"
            )  # fmt: skip
            return
        came = 0

        async def counted() -> Message:
            nonlocal came
            message = await receive()
            if message["type"] == "http.request":
                came += len(message.get("body", b""))
                if came > most:
                    # The length was left out or was a lie: the reader sees a client that has gone.
                    return {"type": "http.disconnect"}
            return message

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                raw = [(k, v) for k, v in message.get("headers", []) if k.lower() not in _HEADERS]
                message = {**message, "headers": [*raw, *_HEADERS.items()]}
            await send(message)

        await self.app(scope, counted, with_headers)

    def _refusal(self, scope: Scope, headers: Mapping[str, str]) -> tuple[int, str] | None:
        host = headers.get("host", "")
        if host not in self.hosts:
            return 421, "this name is not one of ours; open the address that `fluewright serve` printed"
        changes = scope["type"] == "websocket" or scope.get("method") not in ("GET", "HEAD")
        if changes and headers.get("origin") != f"{self.scheme}://{host}":
            return 403, "this came from another page than ours and was refused"
        client = scope["client"][0] if scope.get("client") else "?"
        if not self._may_ask(client):
            return 429, "too many requests at once; wait a moment"
        path = scope["path"]
        free = path == "/pair" or path.startswith("/static/") or path == "/favicon.ico"
        if free or client in THIS_COMPUTER:
            return None
        if not self.pairing.known(_session(headers)):
            return 401, "this device is not paired; open /pair and type the code that the workshop's computer shows"
        return None

    def _may_ask(self, client: str) -> bool:
        now = time.monotonic()
        left, at = self._tokens.get(client, (_BURST, now))
        left = min(_BURST, left + (now - at) * _REQUESTS_A_SECOND)
        if len(self._tokens) > 1000:
            self._tokens.clear()
        # What is refused costs nothing: a device that keeps trying gets its sixty a second, not none.
        may = left >= 1.0
        self._tokens[client] = (left - 1.0 if may else left, now)
        return may

    async def _refuse(self, scope: Scope, receive: Receive, send: Send, status: int, why: str) -> None:
        if scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008, "reason": why[:120]})
            return
        if status == 401 and scope.get("method") == "GET" and not scope["path"].startswith("/api/"):
            from starlette.responses import RedirectResponse

            await RedirectResponse("/pair", 303)(scope, receive, send)
            return
        await PlainTextResponse(why + "\n", status)(scope, receive, send)


def _session(headers: Mapping[str, str]) -> str:
    try:
        cookie = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return ""
    return cookie[SESSION_COOKIE].value if SESSION_COOKIE in cookie else ""
