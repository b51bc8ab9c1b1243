"""The bench without a browser: recordings and live frames in, notes ticked, cuts logged, nothing lost."""

import json
from contextlib import ExitStack
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from starlette.testclient import TestClient
from web_addresses import LIVE

from fluewright.ledger import open_ledger
from fluewright.web import bench_room
from fluewright.web.app import build_app
from fluewright.web.app_state import AppState
from fluewright.web.journal import Journal, TickedNote


def test_a_recording_becomes_a_trial_and_a_plan(client, shop, recording):
    path = recording()
    answer = client.post("/api/bench/D5-0001/recording", params={"name": "take.wav"}, content=path.read_bytes())
    assert answer.status_code == 200, answer.text
    state = client.get("/api/bench/D5-0001").json()
    assert state["trials"] == 1
    assert state["verdict"]["state"] == "cut"
    plan = state["verdict"]["plan"]
    assert plan[0]["key"] == "length_mm"
    assert state["chart"].startswith("<svg")
    again = client.post("/api/bench/D5-0001/recording", params={"name": "take.wav"}, content=path.read_bytes())
    assert again.status_code == 400
    assert "counted before" in again.json()["fault"]
    cut = plan[0]
    done = client.post("/api/bench/D5-0001/cut", json={"key": cut["key"], "after_mm": cut["after_mm"], "tool": "saw"})
    assert done.status_code == 200, done.text
    with open_ledger(shop.ledger) as book:
        assert book.as_built("D5-0001")["length_mm"] == pytest.approx(cut["after_mm"])
        assert [type(e).__name__ for e in book.history("D5-0001")][-1] == "Cut"
        assert book.history("D5-0001")[-1].forecast["cents_after"]
    state = client.get("/api/bench/D5-0001").json()
    assert "measured" not in state["chart"]
    back = client.post("/api/bench/D5-0001/cut", json={"key": "length_mm", "after_mm": cut["after_mm"] + 5.0})
    assert back.status_code == 400
    assert "makes this size smaller" in back.json()["fault"]
    smaller = client.post("/api/bench/D5-0001/cut", json={"key": "holes.6.diameter_mm", "after_mm": 4.5})
    assert "makes this size larger" in smaller.json()["fault"]
    paper = client.post("/api/bench/D5-0001/certificate")
    assert paper.status_code == 400
    assert "cut since it was last played" in paper.json()["fault"]
    assert client.get("/ledger/D5-0001").text.count("<tr>") >= 4


def frames(path, size=2048):
    samples, rate = soundfile.read(path, dtype="float32")
    samples = np.concatenate([samples, np.zeros(rate, dtype="float32")])
    return rate, [samples[i : i + size].tobytes() for i in range(0, len(samples), size)]


def test_live_frames_tick_every_note_for_every_device(client, shop, recording):
    rate, sound = frames(recording())
    with client.websocket_connect(LIVE) as watcher, client.websocket_connect(LIVE) as player:
        player.send_text(json.dumps({"rate_hz": rate}))
        for frame in sound:
            player.send_bytes(frame)
        ticked = set()
        while len(ticked) < 13:
            news = json.loads(watcher.receive_text())
            if "ticked" in news:
                ticked.add(news["ticked"])
            assert "fault" not in news
    state = client.get("/api/bench/D5-0001").json()
    assert [n["plays"] for n in state["notes"]] == 13 * [1]
    # -15 cents from the resonances, which the model's own design does not bring to the target exactly.
    g5 = next(n for n in state["notes"] if (n["note"], n["register"]) == ("G5", 1))
    assert g5["heard_cents"] == pytest.approx(-12.8, abs=2.0)
    client.post("/api/bench/D5-0001/drop", json={"fingering": g5["index"]})
    assert client.get("/api/bench/D5-0001").json()["notes"][3]["plays"] == 0
    assert client.post("/api/bench/D5-0001/finish", json={}).status_code == 200
    assert client.get("/api/bench/D5-0001").json()["trials"] == 1


def test_what_was_ticked_survives_the_server(shop, recording):
    rate, sound = frames(recording())
    base = "http://127.0.0.1:8123"
    with (
        TestClient(build_app(shop), base_url=base, headers={"origin": base}) as client,
        client.websocket_connect(LIVE) as player,
    ):
        player.send_text(json.dumps({"rate_hz": rate}))
        seen = 0
        for frame in sound[: len(sound) // 2]:
            player.send_bytes(frame)
        while seen < 4:
            seen += "ticked" in json.loads(player.receive_text())
    other = AppState(shop.ledger, shop.folder, shop.hosts)
    with TestClient(build_app(other), base_url=base, headers={"origin": base}) as client:
        plays = [n["plays"] for n in client.get("/api/bench/D5-0001").json()["notes"]]
        assert sum(plays) >= seen


@pytest.mark.parametrize(
    ("header", "says"),
    [({"rate_hz": 8000}, "8000 samples a second"), ({"rate_hz": "x"}, "no sound header"), ({"rate_hz": 1e9}, "1e+09")],
)
def test_sound_that_cannot_be_used_is_said(client, header, says):
    with client.websocket_connect(LIVE) as socket:
        socket.send_text(json.dumps(header))
        assert says in json.loads(socket.receive_text())["fault"]


def test_odd_frames_end_the_sound_with_a_word(client):
    with client.websocket_connect(LIVE) as socket:
        socket.send_text(json.dumps({"rate_hz": 44100}))
        socket.send_bytes(np.full(2048, np.nan, dtype="float32").tobytes())
        assert json.loads(socket.receive_text())["now"]["hz"] is None
        socket.send_bytes(b"abc")
        assert "impossible length" in json.loads(socket.receive_text())["fault"]


def test_a_journal_forgets_only_a_line_that_was_cut_off(tmp_path):
    journal = Journal(tmp_path, "D5-0001")
    for i in range(3):
        journal.add(TickedNote(i, 440.0, 0.1, 1.0))
    with journal.path.open("a") as stream:
        stream.write('{"fingering": 3, "freq')
    assert [n.fingering for n in journal.notes()] == [0, 1, 2]
    assert journal.drop_last(1)
    assert [n.fingering for n in journal.notes()] == [0, 2]
    journal.clear()
    assert journal.notes() == []


def test_the_room_is_taken_out_of_the_pitch(client, recording):
    client.post("/api/bench/D5-0001/conditions", json={"temperature_c": 10.0})
    path = recording(off=-31.0)
    client.post("/api/bench/D5-0001/recording", params={"name": "cold.wav"}, content=path.read_bytes())
    state = client.get("/api/bench/D5-0001").json()
    g5 = next(n for n in state["notes"] if (n["note"], n["register"]) == ("G5", 1))
    assert abs(g5["cents"]) < 8.0


def test_eight_devices_at_one_bench_see_every_note(client, recording):
    """None of 13 notes is missed by any, though the pitch that sounds comes between at twenty a second."""
    rate, sound = frames(recording())
    with ExitStack() as stack:
        devices = [stack.enter_context(client.websocket_connect(LIVE)) for _ in range(8)]
        devices[0].send_text(json.dumps({"rate_hz": rate}))
        for frame in sound:
            devices[0].send_bytes(frame)
        for device in devices:
            ticked = set()
            while len(ticked) < 13:
                news = json.loads(device.receive_text())
                ticked |= {news["ticked"]} if "ticked" in news else set()


def test_a_certificate_needs_a_trial(client, recording):
    early = client.post("/api/bench/D5-0001/certificate")
    assert early.status_code == 400
    assert "play it first" in early.json()["fault"]
    client.post("/api/bench/D5-0001/recording", params={"name": "take.wav"}, content=recording().read_bytes())
    assert client.post("/api/bench/D5-0001/certificate").content.startswith(b"%PDF")


def test_notes_from_before_a_cut_are_no_trial_of_what_is_there_after_it(client, shop, recording):
    client.post("/api/bench/D5-0001/recording", params={"name": "take.wav"}, content=recording().read_bytes())
    Journal(shop.folder, "D5-0001").add(TickedNote(0, 580.0, 0.1, 1.0))
    cut = client.get("/api/bench/D5-0001").json()["verdict"]["plan"][0]
    done = client.post("/api/bench/D5-0001/cut", json={"key": cut["key"], "after_mm": cut["after_mm"]}).json()
    assert "1 note that was played before this cut was dropped" in done["warnings"][0]
    assert client.post("/api/bench/D5-0001/finish", json={}).status_code == 400


def test_notes_of_the_second_register_that_stay_outside_are_named(client, recording):
    path = recording(off=-20.0)
    client.post("/api/bench/D5-0001/recording", params={"name": "flat.wav"}, content=path.read_bytes())
    verdict = client.get("/api/bench/D5-0001").json()["verdict"]
    assert any(n.startswith("B6 \u2212") for n in verdict["upper_outside"])


def test_a_bad_file_is_called_by_the_name_it_was_sent_under(client):
    answer = client.post("/api/bench/D5-0001/recording", params={"name": "photo.jpg"}, content=b"\xff\xd8 no sound")
    assert answer.status_code == 400
    assert answer.json()["fault"].startswith("photo.jpg: ")
    assert "/tmp" not in answer.json()["fault"]


def test_a_stop_is_confirmed_when_all_sound_before_it_was_heard(client, recording):
    """Otherwise the end of a trial could overtake its last note, which would count for the next one."""
    rate, sound = frames(recording())
    with client.websocket_connect(LIVE) as player:
        player.send_text(json.dumps({"rate_hz": rate}))
        for frame in sound:
            player.send_bytes(frame)
        player.send_text(json.dumps({"stop": True}))
        came = []
        while not came or "stopped" not in came[-1]:
            came.append(json.loads(player.receive_text()))
    assert len({news["ticked"] for news in came if "ticked" in news}) == 13
    assert client.post("/api/bench/D5-0001/finish", json={}).status_code == 200
    assert [n["plays"] for n in client.get("/api/bench/D5-0001").json()["notes"]] == 13 * [0]


LONG_G5 = SimpleNamespace(frequency_hz=783.0, frequency_uncertainty_hz=0.1, onset_s=0.0, offset_s=1.0)


def play_elsewhere(ledger):
    """Write to the ledger as the command line does, behind the back of the bench."""
    with open_ledger(ledger) as book:
        book.log_measurement("D5-0001", as_built={"holes.5.diameter_mm": 8.6}, remarks="gauged again")
    return True


def test_what_every_device_looks_at_is_drawn_once_and_anew_after_each_change(client, shop, recording, monkeypatch):
    drawn = []
    real = bench_room.bench_view
    monkeypatch.setattr(bench_room, "bench_view", lambda *known: drawn.append(1) or real(*known))

    def looks():
        before = len(drawn)
        for _ in range(8):
            assert client.get("/api/bench/D5-0001").status_code == 200
        return len(drawn) - before

    assert looks() == 1
    assert looks() == 0
    post = client.post
    changes = [
        lambda: post("/api/bench/D5-0001/conditions", json={"temperature_c": 25.0}).status_code == 200,
        lambda: shop.room("D5-0001").hear(LONG_G5) == 3,
        lambda: post("/api/bench/D5-0001/drop", json={"fingering": 3}).status_code == 200,
        lambda: post("/api/bench/D5-0001/recording?name=a.wav", content=recording().read_bytes()).status_code == 200,
        lambda: post("/api/bench/D5-0001/cut", json={"key": "holes.6.diameter_mm", "after_mm": 8.4}).status_code == 200,
        lambda: post("/api/bench/D5-0001/state", json={"state": "voiced", "reason": "sounds well"}).status_code == 200,
        lambda: play_elsewhere(shop.ledger),
    ]
    for i, change in enumerate(changes):
        assert change(), i
        assert looks() == 1, i


def test_sizes_that_cannot_sound_are_said_every_time(client, shop, recording):
    """Not only at the first look, after which an old or an empty verdict would stand there as if it were one."""
    client.post("/api/bench/D5-0001/recording", params={"name": "a.wav"}, content=recording().read_bytes())
    with open_ledger(shop.ledger) as book:
        book.log_measurement("D5-0001", as_built={"length_mm": 300.0}, remarks="misread")
    for _ in range(2):
        answer = client.get("/api/bench/D5-0001")
        assert answer.status_code == 422
        assert "no resonance" in answer.json()["fault"]
        assert "put it right in the piece's history" in answer.json()["fault"]
    with open_ledger(shop.ledger) as book:
        book.log_measurement("D5-0001", as_built={"length_mm": 264.0}, remarks="gauged anew")
    assert client.get("/api/bench/D5-0001").status_code == 200
