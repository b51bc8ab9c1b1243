"""The triggers that make the tables append-only and hold the events in one chain.

Like CHECK constraints they are not seen by Alembic's comparison: the migrations write them by hand, and a test
compares the outcome with this module.
"""

from collections.abc import Mapping

from fluewright.ledger.chain import CHAIN_START

__all__ = ["APPEND_ONLY", "TRIGGERS"]

APPEND_ONLY: Mapping[str, tuple[str, ...]] = {
    "models": ("name", "version"),
    "instruments": ("serial",),
    "events": ("id",),
    "measurements": ("event_id",),
    "trials": ("event_id",),
    "trial_notes": ("event_id", "place"),
    "cuts": ("event_id",),
    "state_changes": ("event_id",),
    "corrections": ("event_id",),
    "head_trials": ("event_id",),
    "adjustments": ("event_id",),
}
"""Tables whose rows never change, with the columns that name a row."""


def _append_only_triggers() -> dict[str, str]:
    triggers = {}
    for table, key in APPEND_ONLY.items():
        for verb in ("update", "delete"):
            triggers[f"{table}_no_{verb}"] = (
                f"CREATE TRIGGER {table}_no_{verb} BEFORE {verb.upper()} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: record a correction'); END"
            )
        # INSERT OR REPLACE removes a row without waking the delete trigger.
        same = " AND ".join(f"{column} = NEW.{column}" for column in key)
        triggers[f"{table}_no_replace"] = (
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {same}) "
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: this row is taken'); END"
        )
    triggers["events_in_order"] = (
        "CREATE TRIGGER events_in_order BEFORE INSERT ON events "
        "WHEN NEW.id <> (SELECT coalesce(max(id), 0) + 1 FROM events) "
        "OR NEW.former_sha256 <> coalesce((SELECT sha256 FROM events ORDER BY id DESC LIMIT 1), "
        f"'{CHAIN_START}') "
        "BEGIN SELECT RAISE(ABORT, 'an event must follow the newest one'); END"
    )
    triggers["serial_counters_only_grow"] = (
        "CREATE TRIGGER serial_counters_only_grow BEFORE UPDATE ON serial_counters "
        "WHEN NEW.last_number <= OLD.last_number OR NEW.prefix <> OLD.prefix "
        "BEGIN SELECT RAISE(ABORT, 'serials are never reused'); END"
    )
    triggers["serial_counters_no_delete"] = (
        "CREATE TRIGGER serial_counters_no_delete BEFORE DELETE ON serial_counters "
        "BEGIN SELECT RAISE(ABORT, 'serials are never reused'); END"
    )
    return triggers


TRIGGERS: Mapping[str, str] = _append_only_triggers()
"""The triggers that make the tables append-only, by name, as SQLite keeps their text."""
