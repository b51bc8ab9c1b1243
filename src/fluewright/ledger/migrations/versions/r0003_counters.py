"""Counters of serial numbers carry their own hash, and what tells the state of a piece is found without its trials."""

from alembic import op

from fluewright.ledger.chain import counter_sha256

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_COUNTERS = """
    CREATE TABLE hashed_serial_counters (
        prefix TEXT COLLATE "NOCASE" NOT NULL,
        last_number INTEGER NOT NULL,
        sha256 TEXT NOT NULL,
        CONSTRAINT pk_serial_counters PRIMARY KEY (prefix),
        CONSTRAINT ck_serial_counters_last_number_from_0 CHECK (last_number >= 0),
        CONSTRAINT ck_serial_counters_sha256_is_hash CHECK (length(sha256) = 64 AND sha256 NOT GLOB '*[^0-9a-f]*')
    ) STRICT
    """


def upgrade() -> None:
    connection = op.get_bind()
    rows = connection.exec_driver_sql("SELECT prefix, last_number FROM serial_counters").fetchall()
    op.execute(_COUNTERS)
    for prefix, last_number in rows:
        connection.exec_driver_sql(
            "INSERT INTO hashed_serial_counters VALUES (?, ?, ?)",
            (prefix, last_number, counter_sha256(prefix, last_number)),
        )
    op.execute("DROP TABLE serial_counters")
    op.execute("ALTER TABLE hashed_serial_counters RENAME TO serial_counters")
    op.execute(
        "CREATE TRIGGER serial_counters_only_grow BEFORE UPDATE ON serial_counters "
        "WHEN NEW.last_number <= OLD.last_number OR NEW.prefix <> OLD.prefix "
        "BEGIN SELECT RAISE(ABORT, 'serials are never reused'); END"
    )
    op.execute(
        "CREATE TRIGGER serial_counters_no_delete BEFORE DELETE ON serial_counters "
        "BEGIN SELECT RAISE(ABORT, 'serials are never reused'); END"
    )
    op.execute("CREATE INDEX ix_events_serial_kind_id ON events (serial, kind, id)")


def downgrade() -> None:
    raise NotImplementedError("A ledger is never taken back to before its hashed counters: restore a backup.")
