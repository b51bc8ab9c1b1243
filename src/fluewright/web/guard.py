"""What may come in: our own host name and origin only, paired devices only, and not too much at once.

A page of some other site that is open in the same browser can send requests to 127.0.0.1; the browser then says where
they come from. Whatever changes something or opens a socket must come from our own pages (Origin), whatever is asked
for by another site must be a link to a page that a person followed (Sec-Fetch-Site), whatever comes in must have asked
for us by name (Host, against rebinding of names), and other devices must be paired.
"""

from collections.abc import Mapping
from http.cookies import CookieError, SimpleCookie

from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fluewright.web.answer_headers import answer_headers
from fluewright.web.pairing import Pairing
from fluewright.web.rates import Rates

__all__ = ["LARGEST_UPLOAD", "SESSION_COOKIE", "THIS_COMPUTER", "Guard"]

SESSION_COOKIE = "fluewright_session"
THIS_COMPUTER = ("127.0.0.1", "::1", "testclient")
"""Clients that need no pairing; the last is how tests call themselves, which no address on a network can be."""

LARGEST_UPLOAD = 300 * 1024 * 1024
_LARGEST_REQUEST = 1024 * 1024
_REQUESTS_A_SECOND, _BURST = 60.0, 240.0


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
        self._rates = Rates(_REQUESTS_A_SECOND, _BURST)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request or socket through, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        refusal = self._refusal(scope, headers)
        if scope["type"] == "websocket":
            if refusal is not None:
                await receive()
                await send({"type": "websocket.close", "code": 1008, "reason": refusal[1][:120]})
            elif _client(scope) in THIS_COMPUTER:
                await self.app(scope, receive, send)
            else:
                await self._while_paired(_session(headers), scope, receive, send)
            return

        started = False

        async def with_headers(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                own = answer_headers(scope["path"])
                raw = [(k, v) for k, v in message.get("headers", []) if k.lower() not in own]
                message = {**message, "headers": [*raw, *own.items()]}
            await send(message)

        if refusal is not None:
            await _refused(scope, *refusal)(scope, receive, with_headers)
            return
        most = LARGEST_UPLOAD if scope["path"].endswith("/recording") else _LARGEST_REQUEST
        too_much = _refused(
            scope, 413,
            f"more than {most // 1024**2} MiB were sent; a recording may have up to {LARGEST_UPLOAD // 1024**2} MiB",
        )  # fmt: skip
        length = headers.get("content-length", "0")
        if not (length.isascii() and length.isdecimal() and len(length) <= 15) or int(length) > most:
            await too_much(scope, receive, with_headers)
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

        await self.app(scope, counted, with_headers)
        if came > most and not started:
            await too_much(scope, receive, with_headers)

    def _refusal(self, scope: Scope, headers: Mapping[str, str]) -> tuple[int, str] | None:
        host = headers.get("host", "")
        if host not in self.hosts:
            return 421, "this name is not one of ours; open the address that `fluewright serve` printed"
        changes = scope["type"] == "websocket" or scope.get("method") not in ("GET", "HEAD")
        if changes and headers.get("origin") != f"{self.scheme}://{host}":
            return 403, "this came from another page than ours and was refused"
        # A browser of today says so of every request; one that does not is held off by Origin and the cookie alone.
        if headers.get("sec-fetch-site", "none") not in ("same-origin", "none") and not _followed_link(scope, headers):
            return 403, "another site asked for this and was refused"
        client = _client(scope)
        if not self._rates.may(client):
            return 429, "too many requests at once; wait a moment"
        path = scope["path"]
        free = path == "/pair" or path.startswith("/static/") or path == "/favicon.ico"
        if client in THIS_COMPUTER:
            return None
        # Also where anybody may ask: it says when a device was last seen.
        if not self.pairing.seen(_session(headers), client) and not free:
            return 401, "this device is not paired; open /pair and type the code that the workshop's computer shows"
        return None

    async def _while_paired(self, token: str, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve a socket of another device until its session ends: what is thrown out hears and tells nothing more."""

        async def heard() -> Message:
            message = await receive()
            return message if self.pairing.known(token) else {"type": "websocket.disconnect", "code": 1008}

        async def told(message: Message) -> None:
            if message["type"] == "websocket.send" and not self.pairing.known(token):
                message = {"type": "websocket.close", "code": 1008, "reason": "this device is not paired any more"}
            await send(message)

        await self.app(scope, heard, told)


def _client(scope: Scope) -> str:
    return scope["client"][0] if scope.get("client") else "?"


def _followed_link(scope: Scope, headers: Mapping[str, str]) -> bool:
    """Tell whether a person followed a link of another site to one of the pages."""
    return (
        headers.get("sec-fetch-mode") == "navigate"
        and headers.get("sec-fetch-dest") == "document"
        and not scope["path"].startswith(("/api/", "/static/"))
    )


def _refused(scope: Scope, status: int, why: str) -> Response:
    if status == 401 and scope.get("method") == "GET" and not scope["path"].startswith("/api/"):
        return RedirectResponse("/pair", 303)
    return PlainTextResponse(f"{why}\n", status)


def _session(headers: Mapping[str, str]) -> str:
    try:
        cookie = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return ""
    return cookie[SESSION_COOKIE].value if SESSION_COOKIE in cookie else ""
