"""Connections, against the server as it is started: rooms, patience, and what is refused before the app sees it."""

import contextlib
import socket
import ssl
import time
import types

import pytest

from attack.web_server import OWNER, ask, served
from fluewright.web import doors as doors_module
from fluewright.web.doors import HERE, PAIRED, STRANGERS, Doors, Room
from fluewright.web.http_protocol import PatientHttp

NEVER_S = 120.0


@pytest.fixture(scope="module")
def server():
    with served(lan=False) as running:
        yield running


@pytest.fixture(scope="module")
def lan_server():
    with served(lan=True) as running:
        yield running


def get(server, path, *head):
    lines = [f"GET {path} HTTP/1.1", f"Host: 127.0.0.1:{server.port}", *head]
    return "\r\n".join([*lines, "", ""]).encode()


def post(server, path, *head, body=b"{}", method="POST"):
    lines = [f"{method} {path} HTTP/1.1", f"Host: 127.0.0.1:{server.port}", f"Origin: {server.origin}", *head]
    return "\r\n".join([*lines, f"Content-Length: {len(body)}", "", ""]).encode() + body


# --- rooms


class Sock:
    """A socket that only knows whether it is open."""

    def __init__(self):
        self.number = 1

    def fileno(self):
        return self.number

    def shutdown(self, how):
        self.number = -1


@pytest.fixture
def hall(monkeypatch):
    """Return doors with small rooms and a way to come in, which tells who is still in."""
    rooms = {"HERE": Room(3, 3, 1e9, 1e9), "PAIRED": Room(4, 3, 1e9, 1e9), "STRANGERS": Room(6, 4, 1e9, 1e9)}
    for name, room in rooms.items():
        monkeypatch.setattr(doors_module, name, room)
    paired = {"192.0.2.3"}
    doors = Doors(None, None, None, lambda: paired, ("127.0.0.1",))
    came = []

    def come(*addresses):
        for address in addresses:
            assert doors._may_enter(address)
            guest = doors_module._Guest(Sock(), address)
            doors._guests.append(guest)
            came.append(guest)
        return [g.address for g in came if not g.gone]

    return types.SimpleNamespace(doors=doors, come=come, paired=paired, came=came)


def test_an_address_keeps_its_newest_connections_up_to_its_limit(hall):
    assert len(hall.come(*9 * ["192.0.2.8"])) == 4
    assert [g.gone for g in hall.came] == 5 * [True] + 4 * [False]


def test_where_the_strangers_room_is_full_the_one_who_holds_most_makes_place(hall):
    left = hall.come(*4 * ["192.0.2.8"], "192.0.2.9", "192.0.2.10", "192.0.2.11")
    assert left == [*3 * ["192.0.2.8"], "192.0.2.9", "192.0.2.10", "192.0.2.11"]
    assert hall.came[0].gone


def test_strangers_take_no_place_from_the_owner_or_a_paired_device(hall):
    hall.come("127.0.0.1", "192.0.2.3")
    left = hall.come(*(f"198.51.100.{number % 20}" for number in range(100)))
    assert left.count("127.0.0.1") == 1
    assert left.count("192.0.2.3") == 1
    assert len(left) == 8
    assert hall.come("127.0.0.1", "127.0.0.1", "192.0.2.3").count("127.0.0.1") == 3


def test_a_device_that_was_paired_just_now_is_in_the_other_room(hall):
    hall.come(*4 * ["192.0.2.8"])
    hall.paired.add("192.0.2.8")
    assert len(hall.come(*3 * ["192.0.2.9"])) == 7


def test_who_comes_too_fast_is_turned_away(hall, monkeypatch):
    monkeypatch.setattr(doors_module, "STRANGERS", Room(6, 4, 1e-9, 2.0))
    assert [hall.doors._may_enter("192.0.2.8") for _ in range(3)] == [True, True, False]
    assert hall.doors._may_enter("192.0.2.9")


def test_all_rooms_together_fit_into_a_thousand_descriptors():
    assert HERE.most + PAIRED.most + STRANGERS.most == doors_module.MOST_CONNECTIONS
    assert doors_module.MOST_CONNECTIONS <= 600
    assert STRANGERS.most < PAIRED.most


# --- patience


def patient(now, *, state, came=0.0, body=None, sent=0, unread=None, answered=True, paused=False):
    """Return a connection in some state at a time, s."""
    import h11

    made = object.__new__(PatientHttp)
    made.loop = types.SimpleNamespace(time=lambda: now)
    made.conn = types.SimpleNamespace(their_state=getattr(h11, state))
    made.cycle = types.SimpleNamespace(response_complete=answered)
    made.flow = types.SimpleNamespace(read_paused=paused)
    made._began_s, made._came_s, made._body_s, made._body_bytes, made._unread_s = 0.0, came, body, sent, unread
    return made


@pytest.mark.parametrize(
    ("now", "stranger", "overdue", "how"),
    [
        (9.0, True, False, {"state": "IDLE"}),
        (11.0, False, True, {"state": "IDLE"}),
        # A byte now and then does not buy more time for a head.
        (11.0, True, True, {"state": "IDLE", "came": 10.9}),
        (19.0, False, False, {"state": "SEND_BODY", "body": 0.0, "came": 0.0}),
        (21.0, False, True, {"state": "SEND_BODY", "body": 0.0, "came": 0.0}),
        (21.0, False, False, {"state": "SEND_BODY", "body": 0.0, "came": 0.0, "paused": True}),
        (100.0, False, True, {"state": "SEND_BODY", "body": 0.0, "came": 99.0, "sent": 100_000}),
        (100.0, False, False, {"state": "SEND_BODY", "body": 0.0, "came": 99.0, "sent": 900_000}),
        (11.0, True, True, {"state": "SEND_BODY", "body": 0.0, "came": 10.9, "sent": 900_000, "answered": False}),
        # What goes on being sent after a refusal.
        (4.0, True, True, {"state": "SEND_BODY", "body": 0.5, "came": 4.0, "sent": 900_000}),
        (29.0, True, False, {"state": "DONE", "unread": 0.0}),
        (31.0, False, True, {"state": "DONE", "unread": 0.0}),
        # The program itself may take its time.
        (500.0, True, False, {"state": "DONE"}),
    ],
)  # fmt: skip
def test_patience_ends(now, stranger, overdue, how):
    assert patient(now, **how).overdue(stranger=stranger) is overdue


def test_a_head_that_never_ends_is_cut_off(server):
    with server.connect() as line:
        line.sendall(b"GET /bench HTTP/1.1\r\nX-Slow: ")
        line.settimeout(NEVER_S)
        with contextlib.suppress(ConnectionResetError):
            assert line.recv(1) == b""


def test_a_body_that_stops_is_cut_off(server):
    with server.connect() as line:
        line.sendall(post(server, "/api/bench").replace(b"Content-Length: 2", b"Content-Length: 900"))
        line.settimeout(NEVER_S)
        with contextlib.suppress(ConnectionResetError):
            while line.recv(4096):
                pass


# --- what is malformed


@pytest.mark.parametrize("method", ["POST", "PUT", "HEAD"])
@pytest.mark.parametrize("path", ["/live/D5-0001", "/api/bench/D5-0001/finish", "/bench"])
def test_a_socket_that_is_asked_for_by_another_method_is_answered(server, method, path):
    head = ("Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13", "Sec-WebSocket-Key: AAAA")
    answer = ask(server, post(server, path, *head, method=method))
    assert answer.status in (200, 400, 404, 405)


@pytest.mark.parametrize(
    "head",
    [
        ("Content-Length: 3",), ("Transfer-Encoding: chunked",), tuple(f"X-Many-{n}: a" for n in range(200)),
        ("X: " + "b" * 9000,),
    ],
)  # fmt: skip
def test_a_socket_that_cannot_be_opened_is_refused_with_words(server, head):
    asks = ("Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13")
    key = "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA=="
    answer = ask(server, get(server, "/live/D5-0001", *asks, key, f"Origin: {server.origin}", *head) + b"abc")
    assert answer.status == 400
    assert "no request that can be read" in answer.text


@pytest.mark.parametrize(
    ("path", "words"),
    [("/live/nobody", "no socket here"), ("/bench", "no socket here"), ("/live/D5-0001", "another page than ours")],
)
def test_a_socket_that_is_not_opened_is_refused_with_words(server, path, words):
    asks = ("Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13")
    origin = server.origin if "no socket" in words else "http://evil.example"
    answer = ask(server, get(server, path, *asks, "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==", f"Origin: {origin}"))
    assert answer.status == 403
    assert words in answer.text
    assert "content-security-policy" in answer.head


@pytest.mark.parametrize("size", [b"zz", b"-1", b"", b"5;" + b"x" * 40_000, b"\xff"])
@pytest.mark.parametrize("path", ["/api/bench", "/bench", "/api/bench/D5-0001/recording"])
def test_a_bad_chunk_is_refused_with_words(server, size, path):
    head = f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nOrigin: {server.origin}\r\n"
    answer = ask(server, f"{head}Transfer-Encoding: chunked\r\n\r\n".encode() + size + b"\r\nabc\r\n0\r\n\r\n")
    assert answer.status in (400, 405)
    assert len(answer.text) > 10
    assert "content-security-policy" in answer.head


@pytest.mark.parametrize("size", [b"zz", b""])
def test_a_bad_chunk_after_a_head_is_refused_without_a_body(server, size):
    head = f"HEAD /bench HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nTransfer-Encoding: chunked\r\n\r\n"
    answer = ask(server, head.encode() + size + b"\r\nabc\r\n0\r\n\r\n")
    assert answer.status == 400
    assert answer.body == b""


def test_nothing_of_all_that_is_in_the_log_as_an_error(server):
    assert "Traceback" not in server.logged()


# --- who asks


@pytest.mark.parametrize("header", ["X-Forwarded-For", "Forwarded", "X-Real-IP"])
def test_a_header_is_not_who_asks(lan_server, header):
    """The server's environment trusts every proxy, and its answer does not."""
    claim = f"{header}: {'for=' if header == 'Forwarded' else ''}127.0.0.1"
    page = ask(lan_server, get(lan_server, "/pair", claim), "127.0.0.2")
    assert page.status == 200
    assert 'id="code"' not in page.text
    assert ask(lan_server, get(lan_server, "/bench", claim), "127.0.0.2").status == 303
    assert 'id="code"' in ask(lan_server, get(lan_server, "/pair", "X-Forwarded-For: 192.0.2.9"), OWNER).text


@pytest.mark.parametrize(
    ("version", "ciphers", "opens"),
    [
        (ssl.TLSVersion.TLSv1_3, None, True),
        (ssl.TLSVersion.TLSv1_2, "ECDHE+AESGCM", True),
        (ssl.TLSVersion.TLSv1_2, "ECDHE-ECDSA-AES128-SHA256:ECDHE-ECDSA-AES128-SHA", False),
        (ssl.TLSVersion.TLSv1_2, "AES128-GCM-SHA256:DHE-RSA-AES128-GCM-SHA256", False),
    ],
)
def test_tls_is_spoken_with_authenticated_ciphers_only(lan_server, version, ciphers, opens):
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    context.minimum_version = context.maximum_version = version
    if ciphers:
        context.set_ciphers(ciphers)
    raw = socket.create_connection(("127.0.0.1", lan_server.port), NEVER_S)
    with raw, contextlib.ExitStack() as stack:
        if not opens:
            stack.enter_context(pytest.raises(ssl.SSLError))
        with context.wrap_socket(raw) as line:
            assert line.version() == version.name.replace("v1_", "v1.")


def test_a_stranger_that_holds_many_connections_holds_a_few(lan_server):
    lines = []
    for _ in range(60):
        with contextlib.suppress(OSError):
            lines.append(lan_server.connect("127.0.0.5", NEVER_S, tls=False))
    assert ask(lan_server, get(lan_server, "/bench")).status == 200
    deadline = time.monotonic() + NEVER_S
    while (open_now := [line for line in lines if stands(line)]) and len(open_now) > STRANGERS.an_address:
        assert time.monotonic() < deadline, "nothing is cut"
        time.sleep(0.05)
    for line in lines:
        line.close()


def stands(line):
    line.setblocking(False)
    try:
        return line.recv(1) != b""
    except BlockingIOError:
        return True
    except OSError:
        return False
