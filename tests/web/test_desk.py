"""The desk without a browser: drags move every note, breath and fit follow, versions, sounds and sheets are made."""

import io

import pytest
import soundfile

from fluewright.ledger import open_ledger

API = "/api/models/d5-cylinder"


def test_a_drag_moves_the_notes(client):
    still = client.post(f"{API}/drag", json={"sizes": {}}).json()
    moved = client.post(f"{API}/drag?theme=dark", json={"sizes": {"length_mm": 262.0}}).json()
    assert moved["notes"][0]["cents"] > still["notes"][0]["cents"] + 10.0
    assert moved["notes"][6]["cents"] == pytest.approx(still["notes"][6]["cents"], abs=2.0)
    assert "data-scale" in moved["chart"]


def test_an_impossible_size_names_its_limit_and_mend(client):
    answer = client.post(f"{API}/drag", json={"sizes": {"holes.1.diameter_mm": 40.0}})
    assert answer.status_code == 400
    assert "holes" in answer.json()["fault"]


def test_breath_jumps_and_octaves_follow(client):
    told = client.post(f"{API}/breath", json={"sizes": {}}).json()
    assert told["reasons"] == []
    assert told["notes"][0]["jump_pa"] > told["notes"][0]["in_tune_pa"]
    assert len(told["octaves"]) == 6
    closed = client.post(f"{API}/breath", json={"sizes": {"head.edge_offset_mm": -2.0}}).json()
    assert "will not sound" in closed["reasons"][0]


def test_a_fit_brings_the_notes_nearer(client):
    before = client.post(f"{API}/drag", json={"sizes": {"length_mm": 270.0}}).json()["rms"]
    told = client.post(f"{API}/fit", json={"sizes": {"length_mm": 270.0}}).json()
    after = client.post(f"{API}/drag", json={"sizes": {"length_mm": 270.0, **told["sizes"]}}).json()["rms"]
    assert after < 0.6 * before


@pytest.mark.parametrize("what", ["note", "scale", "swell"])
def test_it_can_be_heard(client, what):
    answer = client.post(f"{API}/sound", json={"sizes": {}, "what": what, "note": "D5"})
    assert answer.status_code == 200
    samples, rate = soundfile.read(io.BytesIO(answer.content))
    assert rate == 48000
    assert len(samples) > rate
    assert 0.1 < abs(samples).max() <= 1.0


def test_versions_are_saved_and_sheets_made(client, shop):
    saved = client.post(f"{API}/save", json={"sizes": {"length_mm": 263.0}, "name": "d5-short"}).json()
    assert saved == {"name": "d5-short", "version": 1}
    with open_ledger(shop.ledger) as book:
        assert book.model("d5-short").lineage == "d5-cylinder"
    assert "d5-short" in client.get("/models").text
    sheet = client.post(f"{API}/sheet", json={"sizes": {}})
    assert sheet.content.startswith(b"%PDF")
    begun = client.post("/api/bench", json={"model": "f4-taper", "prefix": "F4"}).json()
    assert begun == {"serial": "F4-0001"}
    assert client.get("/bench/F4-0001").status_code == 200


def test_every_page_is_served(client):
    for path in ("/models", "/models/d5-cylinder", "/models/c5-eight-hole", "/bench", "/ledger", "/pair", "/"):
        assert client.get(path).status_code in (200, 303), path
    for path in ("/models/nothing", "/bench/X1-0001", "/ledger/X1-0001", "/nowhere"):
        answer = client.get(path)
        assert answer.status_code in (200, 404), path
        assert "This is not here" in answer.text
