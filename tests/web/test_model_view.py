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


def test_limits_hold_in_the_fit_and_are_saved(client, shop):
    sizes = {"length_mm": 270.0}
    free = client.post(f"{API}/fit", json={"sizes": sizes}).json()
    assert "length_mm" in free["sizes"]
    held = client.post(f"{API}/fit", json={"sizes": sizes, "limits": {"fixed": ["length_mm"]}}).json()
    assert "length_mm" not in held["sizes"]
    assert held["rms"] > free["rms"]
    narrow = client.post(f"{API}/fit", json={"sizes": sizes, "limits": {"largest_hole_mm": 7.6}}).json()
    assert all(v <= 7.6 + 1e-9 for k, v in narrow["sizes"].items() if k.endswith("diameter_mm"))
    saved = client.post(f"{API}/save", json={"limits": {"length_max_mm": 268.0}, "name": "d5-cylinder"}).json()
    assert saved["version"] == 2
    with open_ledger(shop.ledger) as book:
        assert "length_max_mm = 268" in book.model("d5-cylinder").toml_text


@pytest.mark.parametrize(
    ("limits", "says"),
    [
        ({"largest": 3}, "there is no limit"),
        ({"largest_hole_mm": "x"}, "is no size"),
        ({"fixed": "all"}, "give the keys"),
        ([], "by name"),
        ({"largest_hole_mm": -1}, "largest_hole_mm"),
    ],
)
def test_limits_that_cannot_be_are_refused(client, limits, says):
    answer = client.post(f"{API}/drag", json={"limits": limits})
    assert answer.status_code == 400
    assert says in answer.json()["fault"]


@pytest.mark.parametrize(
    "key", ["head.windway.exit_height_mm", "head.upper_chamfer.length_mm", "head.lower_chamfer.angle_deg"]
)
def test_every_size_of_the_head_can_be_changed(client, key):
    page = client.get("/models/d5-cylinder").text
    assert f'data-key="{key}"' in page
    before = client.post(f"{API}/section", json={}).json()["section"]
    value = 60.0 if key.endswith("deg") else 0.83
    after = client.post(f"{API}/section", json={"sizes": {key: value}})
    assert after.status_code == 200, after.text
    assert after.json()["section"] != before


def test_pressing_a_place_shows_what_a_step_does(client):
    told = client.post(f"{API}/section?theme=dark", json={"place": "window"}).json()
    longer = next(e for e in told["effects"] if e["key"] == "window-longer")
    pitch = next(e for e in longer["effects"] if e["title"] == "pitch, register 1")
    assert pitch["value"] > 1.0
    assert pitch["sigma"] > 0.0
    assert told["picture"].startswith("<svg")
    wrong = client.post(f"{API}/section", json={"place": "bell"})
    assert wrong.status_code == 400
    assert "is no place" in wrong.json()["fault"]


def test_two_versions_stand_side_by_side(client):
    client.post(f"{API}/save", json={"sizes": {"length_mm": 262.0}, "name": "d5-cylinder"})
    page = client.get("/compare?old=d5-cylinder@1&new=d5-cylinder@2").text
    assert page.count("<tr>") >= 2
    told = client.post("/api/compare", json={"old": "d5-cylinder@1", "new": "d5-cylinder@2"}).json()
    assert told["picture"].startswith("<svg")
    assert told["rms"][0] != told["rms"][1]
    assert not told["blown"]
    blown = client.post("/api/compare", json={"old": "d5-cylinder@1", "new": "d5-cylinder@2", "blown": True}).json()
    assert blown["blown"]
    assert blown["rms"] != told["rms"]
    assert client.post("/api/compare", json={"old": "d5-cylinder", "new": "f4-taper"}).status_code == 200
    for bad in ("nothing", "d5-cylinder@9", "d5-cylinder@x", ""):
        assert client.post("/api/compare", json={"old": bad, "new": "d5-cylinder"}).status_code == 400
        assert client.get(f"/compare?old={bad}&new=d5-cylinder").status_code == 404


def test_breath_is_drawn_beside_the_saved_version(client):
    alone = client.post(f"{API}/breath", json={"sizes": {}}).json()["picture"]
    assert "beside the saved version" not in alone
    moved = client.post(f"{API}/breath", json={"sizes": {"head.window_length_mm": 4.2}}).json()["picture"]
    assert "beside the saved version" in moved


def test_the_strongest_size_leads_the_sensitivity_picture(client):
    picture = client.post(f"{API}/sensitivity", json={}).json()["picture"]
    assert picture.index("window length") < picture.index("hole 1 position")
