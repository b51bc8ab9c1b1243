"""Attacks on the web server: fuzzed requests, ways in without pairing, many and slow connections."""

import contextlib
import http.client
import json
import random
import re
import resource
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from attack.registry import Effort, Finding, part
from attack.web_requests import (
    GOOD,
    FuzzedRequest,
    fuzzed_request,
    fuzzed_sound_frames,
    route_table,
    words_of_requests,
)  # fmt: skip
from attack.web_server import OWNER, Answer, Served, ask, served

__all__ = ["connections", "requests", "unpaired"]

_HANGS_S = 120.0
_STRANGER, _PAIRED, _LATE = "127.0.0.2", "127.0.0.3", "127.0.0.4"
# Ways in, of which nothing is shut: what a device needs to be paired at all.
_FREE = ("/pair", "/favicon.ico", "/static/")
_OWNERS_P95_S = 1.0
_MOST_LOG_BYTES = 100_000


def _routes() -> list[tuple[str, str]]:
    """Return the app's own route table, so that later pages are attacked too."""
    from fluewright.web.app import build_app
    from fluewright.web.app_state import AppState

    return route_table(build_app(AppState(Path("x.ledger"), Path("x.web"), {"x"})).routes)


@dataclass
class _Tally:
    """What went wrong, by kind; kept from many threads."""

    bad: dict[str, list[str]] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def add(self, kind: str, note: str) -> None:
        with self.lock:
            self.bad.setdefault(kind, []).append(note)

    def finding(self, kind: str, count: int) -> Finding:
        notes = self.bad.get(kind, [])
        return Finding(kind, count, len(notes), " | ".join(note[:300] for note in notes[:3]))


# --- fuzzed requests


@part("requests", quick=0.03)
def requests(effort: Effort) -> list[Finding]:
    """5,000 requests to all routes: no answer 500, no traceback, none without an answer, no refusal without words."""
    import fluewright.web

    routes, words = _routes(), words_of_requests(Path(fluewright.web.__file__).parent)
    count, sockets = effort.of(5000, least=150), effort.of(200, least=8)
    tally = _Tally()
    with served(lan=False) as server:
        host = f"127.0.0.1:{server.port}"

        def one(number: int) -> None:
            request = fuzzed_request(effort.random(("request", number)), routes, words, host, server.origin)
            _judge(server, request, tally)

        with ThreadPoolExecutor(4) as pool:
            list(pool.map(one, range(count)))
            list(pool.map(lambda n: _hostile_socket(server, effort.random(("socket", n)), tally), range(sockets)))
        for error in re.findall(r"Traceback[^\n]*\n(?: [^\n]*\n)*[^\n]*", server.logged()):
            tally.add("tracebacks in the log", error[-300:])
        if server.process.poll() is not None:
            tally.add("hangs", "the server has ended")
        tried = [
            tally.finding("answers 500 and above", count), tally.finding("hangs", count + sockets),
            tally.finding("no words", count), tally.finding("tracebacks to the client", count),
            tally.finding("tracebacks in the log", count + sockets), tally.finding("sockets that failed", sockets),
        ]  # fmt: skip
    reached = f"{len(routes)} routes, {len(words)} words"
    return [*tried, Finding("routes", len(routes), 0, reached)]


def _too_fast(answer: Answer) -> bool:
    """Tell whether to ask again: so many requests a second are everybody's limit, the owner's too."""
    return answer.status == 429 and "too many requests" in answer.text


def _judge(server: Served, request: FuzzedRequest, tally: _Tally) -> None:
    said = repr(request.raw[:160])
    while True:
        try:
            answer = ask(server, request.raw, seconds=_HANGS_S if request.whole else 1.0)
        except TimeoutError:
            # Half a request gets no answer, and may wait a while for its other half.
            if request.whole:
                tally.add("hangs", said)
            return
        if not _too_fast(answer):
            break
        time.sleep(0.3)
    if answer.status >= 500:
        tally.add("answers 500 and above", f"{answer.status} {said} {answer.text[-200:]}")
    if answer.status == 0 and request.whole:
        tally.add("hangs", f"closed without an answer: {said}")
    if "Traceback" in answer.text or '", line ' in answer.text:
        tally.add("tracebacks to the client", said)
    if 400 <= answer.status < 500 and not request.raw.startswith(b"HEAD ") and len(answer.text.strip()) < 8:
        tally.add("no words", f"{answer.status} {said}")


def _hostile_socket(server: Served, rng: random.Random, tally: _Tally) -> None:
    from websockets.exceptions import ConnectionClosed, InvalidStatus, WebSocketException
    from websockets.sync.client import connect

    serial = "D5-0001" if rng.random() < 0.8 else "nobody"
    address = f"ws://127.0.0.1:{server.port}/live/{serial}"
    try:
        with connect(address, origin=server.origin, open_timeout=_HANGS_S, proxy=None) as line:  # type: ignore[arg-type]
            for frame in fuzzed_sound_frames(rng):
                line.send(frame)
            line.send('{"stop": true}')
            while "stopped" not in json.loads(line.recv(_HANGS_S)):
                pass
    except ConnectionClosed as closed:
        if closed.rcvd is None or closed.rcvd.code in (1006, 1011):
            tally.add("sockets that failed", repr(closed))
    except TimeoutError:
        tally.add("hangs", f"socket to {serial}")
    except InvalidStatus as refused:
        if b"too many requests" in refused.response.body:
            time.sleep(0.3)
            _hostile_socket(server, rng, tally)
        elif serial == "D5-0001":
            tally.add("sockets that failed", repr(refused))
    except (WebSocketException, OSError) as error:
        if serial == "D5-0001":
            tally.add("sockets that failed", repr(error))


# --- ways in without pairing


@part("unpaired", quick=0.2)
def unpaired(effort: Effort) -> list[Finding]:
    """Every route from a device that is not paired, with headers that claim otherwise: all but pairing is refused."""
    rng, tally = effort.random("unpaired"), _Tally()
    routes = _routes()
    rounds = effort.of(10)
    with served(lan=True) as server:
        code = _shown_code(server)
        tries = [(m, p) for _ in range(rounds) for m, p in routes]
        for method, path in tries:
            filled = re.sub(r"\{(\w+)(?::\w+)?\}", lambda m: GOOD.get(m[1], "x"), path)
            answer = _asked_at_leisure(server, partial(_claiming, rng, server, method, filled))
            if code in answer.text.replace(" ", ""):
                tally.add("the code shown to a stranger", filled)
            if not filled.startswith(_FREE):
                shut = answer.status in (401, 403) or (
                    answer.status == 303 and "location: /pair" in answer.head.lower()
                )
                if not shut or "D5-0001" in answer.text:
                    tally.add("open to a stranger", f"{method} {filled}: {answer.status}")
            if "content-security-policy" not in answer.head.lower():
                tally.add("answers without the headers of a page", f"{method} {filled}: {answer.status}")
        token = _pair(server, code, _PAIRED)
        owners = [p for m, p in routes if m == "POST" and p.startswith("/api/devices/")]
        for path in owners:
            answer = _post(server, path, {"device": 1}, _PAIRED, token)
            if answer.status != 403:
                tally.add("the owner's acts by a paired device", f"{path}: {answer.status}")
        if ask(server, _get(server, "/bench", token), _PAIRED).status != 200:
            tally.add("the owner's acts by a paired device", "the device that was paired is not let in")
        if _post(server, "/api/devices/end", {"device": 1}, OWNER).status != 200:
            tally.add("ended devices that are still let in", "the owner could not end it")
        if ask(server, _get(server, "/api/bench/D5-0001", token), _PAIRED).status != 401:
            tally.add("ended devices that are still let in", "/api/bench/D5-0001")
        return [
            tally.finding("open to a stranger", len(tries)), tally.finding("the code shown to a stranger", len(tries)),
            tally.finding("answers without the headers of a page", len(tries)),
            tally.finding("the owner's acts by a paired device", len(owners)),
            tally.finding("ended devices that are still let in", 1),
        ]  # fmt: skip


def _asked_at_leisure(server: Served, request: Callable[[], bytes]) -> Answer:
    """Ask as a stranger, again where it came too fast: so many connections a second are all that one address gets."""
    for _ in range(200):
        with contextlib.suppress(ConnectionError):
            answer = ask(server, request(), _STRANGER)
            if answer.status and not _too_fast(answer):
                return answer
        time.sleep(0.1)
    return Answer(0, "", b"", 0.0)


def _claiming(rng: random.Random, server: Served, method: str, path: str) -> bytes:
    claims = [
        "X-Forwarded-For: 127.0.0.1", "X-Real-IP: 127.0.0.1", "Forwarded: for=127.0.0.1", "Client-IP: 127.0.0.1",
        "X-Forwarded-Host: 127.0.0.1", "Cookie: fluewright_session=", "Cookie: fluewright_session=guess; a=b",
        f"Referer: {server.origin}/", "X-HTTP-Method-Override: GET", "Authorization: Basic b3duZXI6",
    ]  # fmt: skip
    head = [f"Host: 127.0.0.1:{server.port}", f"Origin: {server.origin}", *rng.sample(claims, 3)]
    if method == "SOCKET":
        key = "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA=="
        head += ["Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13", key]
        return "\r\n".join([f"GET {path} HTTP/1.1", *head, "", ""]).encode()
    return "\r\n".join([f"{method} {path} HTTP/1.1", *head, "Content-Length: 2", "", "{}"]).encode()


def _get(server: Served, path: str, token: str = "") -> bytes:
    cookie = f"Cookie: fluewright_session={token}\r\n" if token else ""
    return f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\n{cookie}\r\n".encode()


def _post(server: Served, path: str, said: object, source: str, token: str = "") -> Answer:
    body = json.dumps(said)
    cookie = f"Cookie: fluewright_session={token}\r\n" if token else ""
    head = f"Host: 127.0.0.1:{server.port}\r\nOrigin: {server.origin}\r\n{cookie}Content-Length: {len(body)}"
    return ask(server, f"POST {path} HTTP/1.1\r\n{head}\r\n\r\n{body}".encode(), source)


def _shown_code(server: Served) -> str:
    page = ask(server, _get(server, "/pair")).text
    shown = re.search(r'id="code">(\d{4}) (\d{4})<', page)
    assert shown is not None, page
    return shown[1] + shown[2]


def _pair(server: Served, code: str, source: str) -> str:
    answer = _post(server, "/pair", {"code": code}, source)
    token = re.search(r"fluewright_session=([^;]+)", answer.head)
    assert token is not None, answer.head + answer.text
    return token[1]


# --- many and slow connections


@part("connections", quick=0.05)
def connections(effort: Effort) -> list[Finding]:
    """A stranger holds 2,000 connections and guesses codes; the owner, a paired and a new device go on working."""
    held, pages = effort.of(2000, least=100), effort.of(200, least=20)
    tally = _Tally()
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = held + 400
    if soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(wanted, hard), hard))
    with served(lan=True) as server:
        token = _pair(server, _shown_code(server), _PAIRED)
        before = len(server.logged())
        stop = threading.Event()
        crowd, guesser = _Crowd(server, held, effort.random("crowd"), stop), _Guesser(server, stop)
        threads = [threading.Thread(target=work, daemon=True) for work in (crowd.run, guesser.run)]
        for thread in threads:
            thread.start()
        crowd.full.wait(_HANGS_S)
        owner = [_timed(server, OWNER, "", tally, "the owner's pages") for _ in range(pages)]
        paired = [_timed(server, _PAIRED, token, tally, "a paired device's pages") for _ in range(pages // 4)]
        with _kept_open(server) as line:
            kept = [_timed_on(line, tally, "the owner's pages on one connection") for _ in range(pages // 4)]
        try:
            _post(server, "/api/devices/code", {}, OWNER)
            _pair(server, _shown_code(server), _LATE)
        except (AssertionError, OSError) as error:
            tally.add("pairing a new device meanwhile", repr(error))
        stop.set()
        for thread in threads:
            thread.join(_HANGS_S)
        logged = len(server.logged()) - before
        whole = effort.share >= 1.0
        slow = [_p95(times) for times in (owner, paired, kept)]
        if whole:
            # What a busy machine makes late in a quick run says nothing.
            for kind, p95 in zip(("the owner's pages", "a paired device's pages"), slow, strict=False):
                if p95 > _OWNERS_P95_S:
                    tally.add(kind, f"95 of 100 within {p95:.2f} s only")
        if logged > _MOST_LOG_BYTES:
            tally.add("log", f"{logged} bytes")
        found = [
            tally.finding("the owner's pages", len(owner)), tally.finding("a paired device's pages", len(paired)),
            tally.finding("the owner's pages on one connection", len(kept)),
            tally.finding("pairing a new device meanwhile", 1), tally.finding("log", 1),
        ]  # fmt: skip
        figures = (
            f"p95 {slow[0]:.3f} s owner, {slow[1]:.3f} s paired, {slow[2]:.3f} s on one connection; {crowd.opened} "
            f"connections made, {crowd.most} held; {guesser.tried} tries of a code answered; {logged} bytes of log"
        )
        return [*found, Finding("a stranger's connections", crowd.opened, 0, figures)]


def _p95(seconds: list[float]) -> float:
    return sorted(seconds)[max(round(0.95 * len(seconds)) - 1, 0)] if seconds else 0.0


def _timed(server: Served, source: str, token: str, tally: _Tally, kind: str) -> float:
    """Ask for a page on a new connection and return how long it took."""
    begin = time.monotonic()
    try:
        answer = ask(server, _get(server, "/ledger", token), source, _HANGS_S)
        if answer.status != 200:
            tally.add(kind, f"answered {answer.status}")
    except OSError as error:
        tally.add(kind, repr(error))
    time.sleep(0.02)
    return time.monotonic() - begin - 0.02


@contextlib.contextmanager
def _kept_open(server: Served) -> Iterator[http.client.HTTPSConnection]:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    line = http.client.HTTPSConnection("127.0.0.1", server.port, context=context, timeout=_HANGS_S)
    with contextlib.closing(line):
        yield line


def _timed_on(line: http.client.HTTPSConnection, tally: _Tally, kind: str) -> float:
    begin = time.monotonic()
    try:
        line.request("GET", "/bench")
        answer = line.getresponse()
        answer.read()
        if answer.status != 200:
            tally.add(kind, f"answered {answer.status}")
    except (OSError, http.client.HTTPException) as error:
        line.close()
        tally.add(kind, repr(error))
    time.sleep(0.02)
    return time.monotonic() - begin - 0.02


@dataclass
class _Crowd:
    """Holds so many connections from one address, in every half-open state, and makes those anew that were cut."""

    server: Served
    held: int
    rng: random.Random
    stop: threading.Event
    full: threading.Event = field(default_factory=threading.Event)
    opened: int = 0
    most: int = 0

    def run(self) -> None:
        lines: list[socket.socket] = []
        ways: tuple[Callable[[], socket.socket], ...] = (self._idle, self._idle, self._idle, self._half_tls, self._slow)
        while not self.stop.is_set():
            while len(lines) < self.held and not self.stop.is_set():
                with contextlib.suppress(OSError):
                    lines.append(self.rng.choice(ways)())
                    self.opened += 1
            self.most = max(self.most, len(lines))
            self.full.set()
            lines = [line for line in lines if self._still(line)]
            self.stop.wait(0.05)
        for line in lines:
            line.close()

    def _still(self, line: socket.socket) -> bool:
        """Tell whether a connection still stands; a slow one sends another byte."""
        try:
            line.setblocking(False)
            if isinstance(line, ssl.SSLSocket):
                line.send(b"a")
                return True
            if line.recv(1, socket.MSG_PEEK) != b"":
                return True
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return True
        except OSError:
            pass
        line.close()
        return False

    def _idle(self) -> socket.socket:
        return self.server.connect(_STRANGER, 10.0, tls=False)

    def _half_tls(self) -> socket.socket:
        line = self._idle()
        line.sendall(b"\x16\x03\x01\x02\x00\x01")
        return line

    def _slow(self) -> socket.socket:
        """Send a head that never ends."""
        line = self.server.connect(_STRANGER, 1.0)
        line.sendall(b"POST /pair HTTP/1.1\r\nX-Slow: ")
        return line


@dataclass
class _Guesser:
    """Tries one code after the other, as fast as it is let."""

    server: Served
    stop: threading.Event
    tried: int = 0

    def run(self) -> None:
        while not self.stop.is_set():
            with contextlib.suppress(OSError):
                answer = _post(self.server, "/pair", {"code": f"{self.tried:08d}"}, _STRANGER)
                self.tried += answer.status != 0
