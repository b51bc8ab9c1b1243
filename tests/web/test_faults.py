"""What goes wrong behind a page: a full disk, requests that nobody can mean, and errors that nobody foresaw."""

import errno
import logging
import os
import sqlite3
import tempfile

import pytest
from starlette.testclient import TestClient
from web_addresses import BASE

from fluewright.errors import ComputeError, InputError, LedgerError
from fluewright.ledger import transactions
from fluewright.web import bench_room, pages_bench, pages_ledger, rates
from fluewright.web.app import build_app
from fluewright.web.faults import status_of, words_of
from fluewright.web.live import _begin
from fluewright.web.log_brake import braked_log
from fluewright.web.request_json import read_json


def full(*given, **named):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "/somewhere")


def sql_full(code=sqlite3.SQLITE_FULL):
    error = sqlite3.OperationalError("database or disk is full")
    error.sqlite_errorcode = code
    return error


# --- words and status


def caused(error, by):
    try:
        raise error from by
    except type(error) as made:
        return made


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (InputError("x"), 400),
        (LedgerError("x"), 400),
        (ComputeError("x"), 422),
        (OSError(errno.ENOSPC, "full"), 507),
        (OSError(errno.EDQUOT, "quota"), 507),
        (PermissionError(errno.EACCES, "no"), 503),
        (OSError(errno.EIO, "broken"), 503),
        (caused(InputError("cannot be written; free some room"), OSError(errno.ENOSPC, "full")), 507),
        (caused(LedgerError("could not be written"), caused(RuntimeError(), sql_full())), 507),
        (caused(LedgerError("could not be opened"), sql_full(sqlite3.SQLITE_IOERR_SHMSIZE)), 507),
        (caused(LedgerError("could not be opened"), sql_full(sqlite3.SQLITE_BUSY)), 400),
        (sqlite3.OperationalError("locked"), 500),
        (ZeroDivisionError(), 500),
        (OSError(errno.ENOENT, "gone"), 500),
    ],
)
def test_every_error_has_its_status(error, status):
    assert status_of(error) == status
    if status != 500:
        assert len(words_of(error)) >= 1


def test_an_error_keeps_its_own_words_on_a_full_disk_too():
    error = caused(InputError("cannot be written; free some room", field="model"), OSError(errno.ENOSPC, "full"))
    assert words_of(error) == "Model: cannot be written; free some room"
    assert "the disk is full" in words_of(OSError(errno.ENOSPC, "full"))


def test_a_name_that_no_text_can_hold_is_said_in_what_can_be():
    assert words_of(InputError("a\udcff: there is no such file")) == "a?: there is no such file"


# --- a full disk


@pytest.mark.parametrize("place", [(tempfile, "mkdtemp"), (pages_bench, "received")])
def test_an_upload_that_the_disk_has_no_room_for_is_told_so(client, recording, monkeypatch, place):
    monkeypatch.setattr(*place, full)
    answer = client.post("/api/bench/D5-0001/recording?name=a.wav", content=recording().read_bytes())
    assert answer.status_code == 507
    assert "the disk is full" in answer.json()["fault"]
    monkeypatch.undo()
    assert client.get("/api/bench/D5-0001").json()["trials"] == 0


def test_a_recording_of_a_head_that_cannot_be_kept_is_told_so(client, recording, monkeypatch):
    monkeypatch.setattr(os, "fsync", full)
    answer = client.post("/api/voicing/D5-0001/recording?name=a.wav&step=scale", content=recording().read_bytes())
    assert answer.status_code in (400, 507)
    step = client.get("/api/voicing/D5-0001").json()["steps"][0]["key"]
    answer = client.post(f"/api/voicing/D5-0001/recording?name=a.wav&step={step}", content=recording().read_bytes())
    assert answer.status_code == 507
    assert "free some room" in answer.json()["fault"]


@pytest.mark.parametrize("path", ["/bench", "/ledger", "/models", "/voicing", "/ledger/D5-0001", "/api/ledger/trust"])
def test_a_page_that_the_ledgers_disk_has_no_room_for_is_told_so(shop, monkeypatch, path):
    from sqlalchemy.exc import OperationalError

    def refuse(*given, **named):
        by = sql_full()
        raise OperationalError("SELECT", {}, by) from by

    with TestClient(build_app(shop), base_url=BASE, headers={"origin": BASE}) as client:
        monkeypatch.setattr(transactions.Session, "begin", refuse)
        answer = client.get(path)
        monkeypatch.undo()
    assert answer.status_code == 507
    assert "room" in answer.text or "space on the disk" in answer.text
    assert "Traceback" not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_a_copy_that_the_disk_has_no_room_for_is_told_so(client, monkeypatch):
    monkeypatch.setattr(pages_ledger, "back_up", full)
    answer = client.post("/api/ledger/copy")
    assert answer.status_code == 507
    assert "the disk is full" in answer.json()["fault"]


# --- what nobody foresaw


@pytest.mark.parametrize(
    ("method", "path", "place"),
    [
        ("GET", "/bench", (pages_bench, "find_pieces")),
        ("GET", "/ledger", (pages_ledger, "find_pieces")),
        ("POST", "/api/ledger/verify", (pages_ledger, "records_findings")),
        ("POST", "/api/bench/D5-0001/finish", (bench_room.BenchRoom, "finish_trial")),
    ],
)
def test_an_error_that_nobody_foresaw_is_told_with_a_reference_that_the_log_has_too(
    client, monkeypatch, caplog, method, path, place
):
    def break_down(*given, **named):
        raise ZeroDivisionError("secret of the house")

    monkeypatch.setattr(*place, break_down)
    with caplog.at_level(logging.ERROR, "fluewright.web"):
        answer = client.request(method, path, content=b"{}")
    assert answer.status_code == 500
    said = answer.json()["fault"] if path.startswith("/api/") else answer.text
    reference = said.partition("Reference ")[2][:8]
    assert len(bytes.fromhex(reference)) == 4
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    assert answer.headers["cache-control"] == "no-store"
    (record,) = caplog.records
    assert reference in record.getMessage()
    assert "secret of the house" in str(record.exc_info[1])


def test_what_is_said_on_a_page_of_its_own_stays_text(client, monkeypatch):
    def refuse(*given, **named):
        raise InputError("<script>alert(1)</script>")

    monkeypatch.setattr(pages_bench, "find_pieces", refuse)
    answer = client.get("/bench")
    assert answer.status_code == 404
    assert "<script>alert" not in answer.text


# --- what nobody can mean


@pytest.mark.parametrize("digits", [16, 19, 400, 5000])
@pytest.mark.parametrize(
    ("path", "field"),
    [
        ("/api/bench/D5-0001/conditions", "temperature_c"),
        ("/api/bench/D5-0001/drop", "fingering"),
        ("/api/ledger/D5-0001/correct", "event"),
        ("/api/bench/D5-0001/cut", "after_mm"),
        ("/api/voicing/D5-0001/done", "steps"),
        ("/api/devices/end", "device"),
    ],
)
def test_a_number_of_many_digits_is_refused_with_words(client, path, field, digits):
    answer = client.post(path, content=f'{{"{field}": {"9" * digits}}}')
    assert answer.status_code == 400
    assert f"{digits} digits" in answer.json()["fault"]


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity"])
def test_what_is_no_number_in_json_is_refused(word):
    with pytest.raises(InputError, match=f"{word} is no number"):
        read_json(f'{{"a": {word}}}')


@pytest.mark.parametrize(
    "said", [b"", b"{", b"[" * 100_000, b"\xff\xfe\x00", b"{'a': 1}", '"\ud800"'.encode("utf-8", "surrogatepass")]
)
def test_what_is_no_json_is_refused(said):
    with pytest.raises(InputError):
        read_json(said)


def test_what_can_be_meant_is_read():
    assert read_json('{"a": -123456789012345, "b": 1.5, "c": "\\ud83d\\ude00", "d": [null, true]}') == {
        "a": -123456789012345, "b": 1.5, "c": "\U0001f600", "d": [None, True],
    }  # fmt: skip


@pytest.mark.parametrize(
    ("path", "field"),
    [
        ("/api/bench", "model"), ("/api/models/d5-cylinder/section", "place"), ("/api/compare", "old"),
        ("/api/models/d5-cylinder/sound", "note"), ("/api/bench/D5-0001/cut", "key"), ("/pair", "code"),
    ],
)  # fmt: skip
def test_half_a_letter_is_refused_with_words(client, path, field):
    answer = client.post(path, content=f'{{"{field}": "x\\ud800y"}}')
    assert answer.status_code == 400
    assert "half a letter" in answer.json()["fault"]


@pytest.mark.parametrize("rate", ["9" * 400, "9" * 5000, "1e400", "null", "true", '"48000"', "[]", "{}", "NaN", "-1"])
def test_a_sample_rate_that_cannot_be_is_refused_with_words(rate):
    listener, fault = _begin(f'{{"rate_hz": {rate}}}')
    assert listener is None
    assert len(fault) > 20


def test_a_socket_survives_a_sample_rate_of_400_digits(client):
    with client.websocket_connect("ws://127.0.0.1:8123/live/D5-0001") as socket:
        socket.send_text(f'{{"rate_hz": {"9" * 400}}}')
        assert "no sound header" in socket.receive_json()["fault"]
        socket.send_text('{"stop": true}')
        assert socket.receive_json() == {"stopped": True}


# --- the log


@pytest.fixture
def restored_loggers():
    loggers = [logging.getLogger(name) for name in ("uvicorn", "asyncio", "websockets", "fluewright.web")]
    before = [(logger, list(logger.handlers), logger.level, logger.propagate) for logger in loggers]
    yield
    for logger, handlers, level, propagate in before:
        logger.handlers, logger.level, logger.propagate = handlers, level, propagate


def test_a_flood_of_remarks_is_cut_short_and_counted(capsys, monkeypatch, restored_loggers):
    now = [0.0]
    monkeypatch.setattr(rates.time, "monotonic", lambda: now[0])
    braked_log()
    log = logging.getLogger("uvicorn.error")
    for number in range(5000):
        log.warning("somebody did it again: %d", number)
    assert len(capsys.readouterr().err.splitlines()) == 50
    now[0] = 2.0
    log.warning("and at last")
    log.warning("once more")
    said = capsys.readouterr().err
    assert "(4950 lines were left out) and at last" in said
    assert said.count("left out") == 1
    now[0] = 4.0
    log.error("x" * 100_000)
    assert len(capsys.readouterr().err) < 9000


def test_the_page_of_devices_is_the_owners(shop):
    """What a paired device must not do to others, the owner does from the page."""
    shop.scheme, shop.address = "https", "https://192.0.2.7:8123"
    shop.hosts.add("192.0.2.7:8123")

    def at(client):
        origin = "https://192.0.2.7:8123"
        return TestClient(
            build_app(shop), base_url=origin, headers={"origin": origin}, client=(client, 4000), follow_redirects=False
        )

    phone, tablet, owner = at("192.0.2.50"), at("192.0.2.51"), at("127.0.0.1")
    for device, name in ((phone, "Bench <b>phone</b>"), (tablet, "")):
        assert device.post("/pair", json={"code": shop.pairing.code(), "name": name}).status_code == 200
    page = owner.get("/pair").text
    assert "Bench &lt;b&gt;phone" in page
    assert "Device 2" in page
    assert "192.0.2.51" in page
    assert "192.0.2.50" not in tablet.get("/pair").text
    for path in ("/api/devices/end", "/api/devices/end-all", "/api/devices/code"):
        answer = tablet.post(path, json={"device": 1})
        assert answer.status_code == 403
        assert "workshop's computer" in answer.json()["fault"]
    assert owner.post("/api/devices/end", json={"device": 1}).status_code == 200
    assert phone.get("/api/bench/D5-0001").status_code == 401
    assert tablet.get("/api/bench/D5-0001").status_code == 200
    assert owner.post("/api/devices/end", json={"device": 1}).json()["fault"] == "that device is not paired any more"
    for wrong in (True, "1", None, 1.5):
        assert owner.post("/api/devices/end", json={"device": wrong}).status_code == 400
    code = shop.pairing.code()
    assert owner.post("/api/devices/code", json={}).status_code == 200
    assert shop.pairing.code() != code
    assert owner.post("/api/devices/end-all", json={}).status_code == 200
    assert tablet.get("/api/bench/D5-0001").status_code == 401


@pytest.mark.parametrize("path", ["/api/ledger/copy", "/api/bench/D5-0001/certificate", "/api/voicing/D5-0001/advice"])
def test_work_is_asked_for_by_post(client, path):
    assert client.get(path).status_code in (404, 405)
