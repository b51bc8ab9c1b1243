"""What the ledger answers: frozen records of models, instruments and events.

Events come back as they are now known: a value that was corrected shows the corrected value, `corrected_by`
names the correcting events and `originals` holds what the first record said.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

__all__ = [
    "AdjustmentMade",
    "Begun",
    "Correction",
    "Cut",
    "Event",
    "HeadTrialLogged",
    "Instrument",
    "Measurement",
    "ModelVersion",
    "PieceState",
    "StateChange",
    "Trial",
    "TrialNote",
]


class PieceState(StrEnum):
    """Where a piece stands on its way through the shop and after."""

    PLANNED = "planned"
    IN_WORK = "in work"
    VOICED = "voiced"
    TUNED = "tuned"
    TESTED = "tested"
    ACCEPTED = "accepted"
    DELIVERED = "delivered"
    IN_USE = "in use"
    BACK_FOR_SERVICE = "back for service"
    REPAIRED = "repaired"
    REVOICED = "revoiced"
    RETURNED = "returned"
    WAITING_FOR_MATERIAL = "waiting for material"
    ON_HOLD = "on hold"
    SCRAPPED = "scrapped"
    CANCELLED = "cancelled"

    @property
    def final(self) -> bool:
        """Whether work on the piece has ended for good."""
        return self in (PieceState.SCRAPPED, PieceState.CANCELLED)


@dataclass(frozen=True, kw_only=True)
class ModelVersion:
    """One version of a model.

    Attributes
    ----------
    name : str
        Name of the model.
    version : int
        Counted from 1.
    toml_text : str
        The model file, unchanged.
    toml_sha256 : str
        SHA-256 of the text in UTF-8.
    lineage : str or None
        Which model and version it came from.
    added_at : datetime
        UTC.
    """

    name: str
    version: int
    toml_text: str = field(repr=False)
    toml_sha256: str
    lineage: str | None
    added_at: datetime


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """One piece as it stands now, corrections included.

    Attributes
    ----------
    serial : str
        Serial number, for example ``D5-0007``.
    model_name, model_version
        The model that it is made to.
    material, lot : str
        Stock and its lot.
    begun_at : datetime
        UTC.
    state : PieceState
        Present state.
    as_built : mapping of str to float
        Present sizes by name; the unit ends the name.
    """

    serial: str
    model_name: str
    model_version: int
    material: str
    lot: str
    begun_at: datetime
    state: PieceState
    as_built: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class TrialNote:
    """One note heard in a trial.

    Attributes
    ----------
    note : str
        Name of the note.
    register : int
        1 for the lowest.
    target_hz, frequency_hz, frequency_uncertainty_hz : float
        Wanted and heard frequency, and the standard uncertainty of the latter.
    cents : float
        Deviation from the target; positive when sharp.
    """

    note: str
    register: int
    target_hz: float
    frequency_hz: float
    frequency_uncertainty_hz: float
    cents: float


@dataclass(frozen=True, kw_only=True)
class Event:
    """What every event has.

    Attributes
    ----------
    event_id : int
        Place in the ledger, counted from 1.
    serial : str
        The instrument.
    recorded_at : datetime
        When it was written, UTC.
    person : str
        Who wrote it; empty when not said.
    as_built_before, as_built_after : mapping of str to float
        All sizes before and after, as now known.
    sha256 : str
        Link of the hash chain.
    corrected_by : tuple of int
        Events that corrected this one, oldest first.
    originals : mapping
        First recorded value of everything that was corrected.
    """

    event_id: int
    serial: str
    recorded_at: datetime
    person: str
    as_built_before: Mapping[str, float]
    as_built_after: Mapping[str, float]
    sha256: str
    corrected_by: tuple[int, ...]
    originals: Mapping[str, Any]

    @property
    def corrected(self) -> bool:
        """Whether a later event corrected this one."""
        return bool(self.corrected_by)


@dataclass(frozen=True, kw_only=True)
class Begun(Event):
    """The piece entered the ledger."""

    model_name: str
    model_version: int
    material: str
    lot: str


@dataclass(frozen=True, kw_only=True)
class Measurement(Event):
    """Sizes were measured.

    Attributes
    ----------
    as_built : mapping of str to float
        The sizes read.
    gauge : str
        What they were read with.
    """

    as_built: Mapping[str, float]
    gauge: str
    remarks: str


@dataclass(frozen=True, kw_only=True)
class _Played(Event):
    """The piece, or its head alone, was played.

    Attributes
    ----------
    taken_at : datetime
        When it was played, UTC.
    temperature_c : float
        Room, degrees Celsius.
    analysis_version : str
        The program that read it.
    model_name, model_version
        The model that it was compared with.
    remarks : str
    """

    taken_at: datetime
    temperature_c: float
    analysis_version: str
    model_name: str
    model_version: int
    remarks: str


@dataclass(frozen=True, kw_only=True)
class Trial(_Played):
    """The piece was played and heard.

    Attributes
    ----------
    relative_humidity, breath_pa
        Humidity as a fraction; breath is None when not measured.
    recording_sha256, recording_name
        The recording.
    notes : tuple of TrialNote
        What was heard.
    """

    relative_humidity: float
    breath_pa: float | None
    recording_sha256: str
    recording_name: str
    notes: tuple[TrialNote, ...]


@dataclass(frozen=True, kw_only=True)
class Cut(Event):
    """Material was removed.

    Attributes
    ----------
    feature : str
        The size that was changed, for example ``hole 3 diameter_mm``.
    before_mm, after_mm : float
        That size.
    tool, reason : str
        With what, and why.
    forecast : mapping
        What was expected of it, in plain JSON values.
    """

    feature: str
    before_mm: float
    after_mm: float
    tool: str
    reason: str
    forecast: Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class HeadTrialLogged(_Played):
    """The head was tested against breath.

    Attributes
    ----------
    body : str
        The reference body that it sat on; empty for its own.
    good : bool
        Whether the maker calls the head good.
    readings : mapping
        The trial in its own plain form, which names its format.
    """

    body: str
    good: bool
    readings: Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class AdjustmentMade(Event):
    """The head was voiced.

    Attributes
    ----------
    adjustment, title : str
        Key and words of what was done.
    steps : float
        How many usual steps.
    changes : mapping of str to float
        By how much the model's sizes were changed, mm or degrees.
    reason : str
    forecast : mapping
        What was expected of it, in plain JSON values.
    """

    adjustment: str
    title: str
    steps: float
    changes: Mapping[str, float]
    reason: str
    forecast: Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class StateChange(Event):
    """The piece reached another state."""

    state: PieceState
    reason: str


@dataclass(frozen=True, kw_only=True)
class Correction(Event):
    """An earlier event was put right.

    Attributes
    ----------
    corrected_event_id : int
        The event that was wrong.
    reason : str
        What was wrong with it.
    replacement : mapping
        The right values by name; in a mapping of sizes None takes a size away from the corrected event.
    """

    corrected_event_id: int
    reason: str
    replacement: Mapping[str, Any]
