"""Head trials and adjustments: two more kinds of events, with their tables."""

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_HASH = "length({0}) = 64 AND {0} NOT GLOB '*[^0-9a-f]*'"
_UTC = "{0} GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].[0-9]*Z'"

# SQLite cannot change a CHECK: the table is copied into one that knows the new kinds.
_EVENTS = f"""
    CREATE TABLE events_with_voicing (
        id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
        kind TEXT NOT NULL,
        serial TEXT COLLATE "NOCASE",
        recorded_at TEXT NOT NULL,
        person TEXT NOT NULL,
        as_built_before TEXT NOT NULL,
        as_built_after TEXT NOT NULL,
        details TEXT NOT NULL,
        former_sha256 TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        CONSTRAINT ck_events_kind_known
            CHECK (kind IN ('model added', 'begun', 'measurement', 'trial', 'cut', 'state', 'correction', 'head trial', 'adjustment')),
        CONSTRAINT ck_events_serial_given CHECK ((serial IS NULL) = (kind = 'model added')),
        CONSTRAINT ck_events_former_sha256_is_hash CHECK ({_HASH.format("former_sha256")}),
        CONSTRAINT ck_events_sha256_is_hash CHECK ({_HASH.format("sha256")}),
        CONSTRAINT ck_events_recorded_at_is_utc CHECK ({_UTC.format("recorded_at")}),
        CONSTRAINT uq_events_sha256 UNIQUE (sha256),
        CONSTRAINT fk_events_serial_instruments FOREIGN KEY(serial) REFERENCES instruments (serial)
    ) STRICT
    """  # noqa: E501 - the text of a constraint is compared letter by letter

_TABLES = (
    f"""
    CREATE TABLE head_trials (
        event_id INTEGER NOT NULL,
        taken_at TEXT NOT NULL,
        temperature_c REAL NOT NULL,
        body TEXT NOT NULL,
        good INTEGER NOT NULL,
        analysis_version TEXT NOT NULL,
        model_name TEXT NOT NULL,
        model_version INTEGER NOT NULL,
        readings TEXT NOT NULL,
        remarks TEXT NOT NULL,
        CONSTRAINT pk_head_trials PRIMARY KEY (event_id),
        CONSTRAINT fk_head_trials_model_name_model_version_models
            FOREIGN KEY(model_name, model_version) REFERENCES models (name, version),
        CONSTRAINT ck_head_trials_temperature_c_range CHECK (temperature_c BETWEEN -20 AND 60),
        CONSTRAINT ck_head_trials_good_is_yes_or_no CHECK (good IN (0, 1)),
        CONSTRAINT ck_head_trials_analysis_version_filled CHECK (length(analysis_version) > 0),
        CONSTRAINT ck_head_trials_taken_at_is_utc CHECK ({_UTC.format("taken_at")}),
        CONSTRAINT fk_head_trials_event_id_events FOREIGN KEY(event_id) REFERENCES events (id)
    ) STRICT
    """,
    """
    CREATE TABLE adjustments (
        event_id INTEGER NOT NULL,
        adjustment TEXT NOT NULL,
        title TEXT NOT NULL,
        steps REAL NOT NULL,
        changes TEXT NOT NULL,
        reason TEXT NOT NULL,
        forecast TEXT NOT NULL,
        CONSTRAINT pk_adjustments PRIMARY KEY (event_id),
        CONSTRAINT ck_adjustments_adjustment_filled CHECK (length(adjustment) > 0),
        CONSTRAINT ck_adjustments_title_filled CHECK (length(title) > 0),
        CONSTRAINT ck_adjustments_something_done CHECK (steps BETWEEN -100 AND 100 AND steps <> 0),
        CONSTRAINT fk_adjustments_event_id_events FOREIGN KEY(event_id) REFERENCES events (id)
    ) STRICT
    """,
    "CREATE INDEX ix_head_trials_model_name_model_version ON head_trials (model_name, model_version)",
    "CREATE INDEX ix_adjustments_adjustment ON adjustments (adjustment)",
)


def _append_only(table: str, key: str) -> None:
    for verb in ("update", "delete"):
        op.execute(
            f"CREATE TRIGGER {table}_no_{verb} BEFORE {verb.upper()} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: record a correction'); END"
        )
    op.execute(
        f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
        f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {key} = NEW.{key}) "
        f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: this row is taken'); END"
    )


def upgrade() -> None:
    op.execute(_EVENTS)
    op.execute("INSERT INTO events_with_voicing SELECT * FROM events ORDER BY id")
    # The greatest number ever used is kept, so that events cut off at the end are still missed.
    op.execute(
        "UPDATE sqlite_sequence SET seq = (SELECT seq FROM sqlite_sequence WHERE name = 'events') "
        "WHERE name = 'events_with_voicing' AND EXISTS (SELECT 1 FROM sqlite_sequence WHERE name = 'events')"
    )
    for trigger in ("events_no_update", "events_no_delete", "events_no_replace", "events_in_order"):
        op.execute(f"DROP TRIGGER {trigger}")
    op.execute("DROP TABLE events")
    op.execute("ALTER TABLE events_with_voicing RENAME TO events")
    op.execute("CREATE INDEX ix_events_serial_id ON events (serial, id)")
    for statement in _TABLES:
        op.execute(statement)
    _append_only("events", "id")
    _append_only("head_trials", "event_id")
    _append_only("adjustments", "event_id")
    op.execute(
        "CREATE TRIGGER events_in_order BEFORE INSERT ON events "
        "WHEN NEW.id <> (SELECT coalesce(max(id), 0) + 1 FROM events) "
        "OR NEW.former_sha256 <> coalesce((SELECT sha256 FROM events ORDER BY id DESC LIMIT 1), "
        f"'{'0' * 64}') "
        "BEGIN SELECT RAISE(ABORT, 'an event must follow the newest one'); END"
    )


def downgrade() -> None:
    """Refuse to go back.

    Raises
    ------
    NotImplementedError
        Always.
    """
    raise NotImplementedError("A ledger is never taken back to before its head trials: restore a backup.")
