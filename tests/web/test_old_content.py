"""What is in the ledger and would not be accepted today is shown with its fault, and keeps nobody from the rest."""

import json
import sqlite3

import pytest

from fluewright.instrument.files import model_text
from fluewright.instrument.starting import load
from fluewright.ledger import open_ledger
from fluewright.shop.models import list_models
from fluewright.shop.pieces import begin_piece

PAGES = ("/bench", "/models", "/ledger", "/voicing", "/bench/D5-0001", "/ledger/D5-0001", "/models/d5-cylinder")


@pytest.fixture
def old(shop):
    """A ledger with a model that no rule of today accepts, and a piece of it."""
    text = model_text(load("f4-taper")).replace('name = "f4-taper"', 'name = "old-one"')
    with open_ledger(shop.ledger) as book:
        book.add_model("old-one", text.replace("[target]", "[no-such-table]\nx = 1\n[target]"))
        book.add_instrument(book.next_serial("F4"), "old-one", 1, as_built={})
    return shop


def test_a_model_that_is_none_any_more_is_listed_with_its_fault(client, old):
    for page in PAGES:
        assert client.get(page).status_code == 200, page
    listed = {m.name: m for m in list_models(old.ledger)}
    assert listed["old-one"].model is None
    assert listed["old-one"].fault
    assert listed["d5-cylinder"].model is not None
    assert "Not a model any more" in client.get("/models").text
    assert 'value="old-one"' not in client.get("/bench").text
    assert client.get("/ledger/F4-0001").status_code == 200
    for page in ("/models/old-one", "/bench/F4-0001", "/voicing/F4-0001"):
        answer = client.get(page)
        assert answer.status_code == 404, page
        assert "old-one" in answer.text
    assert client.post("/api/bench", json={"model": "d5-cylinder", "prefix": "D5"}).status_code == 200
    assert client.get("/api/ledger/trust").status_code == 200


def test_a_size_that_makes_no_instrument_stays_with_its_piece(client, shop):
    """As an earlier program, or a slip, may have left it in the ledger."""
    for _ in range(2):
        begin_piece(shop.ledger, "d5-cylinder", prefix="D5")
    with open_ledger(shop.ledger) as book:
        book.log_measurement("D5-0002", as_built={"holes.3.diameter_mm": 1e-9})
        book.log_trial(
            "D5-0002", temperature_c=20.0, relative_humidity=0.5, recording_sha256="ab" * 32, recording_name="a.wav",
            analysis_version="1", as_built={},
            notes=[{"note": "D5", "register": 1, "target_hz": 590.0, "frequency_hz": 588.0,
                    "frequency_uncertainty_hz": 0.1, "cents": -5.9}],
        )  # fmt: skip
    for page in (*PAGES, "/ledger/D5-0002"):
        assert client.get(page).status_code == 200, page
    assert client.get("/api/bench/D5-0001").status_code == 200
    assert client.get("/api/voicing/D5-0001").status_code == 200
    for path in ("/api/bench/D5-0002", "/api/voicing/D5-0002"):
        assert client.get(path).status_code in (200, 400, 422), path


def test_a_serial_with_a_sharp_has_its_pages(client, shop):
    serial = client.post("/api/bench", json={"model": "d5-cylinder", "prefix": "F#4"}).json()["serial"]
    assert serial == "F#4-0001"
    for page in ("/bench", "/ledger", "/voicing"):
        assert f'href="/{page[1:]}/F%234-0001"' in client.get(page).text, page
        assert client.get(f"{page}/F%234-0001").status_code == 200
    assert client.get("/api/bench/F%234-0001").status_code == 200
    given = {"key": "holes.6.diameter_mm", "after_mm": 8.4, "reason": "E5 flat"}
    assert client.post("/api/bench/F%234-0001/cut", json=given).status_code == 200


def test_a_model_with_a_slash_in_its_name_has_its_page_but_no_new_one_is_made(client, shop):
    text = model_text(load("d5-cylinder")).replace('name = "d5-cylinder"', 'name = "a/b"')
    with open_ledger(shop.ledger) as book:
        book.add_model("a/b", text)
    assert 'href="/models/a/b"' in client.get("/models").text
    assert client.get("/models/a/b").status_code == 200
    assert client.post("/api/models/a%2Fb/text", json={}).status_code == 200
    answer = client.post("/api/models/d5-cylinder/save", json={"name": "c/d"})
    assert answer.status_code == 400
    assert "cannot be a model's name" in answer.json()["fault"]


def test_half_a_character_is_refused(client, shop):
    for path in ("/api/bench", "/api/bench/D5-0001/cut", "/api/ledger/D5-0001/correct", "/api/models/d5-cylinder/save"):
        for content in (b'{"reason": "\\ud800"}', b'{"sizes": {"\\udfff": 1}}', b'{"model": "\\ud800", "key": "x"}'):
            answer = client.post(path, content=content)
            assert answer.status_code == 400, (path, content)
            assert "half a letter" in answer.json()["fault"]


@pytest.mark.parametrize(
    "said",
    [
        [], {}, None, 7, {"takes": []}, {"takes": {"swell": ["a"]}}, {"takes": {"swell": [1, 2, 3]}},
        {"takes": {}, "typed": {"D5": [1, 2]}}, {"takes": {}, "typed": {"D5 1 jump_pa": 3}}, {"takes": {}, "typed": []},
        {"takes": {}, "checked": 5}, {"takes": {}, "temperature_c": "warm"}, {"takes": {}, "no": 1},
        {"takes": {"swell": ["a", "../../etc/passwd", ""]}},
    ],
)  # fmt: skip
def test_a_draft_of_wrong_shape_is_laid_aside(client, shop, said):
    shop.folder.mkdir(exist_ok=True)
    (shop.folder / "D5-0001.head.json").write_text(json.dumps(said))
    assert client.get("/voicing/D5-0001").status_code == 200
    assert client.get("/api/voicing/D5-0001").status_code == 200
    assert (shop.folder / "D5-0001.head.damaged").exists()


@pytest.mark.parametrize("damage", [b"", b"no database" * 500, None])
def test_every_page_says_what_is_wrong_with_a_damaged_ledger(client, shop, damage):
    client.get("/bench/D5-0001")
    if damage is None:
        with sqlite3.connect(shop.ledger) as raw:
            raw.execute("DROP TRIGGER events_no_update")
            raw.execute("UPDATE events SET details = 'no json' WHERE id = 2")
    else:
        for one in shop.ledger.parent.glob("shop.ledger-*"):
            one.unlink()
        shop.ledger.write_bytes(damage)
    for page in ("/bench", "/models", "/ledger", "/voicing", "/bench/D5-0001", "/ledger/D5-0001", "/voicing/D5-0001"):
        answer = client.get(page)
        assert answer.status_code in (200, 404), page
        if damage is not None and page not in ("/bench/D5-0001",):
            assert "restore" in answer.text.casefold(), page
    for path in ("/api/bench/D5-0001", "/api/voicing/D5-0001", "/api/ledger/trust"):
        assert client.get(path).status_code in (200, 400), path
    for path in ("/api/ledger/backup", "/api/ledger/copy", "/api/bench", "/api/bench/D5-0001/cut"):
        assert client.post(path, json={"model": "d5-cylinder", "prefix": "D5"}).status_code == 400, path
