"""First tables of the ledger."""

from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_HASH = "length({0}) = 64 AND {0} NOT GLOB '*[^0-9a-f]*'"
_UTC = "{0} GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].[0-9]*Z'"

_TABLES = (
    f"""
    CREATE TABLE models (
        name TEXT NOT NULL,
        version INTEGER NOT NULL,
        toml_text TEXT NOT NULL,
        toml_sha256 TEXT NOT NULL,
        lineage TEXT,
        added_at TEXT NOT NULL,
        CONSTRAINT pk_models PRIMARY KEY (name, version),
        CONSTRAINT ck_models_version_from_1 CHECK (version >= 1),
        CONSTRAINT ck_models_name_filled CHECK (length(name) > 0),
        CONSTRAINT ck_models_toml_sha256_is_hash CHECK ({_HASH.format("toml_sha256")}),
        CONSTRAINT ck_models_added_at_is_utc CHECK ({_UTC.format("added_at")})
    ) STRICT
    """,
    """
    CREATE TABLE serial_counters (
        prefix TEXT COLLATE "NOCASE" NOT NULL,
        last_number INTEGER NOT NULL,
        CONSTRAINT pk_serial_counters PRIMARY KEY (prefix),
        CONSTRAINT ck_serial_counters_last_number_from_0 CHECK (last_number >= 0)
    ) STRICT
    """,
    f"""
    CREATE TABLE instruments (
        serial TEXT COLLATE "NOCASE" NOT NULL,
        model_name TEXT NOT NULL,
        model_version INTEGER NOT NULL,
        material TEXT NOT NULL,
        lot TEXT NOT NULL,
        begun_at TEXT NOT NULL,
        CONSTRAINT pk_instruments PRIMARY KEY (serial),
        CONSTRAINT fk_instruments_model_name_model_version_models
            FOREIGN KEY(model_name, model_version) REFERENCES models (name, version),
        CONSTRAINT ck_instruments_serial_form CHECK (serial GLOB '?*-[0-9][0-9][0-9][0-9]*'),
        CONSTRAINT ck_instruments_begun_at_is_utc CHECK ({_UTC.format("begun_at")})
    ) STRICT
    """,
    f"""
    CREATE TABLE events (
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
            CHECK (kind IN ('model added', 'begun', 'measurement', 'trial', 'cut', 'state', 'correction')),
        CONSTRAINT ck_events_serial_given CHECK ((serial IS NULL) = (kind = 'model added')),
        CONSTRAINT ck_events_former_sha256_is_hash CHECK ({_HASH.format("former_sha256")}),
        CONSTRAINT ck_events_sha256_is_hash CHECK ({_HASH.format("sha256")}),
        CONSTRAINT ck_events_recorded_at_is_utc CHECK ({_UTC.format("recorded_at")}),
        CONSTRAINT uq_events_sha256 UNIQUE (sha256),
        CONSTRAINT fk_events_serial_instruments FOREIGN KEY(serial) REFERENCES instruments (serial)
    ) STRICT
    """,
    """
    CREATE TABLE measurements (
        event_id INTEGER NOT NULL,
        as_built TEXT NOT NULL,
        gauge TEXT NOT NULL,
        remarks TEXT NOT NULL,
        CONSTRAINT pk_measurements PRIMARY KEY (event_id),
        CONSTRAINT fk_measurements_event_id_events FOREIGN KEY(event_id) REFERENCES events (id)
    ) STRICT
    """,
    f"""
    CREATE TABLE trials (
        event_id INTEGER NOT NULL,
        taken_at TEXT NOT NULL,
        temperature_c REAL NOT NULL,
        relative_humidity REAL NOT NULL,
        breath_pa REAL,
        recording_sha256 TEXT NOT NULL,
        recording_name TEXT NOT NULL,
        analysis_version TEXT NOT NULL,
        model_name TEXT NOT NULL,
        model_version INTEGER NOT NULL,
        remarks TEXT NOT NULL,
        CONSTRAINT pk_trials PRIMARY KEY (event_id),
        CONSTRAINT fk_trials_model_name_model_version_models
            FOREIGN KEY(model_name, model_version) REFERENCES models (name, version),
        CONSTRAINT ck_trials_temperature_c_range CHECK (temperature_c BETWEEN -20 AND 60),
        CONSTRAINT ck_trials_relative_humidity_range CHECK (relative_humidity BETWEEN 0 AND 1),
        CONSTRAINT ck_trials_breath_pa_range
            CHECK (breath_pa IS NULL OR (breath_pa > 0 AND breath_pa <= 20000)),
        CONSTRAINT ck_trials_recording_sha256_is_hash CHECK ({_HASH.format("recording_sha256")}),
        CONSTRAINT ck_trials_recording_name_filled CHECK (length(recording_name) > 0),
        CONSTRAINT ck_trials_analysis_version_filled CHECK (length(analysis_version) > 0),
        CONSTRAINT ck_trials_taken_at_is_utc CHECK ({_UTC.format("taken_at")}),
        CONSTRAINT fk_trials_event_id_events FOREIGN KEY(event_id) REFERENCES events (id)
    ) STRICT
    """,
    """
    CREATE TABLE trial_notes (
        event_id INTEGER NOT NULL,
        place INTEGER NOT NULL,
        note TEXT NOT NULL,
        register INTEGER NOT NULL,
        target_hz REAL NOT NULL,
        frequency_hz REAL NOT NULL,
        frequency_uncertainty_hz REAL NOT NULL,
        cents REAL NOT NULL,
        CONSTRAINT pk_trial_notes PRIMARY KEY (event_id, place),
        CONSTRAINT ck_trial_notes_note_filled CHECK (length(note) > 0),
        CONSTRAINT ck_trial_notes_register_range CHECK (register BETWEEN 1 AND 9),
        CONSTRAINT ck_trial_notes_target_hz_range CHECK (target_hz BETWEEN 10 AND 30000),
        CONSTRAINT ck_trial_notes_frequency_hz_range CHECK (frequency_hz BETWEEN 10 AND 30000),
        CONSTRAINT ck_trial_notes_frequency_uncertainty_hz_range
            CHECK (frequency_uncertainty_hz BETWEEN 0 AND 30000),
        CONSTRAINT ck_trial_notes_cents_range CHECK (cents BETWEEN -4800 AND 4800),
        CONSTRAINT fk_trial_notes_event_id_trials FOREIGN KEY(event_id) REFERENCES trials (event_id)
    ) STRICT
    """,
    """
    CREATE TABLE cuts (
        event_id INTEGER NOT NULL,
        feature TEXT NOT NULL,
        before_mm REAL NOT NULL,
        after_mm REAL NOT NULL,
        tool TEXT NOT NULL,
        reason TEXT NOT NULL,
        forecast TEXT NOT NULL,
        CONSTRAINT pk_cuts PRIMARY KEY (event_id),
        CONSTRAINT ck_cuts_feature_filled CHECK (length(feature) > 0),
        CONSTRAINT ck_cuts_tool_filled CHECK (length(tool) > 0),
        CONSTRAINT ck_cuts_reason_filled CHECK (length(reason) > 0),
        CONSTRAINT ck_cuts_before_mm_range CHECK (before_mm BETWEEN -5000 AND 5000),
        CONSTRAINT ck_cuts_after_mm_range CHECK (after_mm BETWEEN -5000 AND 5000),
        CONSTRAINT ck_cuts_something_removed CHECK (before_mm <> after_mm),
        CONSTRAINT fk_cuts_event_id_events FOREIGN KEY(event_id) REFERENCES events (id)
    ) STRICT
    """,
    """
    CREATE TABLE state_changes (
        event_id INTEGER NOT NULL,
        state TEXT NOT NULL,
        reason TEXT NOT NULL,
        CONSTRAINT pk_state_changes PRIMARY KEY (event_id),
        CONSTRAINT ck_state_changes_state_filled CHECK (length(state) > 0),
        CONSTRAINT ck_state_changes_reason_filled CHECK (length(reason) > 0),
        CONSTRAINT fk_state_changes_event_id_events FOREIGN KEY(event_id) REFERENCES events (id)
    ) STRICT
    """,
    """
    CREATE TABLE corrections (
        event_id INTEGER NOT NULL,
        corrected_event_id INTEGER NOT NULL,
        reason TEXT NOT NULL,
        replacement TEXT NOT NULL,
        CONSTRAINT pk_corrections PRIMARY KEY (event_id),
        CONSTRAINT ck_corrections_reason_filled CHECK (length(reason) > 0),
        CONSTRAINT ck_corrections_corrects_an_earlier_event CHECK (corrected_event_id < event_id),
        CONSTRAINT fk_corrections_event_id_events FOREIGN KEY(event_id) REFERENCES events (id),
        CONSTRAINT fk_corrections_corrected_event_id_events
            FOREIGN KEY(corrected_event_id) REFERENCES events (id)
    ) STRICT
    """,
)

_INDEXES = (
    "CREATE INDEX ix_instruments_model_name_model_version ON instruments (model_name, model_version)",
    "CREATE INDEX ix_events_serial_id ON events (serial, id)",
    "CREATE INDEX ix_trials_model_name_model_version ON trials (model_name, model_version)",
    "CREATE INDEX ix_cuts_feature ON cuts (feature)",
    "CREATE INDEX ix_corrections_corrected_event_id ON corrections (corrected_event_id)",
)

_KEYS = {
    "models": ("name", "version"),
    "instruments": ("serial",),
    "events": ("id",),
    "measurements": ("event_id",),
    "trials": ("event_id",),
    "trial_notes": ("event_id", "place"),
    "cuts": ("event_id",),
    "state_changes": ("event_id",),
    "corrections": ("event_id",),
}


def upgrade() -> None:
    for statement in (*_TABLES, *_INDEXES):
        op.execute(statement)
    for table, key in _KEYS.items():
        for verb in ("update", "delete"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{verb} BEFORE {verb.upper()} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: record a correction'); END"
            )
        same = " AND ".join(f"{column} = NEW.{column}" for column in key)
        op.execute(
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {same}) "
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: this row is taken'); END"
        )
    op.execute(
        "CREATE TRIGGER events_in_order BEFORE INSERT ON events "
        "WHEN NEW.id <> (SELECT coalesce(max(id), 0) + 1 FROM events) "
        "OR NEW.former_sha256 <> coalesce((SELECT sha256 FROM events ORDER BY id DESC LIMIT 1), "
        f"'{'0' * 64}') "
        "BEGIN SELECT RAISE(ABORT, 'an event must follow the newest one'); END"
    )
    op.execute(
        "CREATE TRIGGER serial_counters_only_grow BEFORE UPDATE ON serial_counters "
        "WHEN NEW.last_number <= OLD.last_number OR NEW.prefix <> OLD.prefix "
        "BEGIN SELECT RAISE(ABORT, 'serials are never reused'); END"
    )
    op.execute(
        "CREATE TRIGGER serial_counters_no_delete BEFORE DELETE ON serial_counters "
        "BEGIN SELECT RAISE(ABORT, 'serials are never reused'); END"
    )


def downgrade() -> None:
    """Refuse to go back.

    Raises
    ------
    NotImplementedError
        Always.
    """
    raise NotImplementedError("A ledger is never taken back to before its first tables: restore a backup.")
