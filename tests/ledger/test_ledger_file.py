import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest

from fluewright.errors import LedgerError
from fluewright.ledger import Ledger
from fluewright.ledger.ledger_file import existing_file, plain_connection, reading, schema_revision
from fluewright.ledger.schema import APPLICATION_ID, SCHEMA_REVISION


def test_a_path_leads_to_a_file(path: Path, tmp_path: Path) -> None:
    assert existing_file(path) == path
    (tmp_path / "loop").symlink_to("loop")
    with pytest.raises(LedgerError, match="loop cannot be opened"):
        plain_connection(tmp_path / "loop", mode="rwc")
    with pytest.raises(LedgerError, match="is a folder, not a ledger: name the file in it"):
        existing_file(tmp_path)
    with pytest.raises(LedgerError, match="There is no ledger at"):
        existing_file(tmp_path / "none")


def test_the_mode_of_a_connection_says_what_it_may_do(path: Path, tmp_path: Path) -> None:
    with closing(plain_connection(path, mode="ro")) as plain, pytest.raises(sqlite3.OperationalError, match="readonly"):
        plain.execute("INSERT INTO serial_counters VALUES ('D5', 1, '" + "0" * 64 + "')")
    with closing(plain_connection(path, mode="rw")) as plain:
        plain.execute("INSERT INTO serial_counters VALUES ('D5', 1, '" + "0" * 64 + "')")
        assert not plain.in_transaction, "every statement stands alone until a transaction is begun by hand"
        assert plain.execute("PRAGMA busy_timeout").fetchone() == (10000,)
    for mode in ("ro", "rw"):
        with pytest.raises(LedgerError, match=r"none\.ledger cannot be opened \(unable to open"):
            plain_connection(tmp_path / "none.ledger", mode=mode)
    plain_connection(tmp_path / "new ?#%.ledger", mode="rwc").close()
    assert (tmp_path / "new ?#%.ledger").exists()


def test_a_connection_may_pass_from_thread_to_thread(path: Path) -> None:
    found = []
    with closing(plain_connection(path, mode="ro")) as plain:
        thread = threading.Thread(target=lambda: found.append(schema_revision(plain, path)))
        thread.start()
        thread.join()
    assert found == [SCHEMA_REVISION]


def made(path: Path, *statements: str) -> sqlite3.Connection:
    plain = sqlite3.connect(path)
    for statement in statements:
        plain.execute(statement)
    return plain


OURS = f"PRAGMA application_id = {APPLICATION_ID}"
VERSIONS = "CREATE TABLE alembic_version (version_num TEXT)"


@pytest.mark.parametrize(
    ("statements", "says"),
    [
        ([VERSIONS], "is a database, but not a ledger of fluewright: name another file"),
        ([OURS, "CREATE TABLE stock (name TEXT)"], "is a database, but not a ledger of fluewright"),
        ([OURS], "is a database, but not a ledger of fluewright"),
        (["PRAGMA application_id = 7"], "is a database, but not a ledger of fluewright"),
        ([OURS, VERSIONS], "does not say which schema it has: restore a backup"),
    ],
)
def test_other_databases_are_told_apart(tmp_path: Path, statements: list[str], says: str) -> None:
    path = tmp_path / "other.db"
    with closing(made(path, *statements)) as plain, pytest.raises(LedgerError, match=says):
        schema_revision(plain, path)


def test_the_revision_is_read_and_an_empty_file_has_none(tmp_path: Path) -> None:
    with closing(made(tmp_path / "a", OURS, VERSIONS, "INSERT INTO alembic_version VALUES ('0042')")) as plain:
        assert schema_revision(plain, tmp_path / "a") == "0042"
    with closing(made(tmp_path / "b")) as plain:
        assert schema_revision(plain, tmp_path / "b") is None


def test_what_is_no_database_is_no_ledger_but_a_damaged_one_may_be(path: Path, tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("not a database, but long enough to be looked at\n" * 40)
    with closing(sqlite3.connect(text)) as plain, pytest.raises(LedgerError, match=r"notes\.txt is not a ledger \("):
        schema_revision(plain, text)
    torn = tmp_path / "torn.ledger"
    torn.write_bytes(path.read_bytes()[:100] + b"\xa5" * 4000)
    with closing(sqlite3.connect(torn)) as plain, pytest.raises(sqlite3.DatabaseError):
        schema_revision(plain, torn)


def test_reading_sees_one_moment(ledger: Ledger) -> None:
    with reading(ledger.path) as (plain, revision):
        assert revision == SCHEMA_REVISION
        assert plain.execute("SELECT count(*) AS found FROM models").fetchone()["found"] == 0
        ledger.add_model("d5-cylinder", "a = 1")
        assert plain.execute("SELECT count(*) FROM models").fetchone()[0] == 0
    with reading(ledger.path) as (plain, _):
        assert plain.execute("SELECT count(*) FROM models").fetchone()[0] == 1


def test_nothing_is_read_from_an_empty_file_or_none(tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.touch()
    other = tmp_path / "other.db"
    made(other, VERSIONS).close()
    with pytest.raises(LedgerError, match=r"other\.db is a database"), reading(other):
        pass
    for path, says in (
        (empty, "empty is empty, not a ledger"),
        (tmp_path / "no", "no ledger at"),
    ):
        with pytest.raises(LedgerError, match=says), reading(path):
            pass
