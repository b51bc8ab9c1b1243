"""The ledger's pages: found by any word, copied, checked, and every kind of event told in a line."""

import sqlite3

import pytest

from fluewright.ledger import open_ledger, verify
from fluewright.shop.backups import backup_state, make_backup


def test_pieces_are_found_by_any_word_of_their_history(client, shop, recording):
    client.post("/api/bench", json={"model": "f4-taper", "prefix": "F4", "material": "aluminium tube"})
    client.post("/api/bench/D5-0001/recording", params={"name": "take.wav"}, content=recording().read_bytes())
    cut = client.get("/api/bench/D5-0001").json()["verdict"]["plan"][0]
    given = {"key": cut["key"], "after_mm": cut["after_mm"], "tool": "fine saw", "reason": "D5 flat"}
    assert client.post("/api/bench/D5-0001/cut", json=given).status_code == 200
    for word, found in (
        ("", 2), ("fine saw", 1), ("TAKE.wav", 1), ("aluminium", 1), ("d5 flat", 1), ("plum", 1), ("bell", 0),
        ("<script>", 0), ("%", 0), ("'; --", 0),
    ):  # fmt: skip
        page = client.get("/ledger", params={"search": word}).text
        assert page.count('<td><a href="/ledger/') == found, word
    assert client.get("/ledger", params={"state": "in work"}).text.count('<td><a href="/ledger/') >= 1
    history = client.get("/ledger/D5-0001").text
    assert "fine saw, D5 flat" in history
    assert "plum wood, lot 1" in history


def test_the_state_of_a_piece_is_set_with_its_reason(client, shop):
    assert client.post("/api/bench/D5-0001/state", json={"state": "on hold", "reason": "wood moves"}).status_code == 200
    assert client.get("/api/bench/D5-0001").json()["state"] == "on hold"
    for given, says in (
        ({"state": "sung", "reason": "x"}, "is no state"),
        ({"state": "tuned", "reason": ""}, "why the state changes"),
    ):
        answer = client.post("/api/bench/D5-0001/state", json=given)
        assert answer.status_code == 400
        assert says in answer.json()["fault"]


def test_copies_are_made_and_how_far_behind_they_are_is_said(client, shop):
    assert "No copy yet" in client.get("/ledger").text
    assert client.post("/api/ledger/backup", json={}).json()["kept"].endswith(".ledger")
    assert "it lacks nothing" in client.get("/ledger").text
    client.post("/api/bench", json={"model": "d5-cylinder", "prefix": "D5"})
    assert "it lacks the last 1 of" in client.get("/ledger").text
    state = backup_state(shop.ledger)
    assert (state.copies, state.behind) == (1, 1)
    copy = make_backup(shop.ledger)
    assert verify(copy).clean
    assert backup_state(shop.ledger).behind == 0
    copy.write_bytes(b"no ledger any more")
    assert backup_state(shop.ledger).behind == backup_state(shop.ledger).events
    sent = client.post("/api/ledger/copy")
    path = shop.folder.parent / "sent.ledger"
    path.write_bytes(sent.content)
    with open_ledger(path) as book:
        assert len(book.instruments()) == 2


def test_a_changed_ledger_is_found_out(client, shop):
    assert client.post("/api/ledger/verify", json={}).json() == {"clean": True, "findings": []}
    with sqlite3.connect(shop.ledger) as raw:
        raw.execute("DROP TRIGGER IF EXISTS events_no_update")
        for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            raw.execute(f"DROP TRIGGER {name}")
        raw.execute("UPDATE events SET person = 'somebody else' WHERE id = 1")
    told = client.post("/api/ledger/verify", json={}).json()
    assert not told["clean"]
    assert told["findings"]


@pytest.mark.parametrize("digest", ["..%2f..%2fshop.ledger", "a" * 63, "A" * 64, "../shop.ledger", "0" * 64])
def test_only_kept_recordings_are_handed_out(client, digest):
    assert client.get(f"/api/recordings/{digest}").status_code in (400, 404)


def test_a_mistyped_cut_is_put_right_and_the_first_reading_stays(client, shop, recording):
    client.post("/api/bench/D5-0001/recording", params={"name": "take.wav"}, content=recording().read_bytes())
    client.post("/api/bench/D5-0001/cut", json={"key": "holes.6.diameter_mm", "after_mm": 8.4, "reason": "E5 flat"})
    with open_ledger(shop.ledger) as book:
        cut = book.history("D5-0001")[-1]
    page = client.get("/ledger/D5-0001").text
    assert f'<option value="{cut.event_id}">' in page
    right = {"event": cut.event_id, "after_mm": 8.0, "reason": "mistyped"}
    assert client.post("/api/ledger/D5-0001/correct", json=right).status_code == 200
    with open_ledger(shop.ledger) as book:
        assert book.as_built("D5-0001")["holes.6.diameter_mm"] == 8.0
    assert verify(shop.ledger).clean
    assert "mistyped" in client.get("/ledger/D5-0001").text
    for wrong, says in (
        ({**right, "event": 1}, "is no cut"),
        ({**right, "event": "x"}, "by its number"),
        ({**right, "after_mm": None}, "right size"),
        ({**right, "after_mm": 40.0}, "holes"),
        ({**right, "after_mm": 6.0}, "material cannot have come back"),
    ):
        answer = client.post("/api/ledger/D5-0001/correct", json=wrong)
        assert answer.status_code == 400, answer.text
        assert says in answer.json()["fault"]
    assert client.post("/api/ledger/D5-0001/correct", json={**right, "reason": ""}).status_code == 400


def test_a_cut_is_not_put_right_to_more_than_a_later_cut_left(client, shop, recording):
    client.post("/api/bench/D5-0001/recording", params={"name": "take.wav"}, content=recording().read_bytes())
    for size in (8.0, 8.3):
        client.post("/api/bench/D5-0001/cut", json={"key": "holes.6.diameter_mm", "after_mm": size})
    with open_ledger(shop.ledger) as book:
        first = book.history("D5-0001")[-2]
    wide = {"event": first.event_id, "after_mm": 8.6, "reason": "misread"}
    answer = client.post("/api/ledger/D5-0001/correct", json=wide)
    assert answer.status_code == 400
    assert "8.3 mm now and was 8.6 mm before" in answer.json()["fault"]
    assert client.post("/api/ledger/D5-0001/correct", json={**wide, "after_mm": 8.1}).status_code == 200


def test_the_history_says_sizes_in_plain_words(client):
    client.post("/api/bench/D5-0001/cut", json={"key": "holes.6.diameter_mm", "after_mm": 8.4, "reason": "E5 flat"})
    page = client.get("/ledger/D5-0001").text
    assert "hole 6 diameter" in page
    assert "holes.6.diameter_mm" not in page


def test_a_cut_that_was_put_right_shows_its_first_reading(client, shop):
    client.post("/api/bench/D5-0001/cut", json={"key": "holes.6.diameter_mm", "after_mm": 8.4, "reason": "E5 flat"})
    with open_ledger(shop.ledger) as book:
        cut = book.history("D5-0001")[-1]
    right = {"event": cut.event_id, "after_mm": 8.0, "reason": "digits"}
    assert client.post("/api/ledger/D5-0001/correct", json=right).status_code == 200
    assert "to 8.00 mm (first written 8.40)" in client.get("/ledger/D5-0001").text


def test_a_copy_is_restored_by_its_button(client, shop):
    kept = client.post("/api/ledger/backup", json={}).json()["kept"]
    assert f"<option>{kept}</option>" in client.get("/ledger").text
    client.post("/api/bench", json={"model": "d5-cylinder", "prefix": "D5"})
    assert client.get("/bench/D5-0002").status_code == 200
    told = client.post("/api/ledger/restore", json={"copy": kept}).json()
    assert told["events"] == 2
    assert verify(shop.ledger.parent / told["aside"] / "shop.ledger").instruments == 2
    assert client.get("/bench/D5-0001").status_code == 200
    assert client.get("/bench/D5-0002").status_code == 404
    for wrong in ("", "../shop.ledger", "none.ledger"):
        answer = client.post("/api/ledger/restore", json={"copy": wrong})
        assert answer.status_code == 400
        assert "there is no copy" in answer.json()["fault"]


def test_a_recording_of_the_bench_is_kept_and_missed_when_it_is_gone(client, shop, recording):
    sound = recording().read_bytes()
    assert client.post("/api/bench/D5-0001/recording", params={"name": "a.wav"}, content=sound).status_code == 200
    with open_ledger(shop.ledger) as book:
        digest = book.history("D5-0001")[-1].recording_sha256
    assert client.get(f"/api/recordings/{digest}").content == sound
    assert client.post("/api/ledger/verify", json={}).json()["clean"]
    assert client.post("/api/bench/D5-0001/recording", params={"name": "a.wav"}, content=sound).status_code == 400
    assert client.get(f"/api/recordings/{digest}").content == sound, "refused as known, and still kept"
    (shop.folder / "recordings" / digest).unlink()
    assert "is missing" in client.post("/api/ledger/verify", json={}).json()["findings"][0]


def test_a_copy_that_was_sent_leaves_nothing_behind(client, shop, tmp_path, monkeypatch):
    place = tmp_path / "temporary"
    place.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(place))
    assert client.post("/api/ledger/copy", json={}).status_code == 200
    shop.ledger.write_bytes(b"damaged")
    assert client.post("/api/ledger/copy", json={}).status_code == 400
    assert list(place.iterdir()) == []


@pytest.mark.parametrize("damage", [b"", b"no database" * 500])
def test_a_damaged_ledger_is_restored_by_the_same_button(client, shop, damage):
    kept = client.post("/api/ledger/backup", json={}).json()["kept"]
    for one in shop.ledger.parent.glob("shop.ledger-*"):
        if one.is_file():
            one.unlink()
    shop.ledger.write_bytes(damage)
    page = client.get("/ledger")
    assert page.status_code == 200
    assert f"<option>{kept}</option>" in page.text
    assert client.post("/api/ledger/restore", json={"copy": kept}).status_code == 200
    assert client.get("/bench/D5-0001").status_code == 200
    assert verify(shop.ledger).clean
