"""The guard alone, in front of an app that says what reached it: each rule, its limits, and what it answers."""

import asyncio
from collections.abc import Iterable

import pytest

from fluewright.web import rates
from fluewright.web.guard import LARGEST_UPLOAD, Guard
from fluewright.web.pairing import Pairing

HOST = "192.0.2.7:8123"
ORIGIN = f"https://{HOST}"
MIB = 1024 * 1024


class Inner:
    """The app behind the guard: keeps what it was asked, reads the whole body, answers with headers of its own."""

    def __init__(self) -> None:
        self.scopes: list[dict] = []
        self.received: list[dict] = []

    async def __call__(self, scope, receive, send) -> None:
        self.scopes.append(scope)
        if scope["type"] == "websocket":
            self.received.append(await receive())
            await send({"type": "websocket.accept"})
            return
        if scope["type"] != "http":
            return
        while True:
            message = await receive()
            self.received.append(message)
            if not message.get("more_body"):
                break
        own = [(b"X-Content-Type-Options", b"none"), (b"x-own", b"kept")]
        await send({"type": "http.response.start", "status": 200, "headers": own})
        await send({"type": "http.response.body", "body": b"inside"})


class Asked:
    """A guard and one way to ask it anything."""

    def __init__(self) -> None:
        self.inner = Inner()
        self.pairing = Pairing()
        self.guard = Guard(self.inner, hosts={HOST, "localhost:8123"}, scheme="https", pairing=self.pairing)

    def __call__(
        self,
        path: str = "/bench",
        *,
        method: str | None = "GET",
        kind: str = "http",
        client: str | None = "127.0.0.1",
        headers: dict[str, str] | None = None,
        body: Iterable[dict] = ({"type": "http.request"},),
    ) -> list[dict]:
        said = {"host": HOST} | (headers or {})
        scope = {
            "type": kind,
            "path": path,
            "headers": [(k.encode("latin-1"), v.encode("latin-1")) for k, v in said.items() if v is not None],
            "client": None if client is None else (client, 40000),
        }
        if method is not None:
            scope["method"] = method
        waiting, sent = list(body), []

        async def receive() -> dict:
            return waiting.pop(0)

        async def send(message: dict) -> None:
            sent.append(message)

        asyncio.run(self.guard(scope, receive, send))
        return sent

    def status(self, *args, **kwargs) -> int:
        reached = len(self.inner.scopes)
        status = self(*args, **kwargs)[0]["status"]
        assert (len(self.inner.scopes) > reached) == (status == 200), "refused, and still let through"
        return status

    def text(self, *args, **kwargs) -> str:
        return b"".join(message.get("body", b"") for message in self(*args, **kwargs)).decode()

    def paired(self) -> dict[str, str]:
        return {"cookie": f"theme=dark; fluewright_session={self.pairing.pair(self.pairing.code(), 'phone')}"}


@pytest.fixture
def ask() -> Asked:
    return Asked()


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    now_s = [5000.0]
    monkeypatch.setattr(rates.time, "monotonic", lambda: now_s[0])
    return now_s


# --- what is let through, and how it looks then


def test_a_request_from_this_computer_reaches_the_app_and_its_answer_comes_back(ask: Asked) -> None:
    start, body = ask(headers={"X-Some": "thing"})
    assert start["status"] == 200
    assert body == {"type": "http.response.body", "body": b"inside"}
    assert ask.inner.scopes[0]["path"] == "/bench"


def test_every_answer_carries_the_headers_that_shut_the_page_in(ask: Asked) -> None:
    start = ask()[0]
    assert (b"x-own", b"kept") in start["headers"]
    names = [name.lower() for name, _ in start["headers"]]
    assert len(names) == len(set(names)), "the app's own value gave way"
    said = {name.decode(): value.decode() for name, value in start["headers"]}
    policy = dict(part.strip().split(" ", 1) for part in said.pop("content-security-policy").split(";"))
    own = ("script-src", "style-src", "font-src", "connect-src", "worker-src", "manifest-src", "form-action")
    assert policy == {
        "default-src": "'none'",
        "img-src": "'self' data: blob:",
        "media-src": "'self' blob:",
        "base-uri": "'none'",
        "frame-ancestors": "'none'",
        **dict.fromkeys(own, "'self'"),
    }
    assert said == {
        "x-own": "kept",
        "x-content-type-options": "nosniff",
        "referrer-policy": "no-referrer",
        "cross-origin-opener-policy": "same-origin",
        "cross-origin-resource-policy": "same-origin",
        "permissions-policy": "microphone=(self), camera=(), geolocation=()",
        "cache-control": "no-store",
    }


def test_the_programs_own_start_and_end_pass(ask: Asked) -> None:
    ask(kind="lifespan", headers={"host": "evil.example"})
    assert ask.inner.scopes[0]["type"] == "lifespan"


def test_a_socket_from_our_own_page_opens(ask: Asked) -> None:
    sent = ask(kind="websocket", method=None, headers={"origin": ORIGIN}, body=[{"type": "websocket.connect"}])
    assert sent == [{"type": "websocket.accept"}]
    assert ask.inner.received == [{"type": "websocket.connect"}]


# --- by which name we were asked for


@pytest.mark.parametrize("host", ["evil.example", "192.0.2.7", f"{HOST}0", "", None])
def test_another_name_is_refused(ask: Asked, host: str | None) -> None:
    assert ask.status(headers={"host": host}) == 421
    assert "not one of ours" in ask.text(headers={"host": host})


def test_every_name_of_ours_is_taken_with_its_own_origin_only(ask: Asked) -> None:
    assert ask.status(headers={"host": "localhost:8123"}) == 200
    own = {"host": "localhost:8123", "origin": "https://localhost:8123"}
    assert ask.status(method="POST", headers=own) == 200
    assert ask.status(method="POST", headers=own | {"origin": ORIGIN}) == 403


def test_headers_are_read_whatever_their_case(ask: Asked) -> None:
    assert ask.status(method="POST", headers={"host": None, "Host": HOST, "ORIGIN": ORIGIN}) == 200


# --- from which page it came


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "OPTIONS", None])
@pytest.mark.parametrize(
    "origin", [None, "null", f"http://{HOST}", "https://evil.example", f"{ORIGIN}/", "https://192.0.2.7"]
)
def test_what_may_change_something_comes_from_our_own_pages(ask: Asked, method: str | None, origin: str | None) -> None:
    assert ask.status(method=method, headers={"origin": origin}) == 403
    assert ask.status(method=method, headers={"origin": ORIGIN}) == 200


@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_a_link_from_elsewhere_may_be_followed(ask: Asked, method: str) -> None:
    for origin in (None, "https://evil.example"):
        assert ask.status(method=method, headers={"origin": origin}) == 200


def test_a_refusal_for_its_origin_says_why(ask: Asked) -> None:
    assert ask.text(method="POST") == "this came from another page than ours and was refused\n"


@pytest.mark.parametrize("origin", [None, "https://evil.example", f"http://{HOST}"])
def test_a_socket_from_another_page_is_closed(ask: Asked, origin: str | None) -> None:
    body = [{"type": "websocket.connect"}]
    sent = ask(kind="websocket", method=None, headers={"origin": origin}, body=body)
    why = "this came from another page than ours and was refused"
    assert sent == [{"type": "websocket.close", "code": 1008, "reason": why}]
    assert ask.inner.scopes == []


@pytest.mark.parametrize(
    "headers", [{"host": "evil.example", "origin": ORIGIN}, {"origin": "null"}, {"sec-fetch-site": "cross-site"}]
)
def test_the_reason_of_a_closed_socket_fits_its_frame(ask: Asked, headers: dict[str, str]) -> None:
    """A close frame holds 123 bytes of words at the most (RFC 6455, 5.5)."""
    said = {"origin": ORIGIN} | headers
    sent = ask(kind="websocket", method=None, headers=said, body=[{"type": "websocket.connect"}])
    assert 20 < len(sent[0]["reason"].encode()) <= 120


# --- what another site asks for


@pytest.mark.parametrize("site", ["cross-site", "same-site", "whatever"])
@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("/api/ledger/trust", {"sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}),
        ("/static/look.css", {"sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}),
        ("/ledger", {"sec-fetch-mode": "no-cors", "sec-fetch-dest": "image"}),
        ("/ledger", {"sec-fetch-mode": "navigate", "sec-fetch-dest": "iframe"}),
        ("/ledger", {}),
    ],
)
def test_another_site_gets_nothing_but_a_link_to_a_page(ask: Asked, site: str, path: str, said: dict[str, str]) -> None:
    assert ask.status(path, headers={"sec-fetch-site": site} | said) == 403
    assert ask.status(path, headers={"sec-fetch-site": "same-origin"} | said) == 200


def test_a_page_that_a_link_of_another_site_leads_to_opens(ask: Asked) -> None:
    link = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}
    assert ask.status("/ledger", headers=link) == 200
    assert ask.status("/ledger", headers={"sec-fetch-site": "none"}) == 200


# --- what a browser keeps


def test_nothing_personal_is_kept_and_scripts_are_asked_about_each_time(ask: Asked) -> None:
    for path, kept in (("/ledger", b"no-store"), ("/api/bench", b"no-store"), ("/static/look.css", b"no-cache")):
        assert dict(ask(path)[0]["headers"])[b"cache-control"] == kept


@pytest.mark.parametrize(
    "how",
    [
        {"headers": {"host": "evil.example"}},
        {"method": "POST"},
        {"client": "192.0.2.50"},
        {"path": "/api/bench", "client": "192.0.2.50"},
        {"method": "POST", "headers": {"origin": ORIGIN, "content-length": str(2 * MIB)}},
    ],
)
def test_a_refusal_carries_the_headers_of_a_page(ask: Asked, how: dict) -> None:
    own = ask()[0]["headers"]
    refused = ask(**how)[0]
    assert refused["status"] >= 300
    for name, value in own:
        if name != b"x-own":
            assert (name, value) in refused["headers"]


# --- a device that is sent away


def test_a_socket_ends_with_the_session_of_its_device(ask: Asked) -> None:
    """It hears nothing more from the device, and tells it nothing more."""
    headers = ask.paired() | {"origin": ORIGIN}

    async def talk(scope, receive, send) -> None:
        ask.inner.received.append(await receive())
        await send({"type": "websocket.accept"})
        await send({"type": "websocket.send", "text": "before"})
        ask.pairing.end(1)
        ask.inner.received.append(await receive())
        await send({"type": "websocket.send", "text": "after"})

    ask.guard.app = talk
    body = [{"type": "websocket.connect"}, {"type": "websocket.receive", "bytes": b"sound"}]
    sent = ask("/live/D5-0001", kind="websocket", method=None, client="192.0.2.50", headers=headers, body=body)
    assert ask.inner.received == [body[0], {"type": "websocket.disconnect", "code": 1008}]
    assert [m["type"] for m in sent] == ["websocket.accept", "websocket.send", "websocket.close"]
    assert "after" not in str(sent)


# --- which devices are known


@pytest.mark.parametrize("client", ["127.0.0.1", "::1"])
def test_this_computer_needs_no_pairing(ask: Asked, client: str) -> None:
    assert ask.status(client=client) == 200


@pytest.mark.parametrize("client", ["192.0.2.50", "127.0.0.2", "::2", "", None])
def test_another_device_needs_a_session(ask: Asked, client: str | None) -> None:
    sent = ask(client=client)
    assert sent[0]["status"] == 303
    assert dict(sent[0]["headers"])[b"location"] == b"/pair"
    assert ask.inner.scopes == []
    assert ask.status(client=client, headers=ask.paired()) == 200


@pytest.mark.parametrize(
    "cookie",
    ["fluewright_session=", "fluewright_session=guess", "other=1", ";;;=", "fluewright_session=\xff", "[]=1; a=2"],
)
def test_a_cookie_that_is_no_session_lets_nobody_in(ask: Asked, cookie: str) -> None:
    ask.paired()
    assert ask.status("/api/bench", client="192.0.2.50", headers={"cookie": cookie}) == 401


def test_a_session_that_was_ended_lets_nobody_in(ask: Asked) -> None:
    headers = ask.paired()
    ask.pairing.end_all()
    assert ask.status("/api/bench", client="192.0.2.50", headers=headers) == 401


def test_pages_lead_to_pairing_and_requests_are_told(ask: Asked) -> None:
    away = {"client": "192.0.2.50"}
    assert ask.status("/models", **away) == 303
    assert ask.status("/models", method="HEAD", **away) == 401
    assert ask.status("/models", method="POST", headers={"origin": ORIGIN}, **away) == 401
    assert ask.status("/api/bench", **away) == 401
    assert "not paired; open /pair" in ask.text("/api/bench", **away)


def test_an_unpaired_socket_is_closed(ask: Asked) -> None:
    body = [{"type": "websocket.connect"}]
    sent = ask(
        "/live/D5-0001", kind="websocket", method=None, client="192.0.2.50", headers={"origin": ORIGIN}, body=body
    )
    assert [(message["type"], message["code"]) for message in sent] == [("websocket.close", 1008)]
    assert sent[0]["reason"].startswith("this device is not paired")


@pytest.mark.parametrize("path", ["/pair", "/favicon.ico", "/static/look.css"])
def test_what_pairing_itself_needs_is_open(ask: Asked, path: str) -> None:
    assert ask.status(path, client="192.0.2.50") == 200


@pytest.mark.parametrize("path", ["/pair/x", "/pairs", "/static", "/staticky", "/a/favicon.ico", "/api/static/x", "/"])
def test_what_only_looks_like_it_is_not(ask: Asked, path: str) -> None:
    assert ask.status(path, client="192.0.2.50") in (303, 401)


# --- how much


def sent_with(length: str) -> dict:
    return {"method": "POST", "headers": {"origin": ORIGIN, "content-length": length}}


@pytest.mark.parametrize(
    ("path", "most"),
    [("/api/bench", MIB), ("/api/bench/D5-0001/recording", LARGEST_UPLOAD), ("/recording/x", MIB)],
)
def test_more_than_the_limit_is_refused_before_it_is_read(ask: Asked, path: str, most: int) -> None:
    assert ask.status(path, **sent_with(str(most))) == 200
    assert ask.status(path, **sent_with(str(most + 1))) == 413
    words = ask.text(path, **sent_with(str(most + 1)))
    assert words == f"more than {most // MIB} MiB were sent; a recording may have up to 300 MiB\n"


@pytest.mark.parametrize("length", ["", "-1", "1e3", "many", "0x10", "²", "1 2"])
def test_a_length_that_is_no_number_is_refused(ask: Asked, length: str) -> None:
    assert ask.status(**sent_with(length)) == 413


def test_a_sender_that_hides_the_length_is_cut_off_past_the_limit(ask: Asked) -> None:
    half = {"type": "http.request", "body": b"x" * (MIB // 2), "more_body": True}
    one_more = {"type": "http.request", "body": b"x", "more_body": True}
    end = {"type": "http.request", "body": b"", "more_body": False}
    headers = {"origin": ORIGIN}
    ask("/api/bench", method="POST", headers=headers, body=[half, half, end])
    assert ask.inner.received == [half, half, end]
    ask.inner.received.clear()
    ask("/api/bench", method="POST", headers=headers, body=[half, half, one_more, end])
    assert ask.inner.received == [half, half, {"type": "http.disconnect"}]


def test_a_reader_that_gave_up_is_answered_for(ask: Asked) -> None:
    async def reads(scope, receive, send) -> None:
        while (await receive())["type"] != "http.disconnect":
            pass

    ask.guard.app = reads
    part = {"type": "http.request", "body": b"x" * MIB, "more_body": True}
    assert ask("/api/bench", method="POST", headers={"origin": ORIGIN}, body=[part, part])[0]["status"] == 413


def test_messages_that_carry_no_body_are_not_counted(ask: Asked) -> None:
    gone = {"type": "http.disconnect", "body": b"x" * (MIB + 1)}
    ask("/api/bench", method="POST", headers={"origin": ORIGIN}, body=[gone])
    assert ask.inner.received == [gone]


# --- how often


def test_a_burst_passes_and_a_flood_waits(ask: Asked, clock: list[float]) -> None:
    assert [ask.status() for _ in range(241)] == [200] * 240 + [429]
    assert ask.text() == "too many requests at once; wait a moment\n"
    clock[0] += 2.0  # sixty a second come back
    assert [ask.status() for _ in range(121)] == [200] * 120 + [429]
    clock[0] += 3600.0  # never more than one burst is saved up
    assert [ask.status() for _ in range(241)] == [200] * 240 + [429]


def test_a_flood_of_one_device_holds_no_other_up(ask: Asked, clock: list[float]) -> None:
    headers = ask.paired()
    for _ in range(241):
        ask(client="192.0.2.50", headers=headers)
    assert ask.status(client="192.0.2.50", headers=headers) == 429
    assert ask.status(client="192.0.2.51", headers=headers) == 200


def test_a_device_that_tries_too_often_still_gets_its_share(ask: Asked, clock: list[float]) -> None:
    """What is refused costs nothing: four requests for each that comes back let one of four through, not none."""
    for _ in range(240):
        ask()
    let_in = 0
    for _ in range(80):
        clock[0] += 1.0 / 240.0
        let_in += ask.status() == 200
    assert let_in in (19, 20), "the last may be a rounding short"


def test_what_is_remembered_of_devices_stays_small(ask: Asked, clock: list[float]) -> None:
    for number in range(3000):
        ask(client=f"2001:db8::{number:x}")
    assert len(ask.guard._rates) <= 1000
