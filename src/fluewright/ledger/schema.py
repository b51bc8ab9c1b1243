"""Which tables hold the shop's records, and what they refuse.

    models ---< instruments ---< events ---- measurements
    serial_counters                     ---- trials ---< trial_notes
                                        ---- cuts
                                        ---- state_changes
                                        ---- corrections
                                        ---- head_trials
                                        ---- adjustments

An event row holds what was recorded, whole, and its place in the hash chain. The tables beside it (one row an
event) hold the same facts in typed columns, so that questions across instruments can be asked in SQL.

All tables are STRICT. CHECK constraints and triggers are not seen by Alembic's comparison: a migration that
touches them writes them by hand, and a test compares the outcome with this module and with `triggers`.
"""

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated, Any

from sqlalchemy import (
    REAL,
    CheckConstraint,
    Dialect,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from fluewright.ledger.chain import canonical_json

__all__ = [
    "APPLICATION_ID",
    "DETAIL_ROWS",
    "SCHEMA_REVISION",
    "AdjustmentRow",
    "Base",
    "CanonicalJson",
    "CorrectionRow",
    "CutRow",
    "EventKind",
    "EventRow",
    "HeadTrialRow",
    "InstrumentRow",
    "MeasurementRow",
    "ModelRow",
    "SerialCounterRow",
    "StateChangeRow",
    "TrialNoteRow",
    "TrialRow",
    "UtcTime",
    "json_columns",
    "time_text",
]

APPLICATION_ID = 0x466C7577
"""Written into the file's header (SQLite `application_id`); spells "Fluw"."""

SCHEMA_REVISION = "0003"
"""The Alembic revision that this module describes."""

_TIME_GLOB = "GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].[0-9]*Z'"


def time_text(moment: datetime) -> str:
    """Return a time as the ledger writes it: UTC to the microsecond, of fixed width, sorting by time.

    Raises
    ------
    ValueError
        The time has no zone.
    """
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no time zone")
    # strftime does not pad years before 1000 on every platform; isoformat does.
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


class UtcTime(TypeDecorator[datetime]):
    """A time with its zone, which DateTime(timezone=True) loses on its way through SQLite."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        """Write UTC text."""
        return None if value is None else time_text(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> datetime | None:
        """Read UTC text back with its zone."""
        return None if value is None else datetime.fromisoformat(value).astimezone(UTC)


class CanonicalJson(TypeDecorator[Any]):
    """Plain JSON values, written as canonical text."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: object, dialect: Dialect) -> str | None:
        """Write canonical JSON."""
        return None if value is None else canonical_json(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> Any:
        """Read JSON."""
        return None if value is None else json.loads(value)


def json_columns(table: str) -> set[str]:
    """Return the names of a table's columns that hold JSON text."""
    return {column.name for column in Base.metadata.tables[table].columns if isinstance(column.type, CanonicalJson)}


class EventKind(StrEnum):
    """What an event records."""

    MODEL_ADDED = "model added"
    BEGUN = "begun"
    MEASUREMENT = "measurement"
    TRIAL = "trial"
    CUT = "cut"
    STATE = "state"
    CORRECTION = "correction"
    HEAD_TRIAL = "head trial"
    ADJUSTMENT = "adjustment"


class Base(DeclarativeBase):
    """Naming rule for constraints, and one column type for every Python type."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy reads it as a plain class attribute
        str: Text,
        int: Integer,
        float: REAL,
        datetime: UtcTime,
        dict[str, Any]: CanonicalJson,
        dict[str, float]: CanonicalJson,
    }


_STRICT = {"sqlite_strict": True}

EventId = Annotated[int, mapped_column(ForeignKey("events.id"), primary_key=True)]
"""The event whose facts a row holds in typed columns."""


def _hash_check(column: str, name: str) -> CheckConstraint:
    return CheckConstraint(f"length({column}) = 64 AND {column} NOT GLOB '*[^0-9a-f]*'", name=name)


def _filled(column: str) -> CheckConstraint:
    return CheckConstraint(f"length({column}) > 0", name=f"{column}_filled")


def _is_time(column: str) -> CheckConstraint:
    return CheckConstraint(f"{column} {_TIME_GLOB}", name=f"{column}_is_utc")


def _between(column: str, low: int, high: int) -> CheckConstraint:
    return CheckConstraint(f"{column} BETWEEN {low} AND {high}", name=f"{column}_range")


def _of_a_model_version() -> tuple[ForeignKeyConstraint, Index]:
    return (
        ForeignKeyConstraint(["model_name", "model_version"], ["models.name", "models.version"]),
        Index(None, "model_name", "model_version"),
    )


class ModelRow(Base):
    """One version of a model, as its TOML text."""

    __tablename__ = "models"
    __table_args__ = (
        CheckConstraint("version >= 1", name="version_from_1"),
        _filled("name"),
        _hash_check("toml_sha256", "toml_sha256_is_hash"),
        _is_time("added_at"),
        _STRICT,
    )

    name: Mapped[str] = mapped_column(primary_key=True)
    version: Mapped[int] = mapped_column(primary_key=True)
    toml_text: Mapped[str]
    toml_sha256: Mapped[str]
    lineage: Mapped[str | None]
    added_at: Mapped[datetime]


class SerialCounterRow(Base):
    """The greatest number handed out for a serial prefix; it only grows, so serials are never reused."""

    __tablename__ = "serial_counters"
    __table_args__ = (
        CheckConstraint("last_number >= 0", name="last_number_from_0"),
        _hash_check("sha256", "sha256_is_hash"),
        _STRICT,
    )

    prefix: Mapped[str] = mapped_column(Text(collation="NOCASE"), primary_key=True)
    last_number: Mapped[int]
    sha256: Mapped[str]


class InstrumentRow(Base):
    """One piece with its serial number."""

    __tablename__ = "instruments"
    __table_args__ = (
        *_of_a_model_version(),
        CheckConstraint("serial GLOB '?*-[0-9][0-9][0-9][0-9]*'", name="serial_form"),
        _is_time("begun_at"),
        _STRICT,
    )

    serial: Mapped[str] = mapped_column(Text(collation="NOCASE"), primary_key=True)
    model_name: Mapped[str]
    model_version: Mapped[int]
    material: Mapped[str]
    lot: Mapped[str]
    begun_at: Mapped[datetime]


class EventRow(Base):
    """One thing that happened, whole, and its place in the hash chain."""

    __tablename__ = "events"
    __table_args__ = (
        CheckConstraint("kind IN (" + ", ".join(f"'{kind}'" for kind in EventKind) + ")", name="kind_known"),
        CheckConstraint("(serial IS NULL) = (kind = 'model added')", name="serial_given"),
        _hash_check("former_sha256", "former_sha256_is_hash"),
        _hash_check("sha256", "sha256_is_hash"),
        _is_time("recorded_at"),
        UniqueConstraint("sha256"),
        Index(None, "serial", "id"),
        Index(None, "serial", "kind", "id"),
        # AUTOINCREMENT keeps the greatest number ever used: `verify` notices events cut off at the end.
        {"sqlite_autoincrement": True, **_STRICT},
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]
    serial: Mapped[str | None] = mapped_column(ForeignKey("instruments.serial"))
    recorded_at: Mapped[datetime]
    person: Mapped[str]
    as_built_before: Mapped[dict[str, float]]
    as_built_after: Mapped[dict[str, float]]
    details: Mapped[dict[str, Any]]
    former_sha256: Mapped[str]
    sha256: Mapped[str]


class MeasurementRow(Base):
    """Sizes measured on a piece."""

    __tablename__ = "measurements"
    __table_args__ = (_STRICT,)

    event_id: Mapped[EventId]
    as_built: Mapped[dict[str, float]]
    gauge: Mapped[str]
    remarks: Mapped[str]


class TrialRow(Base):
    """One test of a piece, with everything that its figures rest on."""

    __tablename__ = "trials"
    __table_args__ = (
        *_of_a_model_version(),
        _between("temperature_c", -20, 60),
        _between("relative_humidity", 0, 1),
        CheckConstraint("breath_pa IS NULL OR (breath_pa > 0 AND breath_pa <= 20000)", name="breath_pa_range"),
        _hash_check("recording_sha256", "recording_sha256_is_hash"),
        _filled("recording_name"),
        _filled("analysis_version"),
        _is_time("taken_at"),
        _STRICT,
    )

    event_id: Mapped[EventId]
    taken_at: Mapped[datetime]
    temperature_c: Mapped[float]
    relative_humidity: Mapped[float]
    breath_pa: Mapped[float | None]
    recording_sha256: Mapped[str]
    recording_name: Mapped[str]
    analysis_version: Mapped[str]
    model_name: Mapped[str]
    model_version: Mapped[int]
    remarks: Mapped[str]


class TrialNoteRow(Base):
    """One note heard in a trial."""

    __tablename__ = "trial_notes"
    __table_args__ = (
        _filled("note"),
        _between("register", 1, 9),
        _between("target_hz", 10, 30000),
        _between("frequency_hz", 10, 30000),
        _between("frequency_uncertainty_hz", 0, 30000),
        _between("cents", -4800, 4800),
        _STRICT,
    )

    event_id: Mapped[int] = mapped_column(ForeignKey("trials.event_id"), primary_key=True)
    place: Mapped[int] = mapped_column(primary_key=True)
    note: Mapped[str]
    register: Mapped[int]
    target_hz: Mapped[float]
    frequency_hz: Mapped[float]
    frequency_uncertainty_hz: Mapped[float]
    cents: Mapped[float]


class CutRow(Base):
    """One removal of material."""

    __tablename__ = "cuts"
    __table_args__ = (
        _filled("feature"),
        _filled("tool"),
        _filled("reason"),
        _between("before_mm", -5000, 5000),
        _between("after_mm", -5000, 5000),
        CheckConstraint("before_mm <> after_mm", name="something_removed"),
        Index(None, "feature"),
        _STRICT,
    )

    event_id: Mapped[EventId]
    feature: Mapped[str]
    before_mm: Mapped[float]
    after_mm: Mapped[float]
    tool: Mapped[str]
    reason: Mapped[str]
    forecast: Mapped[dict[str, Any]]


class HeadTrialRow(Base):
    """One test of a head, note by note against breath, as the bench read it."""

    __tablename__ = "head_trials"
    __table_args__ = (
        *_of_a_model_version(),
        _between("temperature_c", -20, 60),
        CheckConstraint("good IN (0, 1)", name="good_is_yes_or_no"),
        _filled("analysis_version"),
        _is_time("taken_at"),
        _STRICT,
    )

    event_id: Mapped[EventId]
    taken_at: Mapped[datetime]
    temperature_c: Mapped[float]
    body: Mapped[str]
    good: Mapped[int]
    analysis_version: Mapped[str]
    model_name: Mapped[str]
    model_version: Mapped[int]
    readings: Mapped[dict[str, Any]]
    remarks: Mapped[str]


class AdjustmentRow(Base):
    """One thing done to a head, with what was expected of it."""

    __tablename__ = "adjustments"
    __table_args__ = (
        _filled("adjustment"),
        _filled("title"),
        CheckConstraint("steps BETWEEN -100 AND 100 AND steps <> 0", name="something_done"),
        Index(None, "adjustment"),
        _STRICT,
    )

    event_id: Mapped[EventId]
    adjustment: Mapped[str]
    title: Mapped[str]
    steps: Mapped[float]
    changes: Mapped[dict[str, float]]
    reason: Mapped[str]
    forecast: Mapped[dict[str, Any]]


class StateChangeRow(Base):
    """A step of a piece on its way through the shop."""

    __tablename__ = "state_changes"
    __table_args__ = (_filled("state"), _filled("reason"), _STRICT)

    event_id: Mapped[EventId]
    state: Mapped[str]
    reason: Mapped[str]


class CorrectionRow(Base):
    """A mistake in an earlier event put right; the earlier event stays as it is."""

    __tablename__ = "corrections"
    __table_args__ = (
        _filled("reason"),
        CheckConstraint("corrected_event_id < event_id", name="corrects_an_earlier_event"),
        Index(None, "corrected_event_id"),
        _STRICT,
    )

    event_id: Mapped[EventId]
    corrected_event_id: Mapped[int] = mapped_column(ForeignKey("events.id"))
    reason: Mapped[str]
    replacement: Mapped[dict[str, Any]]


DETAIL_ROWS: Mapping[str, type[Base]] = {
    EventKind.MEASUREMENT: MeasurementRow,
    EventKind.TRIAL: TrialRow,
    EventKind.CUT: CutRow,
    EventKind.STATE: StateChangeRow,
    EventKind.CORRECTION: CorrectionRow,
    EventKind.HEAD_TRIAL: HeadTrialRow,
    EventKind.ADJUSTMENT: AdjustmentRow,
}
"""The table that holds the details of each kind of event in typed columns, named as the details are."""
