"""Locked, read-only and full are told apart from damaged; what can still be read is read."""

import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from ledger_samples import begin

from attack.fault_layer import faulty_environment
from fluewright.errors import LedgerError
from fluewright.ledger import Ledger, LedgerTrouble, TroubleKind, ledger_file, open_ledger, verify
from fluewright.ledger.guarded import told
from fluewright.ledger.trouble import kind_of_trouble
from fluewright.ledger.wal_image import image_connection, ledger_image

# Reads in every way, then tries to write; says what came of each.
PROGRAM = """
import json, sys
from pathlib import Path
from fluewright.errors import FluewrightError
from fluewright.ledger import open_ledger, verify, export_ledger, back_up
from fluewright.shop.history import find_pieces, history_rows, overview
path, elsewhere = Path(sys.argv[1]), Path(sys.argv[2])
said = {}
def tried(name, work):
    try:
        said[name] = work()
    except FluewrightError as error:
        said[name] = f"{getattr(error, 'kind', '')}: {error}"
def wrote():
    with open_ledger(path) as book:
        return book.next_serial("D5")
tried("verify", lambda: list(verify(path).findings))
tried("show", lambda: len(overview(path)["instruments"]))
tried("history", lambda: len(history_rows(path, "D5-0001")))
tried("pages", lambda: len(find_pieces(path)))
tried("export", lambda: export_ledger(path, elsewhere / "export").rows["events"])
tried("backup", lambda: back_up(path, elsewhere / "copy").events)
tried("backup beside", lambda: back_up(path, path.with_name("copy")).events)
tried("write", wrote)
print(json.dumps(said))
"""


@pytest.fixture
def shop(ledger: Ledger, tmp_path: Path) -> Path:
    """A ledger alone in a folder, as one finds it on a disk: without its log, or with it (made by a killed program)."""
    begin(ledger)
    folder = tmp_path / "disk"
    folder.mkdir()
    for one in (ledger.path, ledger.path.with_name("shop.ledger-wal"), ledger.path.with_name("shop.ledger.end")):
        shutil.copyfile(one, folder / one.name)
    return folder / "shop.ledger"


def said_on(shop: Path, elsewhere: Path, **how: object) -> dict[str, object]:
    elsewhere.mkdir(exist_ok=True)
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", PROGRAM, shop, elsewhere],
        env=faulty_environment(shop.parent, **how), check=True, capture_output=True, text=True, timeout=300,
    )  # fmt: skip
    return json.loads(done.stdout)


READ = {"verify": [], "show": 1, "history": 1, "pages": 1, "export": 2, "backup": 2}


@pytest.mark.parametrize("folded", [True, False])
@pytest.mark.parametrize(("how", "kind"), [({"read_only": 1}, "read-only"), ({"full": 0}, "full")])
def test_a_ledger_that_cannot_be_written_is_read(
    shop: Path, tmp_path: Path, how: dict[str, int], kind: str, folded: bool
) -> None:
    if folded:
        open_ledger(shop).close()
        assert not shop.with_name("shop.ledger-wal").exists()
    before = {one.name: one.read_bytes() for one in shop.parent.iterdir()}
    said = said_on(shop, tmp_path / "elsewhere", **how)
    assert {name: said[name] for name in READ} == READ
    for name in ("write", "backup beside"):
        assert str(said[name]).startswith(f"{kind}: "), said[name]
        assert "amaged; restore" not in str(said[name])
        assert "Nothing in it is damaged" in str(said[name])
    after = {one.name: one.read_bytes() for one in shop.parent.iterdir() if not one.name.endswith("-shm")}
    assert {name: content for name, content in after.items() if content} == before
    assert verify(shop).clean


def test_a_disk_that_fills_up_keeps_what_was_acknowledged(shop: Path, tmp_path: Path) -> None:
    program = (
        "import sys; from fluewright.ledger import open_ledger\n"
        "with open_ledger(sys.argv[1]) as book:\n"
        "    for step in range(1000):\n"
        "        print(book.log_measurement('D5-0001', as_built={'wall_mm': 1.0 + step}).event_id, flush=True)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, shop], env=faulty_environment(shop.parent, full=400_000), capture_output=True,
        text=True, timeout=300,
    )  # fmt: skip
    assert "the disk is full; free some room" in done.stderr
    acknowledged = [int(line) for line in done.stdout.split()]
    assert len(acknowledged) > 3
    report = verify(shop)
    assert report.findings == ()
    assert report.events == acknowledged[-1]


def test_a_ledger_that_another_program_holds_is_not_called_damaged(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ledger_file, "BUSY_TIMEOUT_S", 0.01)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(LedgerTrouble, match="another program holds it") as told:
            verify(path)
        other.execute("ROLLBACK")
    assert told.value.kind is TroubleKind.LOCKED


def test_the_codes_of_sqlite_and_the_system_are_told_apart() -> None:
    for code, kind in (
        (sqlite3.SQLITE_BUSY, TroubleKind.LOCKED), (sqlite3.SQLITE_BUSY_SNAPSHOT, TroubleKind.LOCKED),
        (sqlite3.SQLITE_READONLY_DBMOVED, TroubleKind.READ_ONLY), (sqlite3.SQLITE_CANTOPEN, TroubleKind.READ_ONLY),
        (sqlite3.SQLITE_FULL, TroubleKind.FULL), (sqlite3.SQLITE_IOERR_SHMSIZE, TroubleKind.FULL),
        (sqlite3.SQLITE_IOERR_READ, TroubleKind.DISK), (sqlite3.SQLITE_CORRUPT_INDEX, TroubleKind.DAMAGED),
        (sqlite3.SQLITE_NOTADB, TroubleKind.DAMAGED), (None, TroubleKind.DAMAGED),
    ):  # fmt: skip
        error = sqlite3.OperationalError("x")
        if code is not None:
            error.sqlite_errorcode = code  # type: ignore[misc]
        assert kind_of_trouble(error) is kind
    for number, kind in ((28, TroubleKind.FULL), (30, TroubleKind.READ_ONLY), (13, TroubleKind.READ_ONLY)):
        assert kind_of_trouble(OSError(number, "x")) is kind
    assert kind_of_trouble(OSError(5, "x")) is TroubleKind.DISK


def test_a_fault_of_the_program_is_not_taken_for_damage(path: Path) -> None:
    with pytest.raises(ZeroDivisionError), told(path):
        _ = 1 / 0
    with pytest.raises(ZeroDivisionError), open_ledger(path):
        _ = 1 / 0


def test_damage_that_a_caller_stumbles_over_is_told(ledger: Ledger) -> None:
    begin(ledger)
    with closing(sqlite3.connect(ledger.path)) as plain, plain:
        plain.execute("DROP TRIGGER events_no_update")
        plain.execute("UPDATE events SET details = '[]' WHERE id = 2")
    with pytest.raises(LedgerTrouble, match="trigger events_no_update is missing") as told:
        ledger.history("D5-0001")
    assert told.value.kind is TroubleKind.DAMAGED


def test_a_ledger_reached_through_a_link_is_refused(path: Path, tmp_path: Path) -> None:
    link = tmp_path / "link.ledger"
    link.symlink_to(path)
    with pytest.raises(LedgerError, match=r"link\.ledger is a link, and a ledger is never written through one"):
        open_ledger(link)
    (tmp_path / "shop.ledger-wal").unlink(missing_ok=True)
    (tmp_path / "shop.ledger-wal").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(LedgerError, match=r"shop\.ledger-wal is a link"):
        open_ledger(path)
    assert not (tmp_path / "elsewhere").exists()


def test_only_its_owner_may_read_a_ledger(path: Path, tmp_path: Path) -> None:
    path.chmod(0o666)
    with open_ledger(path) as book:
        begin(book)
        rights = {one.name: one.stat().st_mode & 0o777 for one in tmp_path.iterdir() if one.name.startswith("shop")}
    assert set(rights) == {"shop.ledger", "shop.ledger-wal", "shop.ledger-shm", "shop.ledger.end"}
    assert set(rights.values()) == {0o600}


def test_an_image_holds_what_stands_in_the_log(ledger: Ledger) -> None:
    begin(ledger)
    for step in range(40):
        ledger.log_measurement("D5-0001", as_built={"wall_mm": 1.0 + step})
    rows = "SELECT * FROM events ORDER BY id"
    with closing(image_connection(ledger.path)) as image, closing(sqlite3.connect(ledger.path)) as plain:
        assert image.execute(rows).fetchall() == plain.execute(rows).fetchall()
        assert image.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        with pytest.raises(sqlite3.OperationalError):
            image.execute("DELETE FROM cuts")


@pytest.mark.parametrize("kept", [0.0, 0.3, 0.7, 0.99])
def test_an_image_of_a_torn_log_ends_at_its_last_whole_commit(ledger: Ledger, tmp_path: Path, kept: float) -> None:
    """As SQLite itself reads it."""
    begin(ledger)
    for step in range(10):
        ledger.log_measurement("D5-0001", as_built={"wall_mm": 1.0 + step})
    log = ledger.path.with_name("shop.ledger-wal").read_bytes()
    torn = tmp_path / "torn" / "shop.ledger"
    torn.parent.mkdir()
    torn.write_bytes(ledger.path.read_bytes())
    torn.with_name("shop.ledger-wal").write_bytes(log[: int(kept * len(log))])
    image = ledger_image(torn)
    with closing(sqlite3.connect(":memory:")) as mine, closing(sqlite3.connect(torn)) as plain:
        mine.deserialize(image)
        rows = "SELECT id, sha256 FROM events ORDER BY id"
        assert mine.execute(rows).fetchall() == plain.execute(rows).fetchall()
