import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from ledger_samples import MODEL

from fluewright.errors import LedgerError
from fluewright.ledger import Ledger, connection, ledger_file, open_ledger, verify
from fluewright.ledger.schema import APPLICATION_ID, SCHEMA_REVISION
from fluewright.ledger.trouble import LedgerTrouble, TroubleKind

NEXT_STEP = """
from alembic import op
revision = "9999"
down_revision = "{former}"
branch_labels = None
depends_on = None
def upgrade():
    op.execute("ALTER TABLE cuts ADD COLUMN swarf_g REAL")
    {then}
def downgrade():
    pass
"""


def one(path: Path, query: str) -> object:
    with closing(sqlite3.connect(path)) as plain:
        return plain.execute(query).fetchone()[0]


@pytest.fixture
def later_fluewright(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A fluewright with one more migration step than this one."""

    def install(then: str = "pass") -> None:
        folder = tmp_path / "later" / "migrations"
        shutil.copytree(connection.MIGRATIONS, folder, ignore=shutil.ignore_patterns("__pycache__"))
        (folder / "versions" / "r9999_next.py").write_text(NEXT_STEP.format(former=SCHEMA_REVISION, then=then))
        monkeypatch.setattr(connection, "MIGRATIONS", folder)
        monkeypatch.setattr(connection, "SCHEMA_REVISION", "9999")

    return install


def test_a_new_ledger_is_marked_and_whole(tmp_path: Path) -> None:
    path = tmp_path / "100% shop #1?.ledger"
    with open_ledger(path) as ledger:
        assert ledger.models() == []
        with ledger._engine.connect() as used:
            pragmas = {
                name: used.exec_driver_sql(f"PRAGMA {name}").scalar_one()
                for name in ("journal_mode", "foreign_keys", "busy_timeout", "synchronous")
            }
    assert pragmas == {"journal_mode": "wal", "foreign_keys": 1, "busy_timeout": 10000, "synchronous": 2}
    assert one(path, "PRAGMA application_id") == APPLICATION_ID
    assert verify(path).clean
    assert [entry.name for entry in tmp_path.iterdir() if not entry.name.endswith(("-wal", "-shm"))] == [path.name]


def test_an_empty_file_is_refused_and_left_alone(tmp_path: Path) -> None:
    """It is what a ledger was that lost everything: a new one in its place would begin again at 0001."""
    path = tmp_path / "empty.ledger"
    path.touch()
    for create in (True, False):
        with pytest.raises(LedgerTrouble, match=r"is empty, not a ledger.*Restore a copy") as told:
            open_ledger(path, create=create)
        assert told.value.kind is TroubleKind.EMPTY
    assert path.read_bytes() == b""


def test_opening_again_keeps_everything(path: Path) -> None:
    for expected in ("D5-0001", "D5-0002", "D5-0003"):
        with open_ledger(path, create=False) as ledger:
            assert ledger.next_serial("D5") == expected


def test_what_is_not_a_ledger_is_refused_and_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("not a database, but long enough to be looked at\n" * 40)
    other = tmp_path / "other.db"
    with closing(sqlite3.connect(other)) as plain:
        plain.execute("CREATE TABLE stock (name TEXT)")
    for path in (text, other):
        before = path.read_bytes()
        with pytest.raises(LedgerError, match="not a ledger"):
            open_ledger(path)
        with pytest.raises(LedgerError, match="not a ledger"):
            verify(path)
        assert path.read_bytes() == before


def test_missing_places_are_named(tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="no ledger at"):
        open_ledger(tmp_path / "none.ledger", create=False)
    assert not (tmp_path / "none.ledger").exists()
    with pytest.raises(LedgerError, match="folder, not a ledger"):
        open_ledger(tmp_path)
    with pytest.raises(LedgerError, match="no folder"):
        open_ledger(tmp_path / "nowhere" / "shop.ledger")


def test_a_newer_ledger_is_refused(path: Path) -> None:
    with closing(sqlite3.connect(path)) as plain, plain:
        plain.execute("UPDATE alembic_version SET version_num = '9998'")
    with pytest.raises(LedgerError, match="newer than this fluewright"):
        open_ledger(path)
    assert one(path, "SELECT version_num FROM alembic_version") == "9998"


def test_an_older_ledger_with_data_is_backed_up_then_upgraded(path: Path, later_fluewright) -> None:
    with open_ledger(path) as ledger:
        ledger.add_model("d5-cylinder", MODEL)
    later_fluewright()
    with open_ledger(path) as ledger:
        assert ledger.model("d5-cylinder").toml_text == MODEL
    assert one(path, "SELECT version_num FROM alembic_version") == "9999"
    assert one(path, "SELECT count(*) FROM pragma_table_info('cuts') WHERE name = 'swarf_g'") == 1
    (backup,) = path.parent.glob("*.backup")
    assert one(backup, "SELECT version_num FROM alembic_version") == SCHEMA_REVISION
    assert verify(backup).clean
    open_ledger(path).close()
    assert len(list(path.parent.glob("*.backup"))) == 1


def test_an_older_ledger_without_data_needs_no_backup(path: Path, later_fluewright) -> None:
    later_fluewright()
    open_ledger(path).close()
    assert one(path, "SELECT version_num FROM alembic_version") == "9999"
    assert list(path.parent.glob("*.backup")) == []


def test_a_step_that_fails_leaves_the_ledger_as_it_was(path: Path, later_fluewright) -> None:
    with open_ledger(path) as ledger:
        ledger.add_model("d5-cylinder", MODEL)
    later_fluewright('op.execute("INSERT INTO nowhere VALUES (1)")')
    with pytest.raises(LedgerError, match=r"could not be opened for writing \(no such table: nowhere\)"):
        open_ledger(path)
    assert one(path, "SELECT count(*) FROM pragma_table_info('cuts') WHERE name = 'swarf_g'") == 0
    assert verify(path).clean


def test_a_step_that_breaks_references_is_taken_back(path: Path, later_fluewright) -> None:
    with open_ledger(path) as ledger:
        ledger.add_model("d5-cylinder", MODEL)
        ledger.add_instrument("D5-0001", "d5-cylinder", 1, as_built={})
    later_fluewright('op.execute("DROP TABLE models")')
    with pytest.raises(LedgerError, match="left as it was"):
        open_ledger(path)
    assert verify(path).clean


def test_a_ledger_without_its_triggers_is_not_opened(path: Path) -> None:
    with closing(sqlite3.connect(path)) as plain, plain:
        plain.execute("DROP TRIGGER events_no_update")
    with pytest.raises(LedgerError, match="events_no_update"):
        open_ledger(path)


def test_a_closed_ledger_says_so(ledger: Ledger) -> None:
    ledger.close()
    ledger.close()
    with pytest.raises(LedgerError, match="was closed"):
        ledger.models()


def test_the_package_alone_loads_no_database_library(tmp_path: Path) -> None:
    program = (
        "import sys, fluewright\n"
        "assert 'sqlalchemy' not in sys.modules and 'fluewright.ledger' not in sys.modules\n"
        "from fluewright.ledger import open_ledger\n"
        "assert 'alembic' not in sys.modules\n"
        "open_ledger('shop.ledger').close()\n"  # from a folder without any configuration file
    )
    subprocess.run([sys.executable, "-W", "error", "-c", program], cwd=tmp_path, check=True, timeout=600)
    assert verify(tmp_path / "shop.ledger").clean


def test_the_ledger_that_is_opened_is_the_one_that_was_named(tmp_path: Path) -> None:
    path = tmp_path / "shop.ledger"
    with open_ledger(str(path)) as ledger:
        assert (ledger.path, ledger.person) == (path, "")
    with pytest.raises(LedgerError, match=r"There is no folder .*nowhere for the ledger: make it first"):
        open_ledger(tmp_path / "nowhere" / "shop.ledger")


def test_a_ledger_that_another_program_holds_is_not_opened(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "BUSY_TIMEOUT_S", 0.01)
    monkeypatch.setattr(ledger_file, "BUSY_TIMEOUT_S", 0.01)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(
            LedgerError,
            match=r"opened for writing \(database is locked\): another program",
        ):
            open_ledger(path)
        other.execute("ROLLBACK")


class Modes:
    """A connection that answers what it is asked about its journal with the next of these, or raises it."""

    def __init__(self, *answers: object) -> None:
        self.answers = list(answers)
        self.asked: list[str] = []

    def execute(self, statement: str) -> "Modes":
        self.asked.append(statement)
        return self

    def fetchone(self) -> tuple[object]:
        answer = self.answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return (answer,)


LOCKED = sqlite3.OperationalError("database is locked")
ASK, SWITCH = "PRAGMA journal_mode", "PRAGMA journal_mode = WAL"


@pytest.fixture
def slept(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """A clock that moves only while somebody sleeps."""
    slept: list[float] = []
    monkeypatch.setattr(connection.time, "sleep", slept.append)
    monkeypatch.setattr(connection.time, "monotonic", lambda: 100.0 + sum(slept))
    return slept


def test_the_switch_to_wal_waits_for_another_program(slept: list[float]) -> None:
    for answers, asked in (
        (["wal"], [ASK]),
        (["delete", "wal"], [ASK, SWITCH]),
        ([LOCKED, "delete", LOCKED, "wal"], [ASK, ASK, SWITCH, ASK]),
    ):
        modes = Modes(*answers)
        connection._use_wal(modes)  # type: ignore[arg-type]
        assert modes.asked == asked
    assert slept == [0.02, 0.02]


def test_the_switch_to_wal_gives_up_after_ten_seconds(slept: list[float]) -> None:
    with pytest.raises(sqlite3.OperationalError, match="locked"):
        connection._use_wal(Modes(*[LOCKED] * 2000))  # type: ignore[arg-type]
    assert 10.0 <= sum(slept) <= 10.1


def test_a_disk_without_wal_is_refused(slept: list[float]) -> None:
    with pytest.raises(LedgerError, match=r"does not allow WAL \(it stays at delete\): use a local disk"):
        connection._use_wal(Modes("delete", "delete"))  # type: ignore[arg-type]


def test_two_programs_may_bring_one_ledger_up_to_date(path: Path, later_fluewright) -> None:
    """The second one, which waited for the lock, finds it done and does nothing more."""
    with open_ledger(path) as ledger:
        ledger.add_model("d5-cylinder", MODEL)
    later_fluewright()
    connection._upgrade(path)
    connection._upgrade(path)
    assert one(path, "SELECT version_num FROM alembic_version") == "9999"
    assert len(list(path.parent.glob(f"shop.ledger.schema-{SCHEMA_REVISION}.*.backup"))) == 1


def test_rows_that_refer_to_nothing_are_counted(path: Path, later_fluewright) -> None:
    with open_ledger(path) as ledger:
        ledger.add_model("d5-cylinder", MODEL)
        ledger.add_instrument("D5-0001", "d5-cylinder", 1, as_built={})
        ledger.add_instrument("D5-0002", "d5-cylinder", 1, as_built={})
    later_fluewright('op.execute("DROP TABLE models")')
    with pytest.raises(LedgerError, match="has 2 rows that refer to missing ones and was left as it was"):
        open_ledger(path)


def test_a_ledger_that_lost_triggers_names_them(path: Path) -> None:
    with closing(sqlite3.connect(path)) as plain, plain:
        plain.execute("DROP TRIGGER events_no_update")
        plain.execute("DROP TRIGGER cuts_no_delete")
    says = r"has lost its protection against changes \(cuts_no_delete, events_no_update\): verify it"
    with pytest.raises(LedgerError, match=says):
        open_ledger(path)
