"""The voicing bench without a browser: a guided trial heard, judged, an adjustment logged and its outcome checked."""

import json
import math

import pytest
from head_sounds import SoundingHead
from starlette.testclient import TestClient
from web_addresses import BASE

from fluewright.bench.voicing.guide import guided_steps
from fluewright.errors import InputError, RecordingError
from fluewright.instrument.starting import load, starting_models
from fluewright.ledger import open_ledger
from fluewright.web.app import build_app
from fluewright.web.app_state import AppState
from fluewright.web.voicing_room import VoicingRoom

API = "/api/voicing/D5-0001"


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """Return (head, its recordings by step): one whose window is 0.45 mm too short, and the same mended."""
    folder = tmp_path_factory.mktemp("sounds")
    found = []
    for name, changes in (("short", {"head.window_length_mm": -0.45}), ("mended", {})):
        head = SoundingHead(load("d5-cylinder"), changes)
        place = folder / name
        place.mkdir()
        found.append((head, head.takes(place), place))
    return found


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(autouse=True)
def one_cache(cache, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(cache))


def play(client, head, takes, *, steps=None):
    for key, path in takes.items():
        if steps is None or key in steps:
            answer = client.post(
                f"{API}/recording", params={"step": key, "name": path.name}, content=path.read_bytes()
            )  # fmt: skip
            assert answer.status_code == 200, answer.text
    for (note, register, quantity), value in head.breaths().items():
        if math.isfinite(value):
            given = {"note": note, "register": register, "quantity": quantity, "value": value}
            assert client.post(f"{API}/reading", json=given).status_code == 200


def test_a_trial_finds_the_fault_and_the_next_one_checks_the_forecast(client, shop, played):
    head, takes, folder = played[0]
    play(client, head, takes)
    state = client.get(API).json()
    assert [s["take"] for s in state["steps"]] == ["low.wav", "swell.wav", "slur.wav", "tongue.wav", "top.wav"]
    assert all(s["heard"] for s in state["steps"])
    assert state["picture"].startswith("<svg")
    log = client.post(f"{API}/breath-log", params={"name": "swell.csv"}, content=(folder / "swell.csv").read_bytes())
    assert log.status_code == 200, log.text
    client.post(f"{API}/settle", json={"checked": ["dirt", "leak", "fingering", "assembly"]})
    first = client.post(f"{API}/finish", json={}).json()["event"]
    told = client.post(f"{API}/advice").json()
    assert told["causes"][0]["title"] == "window too short"
    assert told["causes"][0]["size"] == pytest.approx(0.45, abs=0.2)
    assert told["open_checks"] == []
    ranked = [a["key"] for a in told["advice"][:3]]
    assert "window-longer" in ranked
    json.dumps(told, allow_nan=False)
    done = client.post(f"{API}/done", json={"key": "window-longer", "steps": 4.5, "reason": "window too short"})
    assert done.status_code == 200, done.text
    assert client.get(API).json()["waiting"][0]["steps"] == 4.5
    head, takes, _ = played[1]
    play(client, head, takes)
    second = client.post(f"{API}/finish", json={}).json()["event"]
    state = client.get(API).json()
    assert [t["event"] for t in state["trials"]] == [first, second]
    assert state["beside"] == first
    assert any(s["sure"] for s in state["shifts"])
    outcome = state["outcomes"][0]
    assert outcome["within"] >= 0.75 * len(outcome["readings"])
    assert state["waiting"] == []
    with open_ledger(shop.ledger) as book:
        assert len(book.voicing()) == 3


def test_what_was_taken_survives_the_server(client, shop, played):
    head, takes, _ = played[0]
    play(client, head, takes, steps=("low", "top"))
    before = client.get(API).json()
    other = AppState(shop.ledger, shop.folder, shop.hosts)
    with TestClient(build_app(other), base_url=BASE, headers={"origin": BASE}) as again:
        after = again.get(API).json()
    for key in ("steps", "typed"):
        assert after[key] == before[key]
    assert client.post(f"{API}/throw-away", json={}).status_code == 200
    assert not client.get(API).json()["has_something"]


def test_silence_and_other_notes_are_refused_with_what_to_play(client, played, tmp_path, recording):
    _, takes, _ = played[0]
    wrong = client.post(
        f"{API}/recording", params={"step": "top", "name": "low.wav"}, content=takes["low"].read_bytes()
    )
    assert wrong.status_code == 400
    assert "none of A6, B6 was heard" in wrong.json()["fault"]
    for junk in (b"", b"RIFF", b"\x00" * 4096, b"not a sound at all" * 100):
        answer = client.post(f"{API}/recording", params={"step": "low", "name": "x.wav"}, content=junk)
        assert answer.status_code in (400, 422), answer.text
    assert not client.get(API).json()["has_something"]
    for path in ("recording?step=nothing&name=a.wav", "recording?name=../../etc/passwd"):
        answer = client.post(f"{API}/{path}", content=takes["low"].read_bytes())
        assert answer.status_code == 400
        assert "no step of this trial" in answer.json()["fault"]


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"note": "D5", "register": 1, "quantity": "jump_pa", "value": -3}, "outside"),
        ({"note": "D5", "register": 1, "quantity": "jump_pa", "value": 1e8}, "outside"),
        ({"note": "D5", "register": 1, "quantity": "jump", "value": 100}, "there is no quantity"),
        ({"note": "Z5", "register": 1, "quantity": "jump_pa", "value": 100}, "has no such note"),
        ({"note": "D5", "register": "1", "quantity": "jump_pa", "value": 100}, "name the register"),
        ({"note": "D5", "register": 1, "quantity": "jump_pa", "value": "much"}, "is no number"),
        ({"note": ["D5"], "register": 1, "quantity": "jump_pa", "value": 1}, "is no text"),
    ],
)
def test_readings_that_cannot_be_are_refused(client, given, says):
    answer = client.post(f"{API}/reading", json=given)
    assert answer.status_code == 400
    assert says in answer.json()["fault"]


def test_breaths_in_an_order_that_no_note_has_are_not_kept(client):
    def read(quantity, value, unit="Pa"):
        given = {"note": "D5", "register": 1, "quantity": quantity, "value": value, "unit": unit}
        return client.post(f"{API}/reading", json=given)

    assert read("jump_pa", 30.0, "mm").status_code == 200
    assert client.get(API).json()["typed"][0]["value"] == pytest.approx(30.0 * 9.80665)
    wrong = read("lowest_pa", 400.0)
    assert wrong.status_code == 400
    assert "exchanged" in wrong.json()["fault"]
    assert len(client.get(API).json()["typed"]) == 1
    assert read("jump_pa", None).status_code == 200
    assert client.get(API).json()["typed"] == []


@pytest.mark.parametrize(
    ("what", "given", "says"),
    [
        ("finish", {}, "nothing was taken yet"),
        ("done", {"key": "window-longer", "steps": 1}, "no trial yet"),
        ("done", {"key": "sing", "steps": 1}, "is not known"),
        ("done", {"key": "window-longer", "steps": 500}, "give 0.1 to 20"),
        ("settle", {"checked": ["dirt", "luck"]}, "is not known"),
        ("settle", {"temperature_c": 900}, "cannot be meant"),
        ("sing", {}, "nothing of that name"),
    ],
)
def test_what_cannot_be_done_is_said(client, what, given, says):
    answer = client.post(f"{API}/{what}", json=given)
    assert answer.status_code == 400
    assert says in answer.json()["fault"]


def test_a_damaged_draft_is_kept_beside(shop):
    shop.folder.mkdir(parents=True)
    (shop.folder / "D5-0001.head.json").write_text("{")
    room = VoicingRoom(shop.ledger, "D5-0001", shop.folder)
    assert not room.state()["has_something"]
    assert (shop.folder / "D5-0001.head.damaged").read_text() == "{"
    with pytest.raises((InputError, RecordingError)):
        room.take_log(shop.ledger, "not a table")


@pytest.mark.parametrize("name", starting_models())
def test_every_model_has_a_guided_trial_of_its_own_notes(name):
    steps = guided_steps(load(name))
    assert [s.key for s in steps] == ["low", "swell", "slur", "tongue", "top"]
    assert all(s.notes and s.say for s in steps)
    assert {(n, r) for s in steps for n, r, _ in s.breaths} <= {n for s in steps for n in s.notes}


def test_the_pages_are_served(client):
    assert "D5-0001" in client.get("/voicing").text
    assert client.get("/voicing/D5-0001").status_code == 200
    assert "This is not here" in client.get("/voicing/X9-0001").text
