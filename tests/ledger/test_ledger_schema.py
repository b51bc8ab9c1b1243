import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine, create_engine, inspect
from sqlalchemy.dialects import sqlite
from sqlalchemy.pool import NullPool

from fluewright.ledger.connection import migration_config
from fluewright.ledger.made_schema import SCHEMA, plain_sql
from fluewright.ledger.schema import (
    SCHEMA_REVISION,
    Base,
    EventRow,
    UtcTime,
    time_text,
)
from fluewright.ledger.triggers import APPEND_ONLY, TRIGGERS


@pytest.fixture
def migrated(path: Path) -> Engine:
    return create_engine(f"sqlite:///{path}", poolclass=NullPool)


@pytest.fixture
def declared() -> Engine:
    engine = create_engine("sqlite://")
    Base.metadata.create_all(engine)
    return engine


def test_the_declared_revision_is_the_newest_step() -> None:
    script = ScriptDirectory.from_config(migration_config())
    assert script.get_current_head() == SCHEMA_REVISION


def test_migrations_end_at_the_declared_tables(migrated: Engine) -> None:
    with migrated.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


@pytest.mark.parametrize("table", sorted(Base.metadata.tables))
def test_migrations_end_at_the_declared_constraints(migrated: Engine, declared: Engine, table: str) -> None:
    """Alembic's comparison does not see CHECK constraints, so both schemas are read back and compared."""
    found, wanted = inspect(migrated), inspect(declared)

    def facts(inspector, what: str) -> list[str]:
        return sorted(map(repr, getattr(inspector, f"get_{what}")(table)))

    for what in ("check_constraints", "unique_constraints", "foreign_keys", "indexes", "columns"):
        assert facts(found, what) == facts(wanted, what), what
    assert found.get_pk_constraint(table) == wanted.get_pk_constraint(table)
    for engine in (migrated, declared):
        with engine.connect() as connection:
            sql = connection.exec_driver_sql("SELECT sql FROM sqlite_master WHERE name = ?", (table,)).scalar_one()
            assert sql.rstrip().endswith("STRICT")
            assert sql.count('COLLATE "NOCASE"') == (table in ("serial_counters", "instruments", "events"))


def test_migrations_end_at_the_schema_that_verify_compares(path: Path) -> None:
    """When it differs after a new migration: write `found`, as lists, into made_schema.json."""
    with closing(sqlite3.connect(path)) as connection:
        query = "SELECT type, name, tbl_name, sql FROM sqlite_master WHERE type <> 'trigger'"
        found = {(kind, name): (table, plain_sql(sql)) for kind, name, table, sql in connection.execute(query)}
    assert found == SCHEMA


def test_migrations_end_at_the_declared_triggers(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        found = dict(connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall())
    assert found == TRIGGERS
    assert set(APPEND_ONLY) == set(Base.metadata.tables) - {"serial_counters"}


@given(
    st.datetimes(min_value=datetime(1, 1, 3), max_value=datetime(9999, 12, 29)),
    st.timedeltas(min_value=timedelta(hours=-23), max_value=timedelta(hours=23)),
)
def test_times_come_back_as_the_same_moment_in_utc(naive: datetime, offset: timedelta) -> None:
    moment = naive.replace(tzinfo=timezone(offset))
    column, dialect = UtcTime(), sqlite.dialect()
    text = column.process_bind_param(moment, dialect)
    back = column.process_result_value(text, dialect)
    assert back == moment
    assert back is not None
    assert back.tzinfo is UTC
    assert len(text or "") == 27


def test_a_time_without_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="no time zone"):
        time_text(datetime(2031, 5, 6))


def test_every_event_column_is_filled() -> None:
    assert [c.name for c in EventRow.__table__.columns if c.nullable] == ["serial"]
