"""What should not come in does not: other sites, unpaired devices, guesses, floods, hostile paths and files."""

from types import SimpleNamespace

import pytest
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect
from web_addresses import BASE, LIVE

from fluewright.web import rates
from fluewright.web.app import build_app
from fluewright.web.guard import LARGEST_UPLOAD
from fluewright.web.pairing import CODE_SECONDS, Pairing


def from_phone(shop, **headers):
    """Return a browser on another device of the network."""
    shop.scheme, shop.address = "https", "https://192.0.2.7:8123"
    shop.hosts.add("192.0.2.7:8123")
    origin = "https://192.0.2.7:8123"
    return TestClient(
        build_app(shop), base_url=origin, headers={"origin": origin, **headers}, client=("192.0.2.50", 40000),
        follow_redirects=False,
    )  # fmt: skip


def test_pages_are_served_with_strict_headers(client):
    answer = client.get("/bench")
    assert answer.status_code == 200
    assert "D5-0001" in answer.text
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1:9999", "", "127.0.0.1:8123.evil.example"])
def test_another_name_is_refused(client, host):
    assert client.get("/bench", headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    "origin", [None, "http://evil.example", "null", "https://127.0.0.1:8123", "http://127.0.0.1:81"]
)
def test_requests_from_other_pages_are_refused(shop, origin):
    headers = {} if origin is None else {"origin": origin}
    with TestClient(build_app(shop), base_url=BASE, headers=headers) as other:
        for path in ("/api/bench", "/api/bench/D5-0001/throw-away", "/pair", "/api/models/d5-cylinder/save"):
            answer = other.post(path, json={})
            assert answer.status_code == 403
        with pytest.raises(WebSocketDisconnect) as refused, other.websocket_connect(LIVE):
            pass
        assert refused.value.code == 1008


def test_an_unpaired_device_reaches_nothing(shop):
    with from_phone(shop) as phone:
        assert phone.get("/bench").headers["location"] == "/pair"
        assert phone.get("/api/bench/D5-0001").status_code == 401
        assert phone.post("/api/bench/D5-0001/finish", json={}).status_code == 401
        assert phone.get("/ledger/D5-0001").status_code == 303
        with (
            pytest.raises(WebSocketDisconnect),
            phone.websocket_connect(LIVE.replace("ws://127.0.0.1", "wss://192.0.2.7")),
        ):
            pass
        page = phone.get("/pair")
        assert page.status_code == 200
        assert shop.pairing.code() not in page.text
        assert phone.get("/static/look.css").status_code == 200
        for cookie in ("fluewright_session=guess", "fluewright_session=", "fluewright_session=\xff", ";;;="):
            assert phone.get("/api/bench/D5-0001", headers={"cookie": cookie.encode("latin-1")}).status_code == 401


def every_route(shop):
    """Return (method, path) of everything that the app answers, with a piece and a model that exist."""
    found = []
    for route in build_app(shop).routes:
        for method in getattr(route, "methods", None) or ():
            path = route.path
            for name, value in (
                ("{serial}", "D5-0001"), ("{name}", "d5-cylinder"), ("{what}", "finish"), ("{digest}", "0" * 64),
            ):  # fmt: skip
                path = path.replace(name, value)
            if method != "HEAD":
                found.append((method, path))
    return found


def test_no_page_and_no_request_is_open_to_an_unpaired_device_or_another_site(shop):
    routes = every_route(shop)
    assert len(routes) >= 40
    free = {"/pair", "/favicon.ico"}
    with from_phone(shop) as phone:
        for method, path in routes:
            if path not in free:
                assert phone.request(method, path, content=b"{}").status_code in (303, 401), path
    shop.scheme, shop.address = "http", ""
    with TestClient(build_app(shop), base_url=BASE, headers={"origin": "http://evil.example"}) as other:
        for method, path in routes:
            if method != "GET":
                assert other.request(method, path, content=b"{}").status_code == 403, path


def test_a_code_pairs_once(shop):
    code = shop.pairing.code()
    with from_phone(shop) as phone:
        answer = phone.post("/pair", json={"code": f"{code[:4]} {code[4:]}"})
        assert answer.status_code == 200
        cookie = answer.headers["set-cookie"]
        for word in ("HttpOnly", "Secure", "SameSite=strict"):
            assert word in cookie
        assert phone.get("/bench").status_code == 200
        assert phone.get("/api/bench/D5-0001").json()["serial"] == "D5-0001"
    with from_phone(shop) as other:
        assert other.post("/pair", json={"code": code}).status_code == 403
        assert other.get("/api/bench/D5-0001").status_code == 401
    assert shop.pairing.code() != code


def test_wrong_codes_have_to_wait_and_spoil_the_code(shop):
    code = shop.pairing.code()
    wrong = "00000000" if code != "00000000" else "11111111"
    with from_phone(shop) as phone:
        for _ in range(3):
            assert phone.post("/pair", json={"code": wrong}).status_code == 403
        answer = phone.post("/pair", json={"code": code})
        assert answer.status_code == 429
        assert "wait" in answer.json()["fault"]
    for number in range(70):
        for _ in range(3):
            shop.pairing.pair(wrong, f"device {number}")
    assert shop.pairing.pair(code, "fresh") is None


def test_codes_and_sessions_end():
    now = [0.0]
    pairing = Pairing(clock=lambda: now[0])
    code = pairing.code()
    now[0] = CODE_SECONDS + 1.0
    assert pairing.pair(code, "x") is None
    token = pairing.pair(pairing.code(), "x")
    assert token is not None
    assert pairing.known(token)
    now[0] += 31 * 24 * 3600.0
    assert not pairing.known(token)
    token = pairing.pair(pairing.code(), "x")
    pairing.end_all()
    assert not pairing.known(token)


def test_a_flood_is_slowed_down(client, monkeypatch):
    now = [0.0]
    monkeypatch.setattr(rates, "time", SimpleNamespace(monotonic=lambda: now[0]))
    answers = [client.get("/favicon.ico").status_code for _ in range(300)]
    assert answers == 240 * [204] + 60 * [429]
    now[0] = 1.0
    answers = [client.get("/favicon.ico").status_code for _ in range(70)]
    assert answers == 60 * [204] + 10 * [429]


@pytest.mark.parametrize(
    "path",
    ["/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/static//etc/passwd", "/static/%00",
     "/ledger/..%2f..%2fetc%2fpasswd", "/models/..%2f..%2fx", "/bench/%2e%2e"],
)  # fmt: skip
def test_paths_lead_nowhere(client, path):
    answer = client.get(path)
    assert answer.status_code in (400, 404)
    assert "root:" not in answer.text
    assert "Starlette" not in answer.text


def test_too_much_is_refused_before_it_is_read(client):
    answer = client.post(
        "/api/bench/D5-0001/recording", headers={"content-length": str(LARGEST_UPLOAD + 1)}, content=b""
    )
    assert answer.status_code == 413
    assert "300 MiB" in answer.text
    assert client.post("/api/bench", content=b"x" * (1024 * 1024 + 1)).status_code == 413

    def endless():
        for _ in range(40):
            yield b"x" * 65536

    assert client.post("/api/models/d5-cylinder/drag", content=endless()).status_code == 413
    log = client.post("/api/voicing/D5-0001/breath-log", content=b"1,2\n" * 300_000)
    assert log.status_code == 413


@pytest.mark.parametrize(
    "content", [b"", b"RIFF", b"<script>alert(1)</script>" * 50, b"\x00" * 5000, b"fLaC" + b"\xff" * 500]
)
def test_hostile_recordings_are_refused_with_their_name(client, content):
    name = '<img src=x onerror="alert(1)">.wav'
    answer = client.post("/api/bench/D5-0001/recording", params={"name": name}, content=content)
    assert answer.status_code == 400
    assert answer.json()["fault"]
    assert client.get("/api/bench/D5-0001").json()["trials"] == 0


def test_scripts_in_names_stay_text(client, shop):
    from fluewright.shop.pieces import begin_piece

    begin_piece(shop.ledger, "d5-cylinder", prefix="D5", sizes={}, material="<script>alert(1)</script>", lot='"><b>')
    page = client.get("/ledger").text
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "<b>" not in page
    search = client.get("/ledger", params={"search": "<script>alert(2)</script>"}).text
    assert "<script>alert(2)" not in search
    missing = client.get("/models/<script>alert(3)<%2fscript>").text
    assert "<script>alert(3)" not in missing


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/models/d5-cylinder/drag", b"{"),
        ("/api/models/d5-cylinder/drag", b"[]"),
        ("/api/models/d5-cylinder/drag", b'{"sizes": [1]}'),
        ("/api/models/d5-cylinder/drag", b'{"sizes": {"length_mm": "long"}}'),
        ("/api/models/d5-cylinder/drag", b'{"sizes": {"length_mm": 1e300}}'),
        ("/api/models/d5-cylinder/drag", b'{"sizes": {"length_mm": -3}}'),
        ("/api/models/d5-cylinder/drag", b'{"sizes": {"bogus": 3}}'),
        ("/api/models/nothing/drag", b"{}"),
        ("/api/models/d5-cylinder/sound", b'{"what": "noise"}'),
        ("/api/models/d5-cylinder/sound", b'{"what": "note", "note": "X9"}'),
        ("/api/models/d5-cylinder/save", b'{"name": "../../etc/passwd"}'),
        ("/api/bench/D5-0001/cut", b'{"key": "length_mm", "after_mm": "short"}'),
        ("/api/bench/D5-0001/cut", b'{"key": "bogus", "after_mm": 3}'),
        ("/api/bench/D5-0001/cut", b'{"key": "length_mm", "after_mm": 0.1}'),
        ("/api/bench/D5-0001/finish", b"{}"),
        ("/api/bench/D5-0001/dance", b"{}"),
        ("/api/bench/D5-0001/conditions", b'{"temperature_c": 900}'),
        ("/api/bench/D5-0099/finish", b"{}"),
        ("/api/bench", b'{"model": "nothing", "prefix": "D5"}'),
        ("/api/bench", b'{"model": ["d5-cylinder"], "prefix": "D5"}'),
        ("/api/bench/D5-0001/conditions", b'{"temperature_c": NaN}'),
        ("/api/bench/D5-0001/state", b'{"state": ["tuned"], "reason": "x"}'),
        ("/api/models/d5-cylinder/section", b'{"place": "../x"}'),
        ("/api/models/d5-cylinder/drag", b'{"limits": {"fixed": [1]}}'),
        ("/api/compare", b'{"old": "a@b@c", "new": {}}'),
        ("/api/voicing/D5-0001/settle", b'{"checked": "dirt"}'),
        ("/api/voicing/D5-0001/settle", b'{"body": {"a": 1}}'),
        ("/api/voicing/D5-0001/reading", b"{}"),
        ("/api/voicing/D5-0001/done", b'{"key": "window-longer", "steps": "many"}'),
        ("/api/voicing/D5-0001/breath-log?name=x.csv", b"time,pressure\n1,2\n"),
        ("/api/voicing/D5-0099/finish", b"{}"),
        ("/api/bench", b'{"model": "d5-cylinder", "prefix": "../"}'),
    ],
)
def test_requests_that_cannot_be_meant_are_answered_plainly(client, path, body):
    answer = client.post(path, content=body)
    assert answer.status_code == 400, answer.text
    assert len(answer.json()["fault"]) > 8
    assert "Traceback" not in answer.text
