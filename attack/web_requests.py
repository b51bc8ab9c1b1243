"""Fuzzed requests to every route of the app: paths, queries, JSON, framing; what is known of it is read from it."""

import json
import random
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

__all__ = ["GOOD", "FuzzedRequest", "fuzzed_request", "fuzzed_sound_frames", "route_table", "words_of_requests"]

GOOD = {"serial": "D5-0001", "name": "d5-cylinder", "what": "finish", "digest": "0" * 64, "path": "look.css"}

_TEXTS = (
    "", " ", "D5-0001", "d5-cylinder", "d5-cylinder@1", "plum wood", "../../etc/passwd", "\x00", "a\x00b", "\ud800",
    "x\udfffy", "\u202e", "<script>", "'; drop table events; --", "%s%n", "{{7*7}}", "NaN", "1e400", "-1", "0x10",
    "A" * 300, "\U0001f600" * 50, "length_mm", "window-longer", "note", "scale", "mm", "planned", "voiced", "D5",
)  # fmt: skip
_NUMBERS = (
    "0", "-0", "1", "-1", "2.5", "1e5", "1e308", "1e400", "-1e400", "9" * 19, "9" * 400, "-" + "9" * 400, "9" * 5000,
    "0." + "3" * 400, "1e-400", "9007199254740993", "NaN", "Infinity", "-Infinity", "true", "false", "null",
)  # fmt: skip
_SIZES = ("length_mm", "window.length_mm", "holes.1.diameter_mm", "bogus", "", "\ud800")
_METHODS = ("GET", "POST", "HEAD", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "get", "BREW")


@dataclass(frozen=True)
class FuzzedRequest:
    """The bytes of a request; `whole` where an answer is due before the connection ends."""

    raw: bytes
    whole: bool


def route_table(routes: Any) -> list[tuple[str, str]]:
    """Return (method, path) of every route of an app; SOCKET for sockets."""
    found = []
    for route in routes:
        methods = getattr(route, "methods", None)
        if methods:
            found += [(m, route.path) for m in sorted(methods) if m != "HEAD"]
        elif type(route).__name__ == "WebSocketRoute":
            found.append(("SOCKET", route.path))
        else:
            found.append(("GET", f"{route.path}/{{path}}"))
    return found


def words_of_requests(folder: Path) -> list[str]:
    """Return every word that the app's sources look up in what is sent to them."""
    found: set[str] = set()
    for path in folder.glob("*.py"):
        found |= set(re.findall(r"""\.get\("([a-z][a-z0-9_]*)\"""", path.read_text("utf-8")))
    return sorted(found)


def _text(rng: random.Random) -> str:
    if rng.random() < 0.7:
        return rng.choice(_TEXTS)
    return "".join(chr(rng.choice((rng.randrange(32, 127), rng.randrange(0xD7FF)))) for _ in range(rng.randrange(12)))


def _value(rng: random.Random, depth: int = 0) -> str:
    """Return JSON, or nearly."""
    kind = rng.random()
    if kind < 0.4:
        return rng.choice(_NUMBERS)
    if kind < 0.75 or depth > 2:
        return json.dumps(_text(rng))
    if kind < 0.85:
        return "[" + ",".join(_value(rng, depth + 1) for _ in range(rng.randrange(4))) + "]"
    if kind < 0.87:
        return "[" * 3000 + "]" * 3000
    keys = [rng.choice(_SIZES) for _ in range(rng.randrange(4))]
    return "{" + ",".join(f"{json.dumps(k)}:{_value(rng, depth + 1)}" for k in keys) + "}"


def _body(rng: random.Random, words: list[str]) -> bytes:
    kind = rng.random()
    if kind < 0.08:
        return b"{}"
    if kind < 0.16:
        return rng.randbytes(rng.randrange(200))
    if kind < 0.2:
        return b"RIFF" + rng.randbytes(400)
    if kind < 0.24:
        return _value(rng).encode("utf-8", "surrogatepass")
    chosen = rng.sample(words, min(len(words), rng.randrange(1, 7)))
    text = "{" + ",".join(f'"{word}":{_value(rng)}' for word in chosen) + "}"
    if kind < 0.3:
        text = text[: rng.randrange(len(text))]
    return text.encode(rng.choice(("utf-8", "utf-8", "utf-8", "utf-16")), "surrogatepass")


def _filled(rng: random.Random, path: str) -> str:
    def value(found: re.Match[str]) -> str:
        if rng.random() < 0.75:
            return GOOD.get(found[1], "x")
        return _quoted(rng, _text(rng))

    filled = re.sub(r"\{(\w+)(?::\w+)?\}", value, path)
    if rng.random() < 0.05:
        filled += rng.choice(("/", "//", "/..", "%00", "?", "#x", ";a=b", "%ff", "%"))
    return filled


def _quoted(rng: random.Random, text: str) -> str:
    raw = text.encode("utf-8", "surrogatepass")
    return "".join(f"%{b:02x}" if rng.random() < 0.3 or not 0x2D <= b < 0x7F else chr(b) for b in raw)


def _query(rng: random.Random, words: list[str]) -> str:
    if rng.random() < 0.5:
        return ""
    parts = [f"{rng.choice(words)}={_quoted(rng, _text(rng))}" for _ in range(rng.randrange(1, 5))]
    return "?" + "&".join(parts)


def fuzzed_request(
    rng: random.Random, routes: list[tuple[str, str]], words: list[str], host: str, origin: str
) -> FuzzedRequest:
    """Return one request that is mostly of use to some route and wrong in some way."""
    method, path = rng.choice(routes)
    if method == "SOCKET":
        method = "GET"
    if rng.random() < 0.06:
        method = rng.choice(_METHODS)
    target = _filled(rng, path) + _query(rng, words)
    head = [f"Host: {host}", f"Origin: {origin}"]
    body = _body(rng, words) if method not in ("GET", "HEAD") or rng.random() < 0.05 else b""
    version, whole = "HTTP/1.1", True
    odd = rng.random()
    if odd < 0.03:
        head += ["Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13"]
        head += rng.choice(([], ["Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA=="], ["Sec-WebSocket-Key: x"]))
    elif odd < 0.04:
        version = rng.choice(("HTTP/1.0", "HTTP/2.0", "HTTP/9.9", "HTTX", ""))
    elif odd < 0.05:
        head += [f"X-Many-{i}: {rng.choice(('a', 'b' * 300))}" for i in range(rng.choice((5, 200)))]
    elif odd < 0.06:
        odd_lines = ("Cookie: ;;;=", "Cookie: fluewright_session=\xff", "no colon", ": x", "Host: evil", " folded")
        head.append(rng.choice(odd_lines))
    elif odd < 0.065:
        target = rng.choice(("*", "", "http://evil.example/", "//", "/\xff", "\x00", "/" + "a" * 40_000))
    coded = b""
    framing = rng.random()
    if framing < 0.03:
        head.append("Transfer-Encoding: chunked")
        size = rng.choice((b"zz", b"-1", b"ffffffffffffffffffff", b"", b"5;" + b"x" * 50_000))
        coded = size + b"\r\n" + body + b"\r\n0\r\n\r\n"
        # So long a chunk never ends.
        whole = not size.startswith(b"ffff")
    elif framing < 0.06:
        head.append("Transfer-Encoding: chunked")
        coded = (b"%x\r\n%b\r\n" % (len(body), body) if body else b"") + b"0\r\n\r\n"
    elif framing < 0.08:
        head.append(f"Content-Length: {rng.choice((len(body) + 9, 10**9, 10**18, 10**400))}")
        coded, whole = body, False
    elif framing < 0.09:
        head.append(f"Content-Length: {rng.choice(('-1', 'many', '1, 2', '٣'))}")
        coded = body
    elif framing < 0.10:
        head += ["Transfer-Encoding: chunked", f"Content-Length: {len(body)}"]
        coded = b"0\r\n\r\n"
    else:
        if body or method != "GET":
            head.append(f"Content-Length: {len(body)}")
        if framing < 0.12:
            head.append("Expect: 100-continue")
        coded = body
    first = f"{method} {target} {version}".rstrip()
    raw = "\r\n".join([first, *head, "", ""]).encode("utf-8", "surrogatepass") + coded
    return FuzzedRequest(raw, whole)


def fuzzed_sound_frames(rng: random.Random) -> list[str | bytes]:
    """Return what a hostile device sends over a bench's socket."""
    value = _value(rng)
    header = rng.choice(
        [f'{{"rate_hz": {value}}}', value, '{"rate_hz": 48000}', '{"stop": true}', "", "{", '{"rate_hz": 1e400}']
    )
    frames: list[str | bytes] = [header.encode("utf-8", "replace").decode()]
    for _ in range(rng.randrange(4)):
        frames.append(
            rng.choice(
                (rng.randbytes(4 * rng.randrange(64)), rng.randbytes(7), b"\xff" * 4096, b"", '{"stop": 1}', "[]",
                 b"\x00" * 300_000)
            )
        )  # fmt: skip
    return frames
