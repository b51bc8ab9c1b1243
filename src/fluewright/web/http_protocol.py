"""HTTP and sockets as uvicorn reads them, with an end to patience and an answer to everything that is malformed."""

import asyncio

import h11
from uvicorn._types import ASGISendEvent
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from fluewright.web.answer_headers import answer_headers

__all__ = ["PatientHttp", "PatientSocket"]

# A head comes within a few packets; a recording over a poor network comes slowly, but it comes.
_HEAD_S = 10.0
_STALLED_S, _SLOW_S, _SLOWEST_BYTES_A_SECOND = 20.0, 30.0, 2048.0
# A stranger may send nothing long, and has no reason to go on once it was refused.
_STRANGERS_BODY_S, _STRANGERS_REST_S = 10.0, 3.0
_UNREAD_S = 30.0
_WORDS = b"this is no request that can be read\n"


def _refusal(words: bytes = _WORDS) -> list[tuple[bytes, bytes]]:
    fixed = [(b"content-type", b"text/plain; charset=utf-8"), (b"connection", b"close")]
    return [*fixed, (b"content-length", str(len(words)).encode()), *answer_headers("/").items()]


class PatientHttp(H11Protocol):
    """One connection; `overdue` tells whether its other end has used up the time for what is due now."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for a request."""
        super().connection_made(transport)
        self._began_s = self._came_s = self.loop.time()
        self._body_s: float | None = None
        self._body_bytes = 0
        self._unread_s: float | None = None

    def data_received(self, data: bytes) -> None:
        """Take what came."""
        self._came_s = self.loop.time()
        if self.conn.their_state is h11.SEND_BODY:
            self._body_bytes += len(data)
        super().data_received(data)
        if self.conn.their_state is not h11.SEND_BODY:
            self._body_s, self._body_bytes = None, 0
        elif self._body_s is None:
            self._body_s = self._came_s

    def on_response_complete(self) -> None:
        """Begin to wait for the next request."""
        self._began_s = self.loop.time()
        super().on_response_complete()

    def pause_writing(self) -> None:
        """Note since when the other end has not read what it asked for."""
        self._unread_s = self.loop.time()
        super().pause_writing()

    def resume_writing(self) -> None:
        """Note that it reads again."""
        self._unread_s = None
        super().resume_writing()

    def overdue(self, *, stranger: bool) -> bool:
        """Tell whether the connection is to be cut.

        Parameters
        ----------
        stranger : bool
            It comes from a device that is not paired.
        """
        now = self.loop.time()
        if self._unread_s is not None:
            return now - self._unread_s > _UNREAD_S
        if self.conn.their_state is h11.IDLE:
            return now - self._began_s > _HEAD_S
        if self._body_s is None:
            return False
        if stranger:
            answered = self.cycle is not None and self.cycle.response_complete
            return now - (self._began_s if answered else self._body_s) > (
                _STRANGERS_REST_S if answered else _STRANGERS_BODY_S
            )
        if self.flow.read_paused:
            # It is us who are slow.
            self._came_s = now
            return False
        lasted_s = now - self._body_s
        slow = lasted_s > _SLOW_S and self._body_bytes < _SLOWEST_BYTES_A_SECOND * lasted_s
        return slow or now - self._came_s > _STALLED_S

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no HTTP; where an answer was begun already, cut the connection."""
        if self.cycle is not None and not self.cycle.response_complete:
            self.cycle.disconnected = True
            self.cycle.message_event.set()
        if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
            # The answer to a HEAD has no body, whatever became of the rest of its request.
            head_only = self.conn.our_state is h11.SEND_RESPONSE and self.scope["method"] == "HEAD"
            for event in (
                h11.Response(status_code=400, headers=_refusal(), reason=b"Bad Request"),
                h11.Data(data=b"" if head_only else _WORDS),
                h11.EndOfMessage(),
            ):
                self.transport.write(self.conn.send(event) or b"")
        self.transport.close()

    def _should_upgrade(self) -> bool:
        # A socket opens with a GET of HTTP/1.1; any other request is answered as if it had not asked for one.
        asked = self.scope["method"] == "GET" and self.scope["http_version"] == "1.1"
        return asked and self._get_upgrade() == b"websocket"


class PatientSocket(WebSocketsSansIOProtocol):
    """A socket whose opening is refused with words where it cannot be read, instead of being left open."""

    def data_received(self, data: bytes) -> None:
        """Take what came; what comes first is the whole opening."""
        super().data_received(data)
        if not self.handshake_initiated and not self.transport.is_closing():
            head = b"".join(k + b": " + v + b"\r\n" for k, v in _refusal())
            self.transport.write(b"HTTP/1.1 400 Bad Request\r\n" + head + b"\r\n" + _WORDS)
            self.transport.close()

    async def send(self, message: ASGISendEvent) -> None:
        """Send what the app has to say; a socket that it closes before it is open is refused with its words."""
        if message["type"] != "websocket.close" or self.handshake_complete or self.initial_response is not None:
            await super().send(message)
            return
        words = f"{message.get('reason') or 'there is no socket here'}\n".encode()
        await super().send({"type": "websocket.http.response.start", "status": 403, "headers": _refusal(words)})
        await super().send({"type": "websocket.http.response.body", "body": words, "more_body": False})
        self.handshake_complete = True

    def handle_parser_exception(self) -> None:
        """End a socket whose frames cannot be read."""
        if self.conn.close_sent is None:
            self.queue.put_nowait({"type": "websocket.disconnect", "code": 1002})
            self.transport.close()
            return
        super().handle_parser_exception()
