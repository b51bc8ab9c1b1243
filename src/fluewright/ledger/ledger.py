"""Writing and reading the shop's records; every method is one transaction."""

import difflib
import tomllib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from sqlalchemy import Engine, func, select
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from fluewright.errors import LedgerError
from fluewright.ledger.chain import CHAIN_START, event_sha256, text_sha256
from fluewright.ledger.entries import (
    CORRECTABLE,
    ENTRIES,
    SIZE_AGREEMENT_MM,
    SIZES_KEY,
    adjustment_entry,
    begun_entry,
    cut_entry,
    head_trial_entry,
    measurement_entry,
    state_entry,
    trial_entry,
)
from fluewright.ledger.records import (
    AdjustmentMade,
    Correction,
    Cut,
    Event,
    HeadTrialLogged,
    Instrument,
    Measurement,
    ModelVersion,
    PieceState,
    StateChange,
    Trial,
    TrialNote,
)
from fluewright.ledger.replay import (
    Known,
    amended,
    event_record,
    present_sizes,
    present_state,
    replay,
)
from fluewright.ledger.schema import (
    AdjustmentRow,
    CorrectionRow,
    CutRow,
    EventKind,
    EventRow,
    HeadTrialRow,
    InstrumentRow,
    MeasurementRow,
    ModelRow,
    SerialCounterRow,
    StateChangeRow,
    TrialNoteRow,
    TrialRow,
    time_text,
)
from fluewright.ledger.values import (
    checked_prefix,
    checked_serial,
    checked_size,
    checked_size_name,
    checked_text,
    checked_whole,
    mm_text,
)

__all__ = ["WRITES", "Ledger"]

WRITES = "ledger_writes"
"""Execution option of a transaction that takes the write lock at its start."""

_MOST_SERIALS = 999_999_999
RecordT = TypeVar("RecordT", bound=Event)


class Ledger:
    """The shop's records, open.

    Made by `fluewright.ledger.open_ledger`. May be used by several threads, and by several programs at once.

    Parameters
    ----------
    path : Path
        The file.
    engine : Engine
        Where its connections come from.
    person : str
        Who works; written into every event.
    """

    def __init__(self, path: Path, engine: Engine, *, person: str = "") -> None:
        self.path = path
        self.person = checked_text("person", person, required=False, most=120)
        self._engine = engine
        self._writing_engine = engine.execution_options(**{WRITES: True})
        self._closed = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        self._closed = True
        self._engine.dispose()

    # -- models -------------------------------------------------------------------------------------------

    def add_model(self, name: str, toml_text: str, *, lineage: str | None = None) -> ModelVersion:
        """Keep the text of a model file as its next version.

        Parameters
        ----------
        name : str
            Name of the model.
        toml_text : str
            The whole file. The same text as the newest version's adds nothing and returns that version.
        lineage : str, optional
            Which model and version it came from.

        Raises
        ------
        LedgerError
            The text is not TOML, or the name is empty.
        """
        name = checked_text("name of the model", name, most=120)
        if lineage is not None:
            lineage = checked_text("lineage", lineage, most=400)
        if not isinstance(toml_text, str):
            raise LedgerError(f"model {name} is a {type(toml_text).__name__}, not a text: give the file's text.")
        try:
            toml_text.encode("utf-8")
            tomllib.loads(toml_text)
        except (tomllib.TOMLDecodeError, UnicodeEncodeError) as error:
            raise LedgerError(f"model {name} is not a TOML text ({error}): mend the file first.") from error
        with self._write() as session:
            newest = _newest_model(session, name)
            if newest is not None and newest.toml_text == toml_text:
                return _model_record(newest)
            now = datetime.now(UTC)
            row = ModelRow(
                name=name,
                version=1 if newest is None else newest.version + 1,
                toml_text=toml_text,
                toml_sha256=text_sha256(toml_text),
                lineage=lineage,
                added_at=now,
            )
            session.add(row)
            session.flush()
            details = {
                "name": row.name,
                "version": row.version,
                "toml_sha256": row.toml_sha256,
                "lineage": row.lineage,
                "added_at": time_text(now),
            }
            self._append(session, EventKind.MODEL_ADDED, None, details, {}, {}, recorded_at=now)
            return _model_record(row)

    def models(self) -> list[ModelVersion]:
        """Return every version of every model, by name and version."""
        with self._read() as session:
            rows = session.scalars(select(ModelRow).order_by(ModelRow.name, ModelRow.version))
            return [_model_record(row) for row in rows]

    def model(self, name: str, version: int | None = None) -> ModelVersion:
        """Return one version of a model, the newest when `version` is None."""
        with self._read() as session:
            return _model_record(_model_row(session, name, version))

    # -- instruments --------------------------------------------------------------------------------------

    def next_serial(self, prefix: str) -> str:
        """Return the next serial number of a prefix ("D5" gives "D5-0001") and reserve it.

        A number is handed out once, also when no instrument takes it.
        """
        prefix = checked_prefix(prefix)
        with self._write() as session:
            counter = session.get(SerialCounterRow, prefix)
            number = 1 if counter is None else counter.last_number + 1
            if number > _MOST_SERIALS:
                raise LedgerError(f"serials of {prefix} have reached {_MOST_SERIALS}: choose another prefix.")
            _count_serial(session, prefix, number)
            # One prefix keeps the spelling that it was first given.
            return f"{prefix if counter is None else counter.prefix}-{number:04d}"

    def add_instrument(
        self,
        serial: str,
        model_name: str,
        model_version: int | None,
        *,
        material: str = "",
        lot: str = "",
        as_built: Mapping[str, float],
    ) -> Instrument:
        """Enter a piece.

        Parameters
        ----------
        serial : str
            Its serial number, from `next_serial` or of one's own in the same form.
        model_name : str
            The model it is made to.
        model_version : int or None
            The version of it; None for the newest.
        material, lot : str
            Stock and its lot.
        as_built : mapping of str to float
            Sizes measured so far, by name with the unit at the end, for example ``hole 3 diameter_mm``.

        Raises
        ------
        LedgerError
            The serial is taken, the model unknown, or a size not possible.
        """
        serial, prefix, number = checked_serial(serial)
        with self._write() as session:
            taken = session.get(InstrumentRow, serial)
            if taken is not None:
                raise LedgerError(
                    f"serial {taken.serial} is taken since {taken.begun_at:%Y-%m-%d}: serials are "
                    "never reused, take "
                    f"the next one of {prefix}."
                )
            model = _model_row(session, model_name, model_version)
            details = begun_entry(
                model_name=model.name,
                model_version=model.version,
                material=material,
                lot=lot,
                as_built=as_built,
            )
            now = datetime.now(UTC)
            row = InstrumentRow(
                serial=serial,
                model_name=model.name,
                model_version=model.version,
                material=details["material"],
                lot=details["lot"],
                begun_at=now,
            )
            session.add(row)
            counter = session.get(SerialCounterRow, prefix)
            if counter is None or counter.last_number < number:
                _count_serial(session, prefix, number)
            session.flush()
            event = self._append(session, EventKind.BEGUN, serial, details, {}, details["as_built"], recorded_at=now)
            return _instrument_record(row, [event], details["as_built"])

    def instrument(self, serial: str) -> Instrument:
        """Return a piece as it stands now."""
        with self._read() as session:
            row = _instrument_row(session, serial)
            story = _story(session, row.serial)
            return _instrument_record(row, story[row.serial], _present_sizes(session, row.serial))

    def instruments(self, *, model_name: str | None = None, state: PieceState | None = None) -> list[Instrument]:
        """Return all pieces by serial, or those of one model or in one state."""
        with self._read() as session:
            query = select(InstrumentRow).order_by(InstrumentRow.serial)
            if model_name is not None:
                query = query.where(InstrumentRow.model_name == model_name)
            rows = session.scalars(query).all()
            story, sizes = _story(session), _all_present_sizes(session)
            pieces = [_instrument_record(row, story[row.serial], sizes[row.serial]) for row in rows]
            return [piece for piece in pieces if state is None or piece.state == state]

    def as_built(self, serial: str) -> dict[str, float]:
        """Return the present sizes of a piece by name."""
        with self._read() as session:
            return _present_sizes(session, _instrument_row(session, serial).serial)

    # -- events -------------------------------------------------------------------------------------------

    def log_measurement(
        self, serial: str, *, as_built: Mapping[str, float], gauge: str = "", remarks: str = ""
    ) -> Measurement:
        """Record sizes that were measured; sizes not named stay as they are."""
        details = measurement_entry(as_built=as_built, gauge=gauge, remarks=remarks)
        with self._write() as session:
            row = _instrument_row(session, serial)
            before = _present_sizes(session, row.serial)
            after = before | details["as_built"]
            event = self._append(session, EventKind.MEASUREMENT, row.serial, details, before, after)
            session.add(
                MeasurementRow(
                    event_id=event.id,
                    as_built=details["as_built"],
                    gauge=details["gauge"],
                    remarks=details["remarks"],
                )
            )
            session.flush()
            return _fresh(event, Measurement)

    def log_trial(
        self,
        serial: str,
        *,
        taken_at: datetime | None = None,
        temperature_c: float,
        relative_humidity: float,
        breath_pa: float | None = None,
        recording_sha256: str,
        recording_name: str,
        analysis_version: str,
        notes: Sequence[TrialNote],
        as_built: Mapping[str, float],
        remarks: str = "",
        model_version: int | None = None,
    ) -> Trial:
        """Record one test of a piece and all that its figures rest on.

        Parameters
        ----------
        serial : str
            The piece.
        taken_at : datetime, optional
            When it was played, with its time zone; now when left out.
        temperature_c, relative_humidity : float
            Room in degrees Celsius; humidity as a fraction of 1.
        breath_pa : float, optional
            Blowing pressure in Pa where it was measured.
        recording_sha256, recording_name, analysis_version : str
            The recording file and the version of the analysis that read it.
        notes : sequence of TrialNote
            What was heard.
        as_built : mapping of str to float
            Sizes at the time of the trial; sizes not named stay as they are.
        remarks : str
            Free words.
        model_version : int, optional
            Version of the instrument's model that the figures were compared with; its own when left out.

        Raises
        ------
        LedgerError
            The serial or the version is unknown, or a value is not possible.
        """
        with self._write() as session:
            row = _instrument_row(session, serial)
            version = row.model_version if model_version is None else model_version
            details = trial_entry(
                taken_at=datetime.now(UTC) if taken_at is None else taken_at,
                temperature_c=temperature_c,
                relative_humidity=relative_humidity,
                breath_pa=breath_pa,
                recording_sha256=recording_sha256,
                recording_name=recording_name,
                analysis_version=analysis_version,
                model_name=row.model_name,
                model_version=version,
                notes=notes,
                as_built=as_built,
                remarks=remarks,
            )
            _model_row(session, row.model_name, version)
            before = _present_sizes(session, row.serial)
            after = before | details["as_built"]
            event = self._append(session, EventKind.TRIAL, row.serial, details, before, after)
            said = {name: value for name, value in details.items() if name not in ("taken_at", "notes", "as_built")}
            session.add(TrialRow(event_id=event.id, taken_at=datetime.fromisoformat(details["taken_at"]), **said))
            session.flush()
            session.add_all(
                TrialNoteRow(event_id=event.id, place=place, **note)
                for place, note in enumerate(details["notes"], start=1)
            )
            session.flush()
            return _fresh(event, Trial)

    def log_cut(
        self,
        serial: str,
        *,
        feature: str,
        before_mm: float,
        after_mm: float,
        tool: str,
        reason: str,
        forecast: Mapping[str, Any],
        as_built_after: Mapping[str, float],
    ) -> Cut:
        """Record one removal of material.

        Parameters
        ----------
        serial : str
            The piece.
        feature : str
            The size that was changed, as it is named among the as-built sizes, for example ``hole 3
            diameter_mm``.
        before_mm, after_mm : float
            That size; the first must agree with the ledger within `SIZE_AGREEMENT_MM`.
        tool, reason : str
            With what, and why.
        forecast : mapping
            What was expected of it: text, numbers, lists, mappings.
        as_built_after : mapping of str to float
            Sizes after the cut; sizes not named stay as they are.

        Raises
        ------
        LedgerError
            The size before contradicts the ledger, the piece is scrapped, or a value is not possible.
        """
        details = cut_entry(
            feature=feature,
            before_mm=before_mm,
            after_mm=after_mm,
            tool=tool,
            reason=reason,
            forecast=forecast,
            as_built_after=as_built_after,
        )
        with self._write() as session:
            row = _instrument_row(session, serial)
            known = replay(_event_rows(session, row.serial))
            state = present_state(known)
            if state.final:
                raise LedgerError(
                    f"{row.serial} is {state}: nothing is cut from it any more; correct its state if that is wrong."
                )
            before = present_sizes(known)
            _check_cut_begins_at_recorded_size(row.serial, details, before)
            after = before | details["as_built_after"]
            event = self._append(session, EventKind.CUT, row.serial, details, before, after)
            said = {name: value for name, value in details.items() if name != "as_built_after"}
            session.add(CutRow(event_id=event.id, **said))
            session.flush()
            return _fresh(event, Cut)

    def log_head_trial(
        self,
        serial: str,
        *,
        readings: Mapping[str, Any],
        temperature_c: float,
        analysis_version: str,
        body: str = "",
        good: bool = False,
        taken_at: datetime | None = None,
        as_built: Mapping[str, float] | None = None,
        remarks: str = "",
        model_version: int | None = None,
    ) -> HeadTrialLogged:
        """Record one test of a piece's head against breath.

        Parameters
        ----------
        serial : str
            The piece.
        readings : mapping
            The trial in its own plain form, which names its format.
        temperature_c : float
            Room in degrees Celsius.
        analysis_version : str
            The program that read it.
        body : str
            The reference body that the head sat on; empty for its own.
        good : bool
            Whether the maker calls the head good.
        taken_at : datetime, optional
            When it was played, with its time zone; now when left out.
        as_built : mapping of str to float, optional
            Sizes at the time; sizes not named stay as they are.
        remarks : str
            Free words.
        model_version : int, optional
            Version of the instrument's model that it was compared with; its own when left out.

        Raises
        ------
        LedgerError
            The serial or the version is unknown, or a value is not possible.
        """
        with self._write() as session:
            row = _instrument_row(session, serial)
            version = row.model_version if model_version is None else model_version
            details = head_trial_entry(
                taken_at=datetime.now(UTC) if taken_at is None else taken_at,
                temperature_c=temperature_c,
                body=body,
                good=good,
                analysis_version=analysis_version,
                model_name=row.model_name,
                model_version=version,
                readings=readings,
                as_built={} if as_built is None else as_built,
                remarks=remarks,
            )
            _model_row(session, row.model_name, version)
            before = _present_sizes(session, row.serial)
            event = self._append(
                session, EventKind.HEAD_TRIAL, row.serial, details, before, before | details["as_built"]
            )
            said = {name: value for name, value in details.items() if name not in ("taken_at", "good", "as_built")}
            session.add(
                HeadTrialRow(
                    event_id=event.id,
                    taken_at=datetime.fromisoformat(details["taken_at"]),
                    good=int(details["good"]),
                    **said,
                )
            )
            session.flush()
            return _fresh(event, HeadTrialLogged)

    def log_adjustment(
        self,
        serial: str,
        *,
        adjustment: str,
        title: str,
        steps: float,
        changes: Mapping[str, float],
        forecast: Mapping[str, Any],
        reason: str = "",
        as_built_after: Mapping[str, float] | None = None,
    ) -> AdjustmentMade:
        """Record one thing done to a head, with what is expected of it.

        Parameters
        ----------
        serial : str
            The piece.
        adjustment, title : str
            Its key and its words.
        steps : float
            How many usual steps were made; negative for one taken back.
        changes : mapping of str to float
            By how much sizes were changed, mm or degrees; none where no size changed.
        forecast : mapping
            What is expected of it: text, numbers, lists, mappings.
        reason : str
            Why.
        as_built_after : mapping of str to float, optional
            Sizes after it; sizes not named stay as they are.

        Raises
        ------
        LedgerError
            The serial is unknown, the piece is scrapped, or a value is not possible.
        """
        details = adjustment_entry(
            adjustment=adjustment,
            title=title,
            steps=steps,
            changes=changes,
            reason=reason,
            forecast=forecast,
            as_built_after={} if as_built_after is None else as_built_after,
        )
        with self._write() as session:
            row = _instrument_row(session, serial)
            known = replay(_event_rows(session, row.serial))
            state = present_state(known)
            if state.final:
                raise LedgerError(
                    f"{row.serial} is {state}: nothing is voiced on it any more; correct its state if that is wrong."
                )
            before = present_sizes(known)
            event = self._append(
                session, EventKind.ADJUSTMENT, row.serial, details, before, before | details["as_built_after"]
            )
            said = {name: value for name, value in details.items() if name != "as_built_after"}
            session.add(AdjustmentRow(event_id=event.id, **said))
            session.flush()
            return _fresh(event, AdjustmentMade)

    def set_state(self, serial: str, state: PieceState | str, reason: str) -> StateChange:
        """Record that a piece reached another state."""
        details = state_entry(state=state, reason=reason)
        with self._write() as session:
            row = _instrument_row(session, serial)
            known = replay(_event_rows(session, row.serial))
            present = present_state(known)
            if present == details["state"]:
                raise LedgerError(f"{row.serial} is {present} already: nothing was recorded.")
            if present.final:
                raise LedgerError(
                    f"{row.serial} is {present}, which is final: if that is wrong, correct the event that says so."
                )
            sizes = present_sizes(known)
            event = self._append(session, EventKind.STATE, row.serial, details, sizes, sizes)
            session.add(StateChangeRow(event_id=event.id, **details))
            session.flush()
            return _fresh(event, StateChange)

    def correct(self, event_id: int, *, reason: str, replacement: Mapping[str, Any]) -> Correction:
        """Put an earlier event right by a new one; the earlier one stays as it is.

        Parameters
        ----------
        event_id : int
            The event that is wrong. One that was corrected before may be corrected again.
        reason : str
            What is wrong with it.
        replacement : mapping
            The right values, under the names of the arguments that recorded it. A mapping of sizes replaces
            the sizes that it names; None takes a size away, for example one under a misspelled name.

        Raises
        ------
        LedgerError
            There is no such event, it cannot have such a value, or it says so already.
        """
        reason = checked_text("reason", reason)
        event_id = checked_whole("event_id", event_id, 1, 2**53, mend="take it from the history")
        if not isinstance(replacement, Mapping) or not replacement:
            raise LedgerError(f"replacement is {replacement!r}: give the right values by name.")
        with self._write() as session:
            wrong = session.get(EventRow, event_id)
            if wrong is None:
                raise LedgerError(f"There is no event {event_id}: take its number from the history.")
            if wrong.kind == EventKind.CORRECTION:
                raise LedgerError(
                    f"event {event_id} is itself a correction: correct event "
                    f"{wrong.details['corrected_event_id']} once more instead."
                )
            if wrong.serial is None:
                raise LedgerError(f"event {event_id} added a model: add the right text as its next version.")
            serial = wrong.serial
            rows = _event_rows(session, serial)
            known = next(entry for entry in replay(rows) if entry.row.id == event_id)
            right = self._checked_replacement(session, known, replacement)
            details = {"corrected_event_id": event_id, "reason": reason, "replacement": right}
            before = present_sizes(replay(rows))
            planned = EventRow(
                id=rows[-1].id + 1,
                kind=EventKind.CORRECTION,
                details=details,
                as_built_before={},
                as_built_after={},
            )
            after = present_sizes(replay([*rows, planned]))
            event = self._append(session, EventKind.CORRECTION, serial, details, before, after)
            session.add(CorrectionRow(event_id=event.id, **details))
            session.flush()
            return _fresh(event, Correction)

    @staticmethod
    def _checked_replacement(session: Session, known: Known, replacement: Mapping[str, Any]) -> dict[str, Any]:
        kind, event_id = known.row.kind, known.row.id
        allowed = CORRECTABLE[kind]
        if unknown := sorted(str(name) for name in replacement if name not in allowed):
            raise LedgerError(
                f"event {event_id} ({kind}) has no {', '.join(unknown)} to correct: use {', '.join(allowed)}."
            )
        sizes_key = SIZES_KEY.get(kind, "")
        right = dict(replacement)
        if sizes_key in right:
            if not isinstance(right[sizes_key], Mapping):
                raise LedgerError(f"{sizes_key} is {right[sizes_key]!r}, not a mapping: give sizes by name.")
            right[sizes_key] = {
                checked_size_name(name): None if size is None else checked_size(checked_size_name(name), size)
                for name, size in right[sizes_key].items()
            }
            for name, size in right[sizes_key].items():
                if size is None and name not in known.details[sizes_key]:
                    raise LedgerError(f"event {event_id} states no size {name!r} to take away: check its name.")
        merged = ENTRIES[kind](**amended(kind, known.details, right))
        if merged == known.details:
            raise LedgerError(f"event {event_id} says so already: nothing was recorded.")
        if kind in (EventKind.TRIAL, EventKind.HEAD_TRIAL):
            _model_row(session, merged["model_name"], merged["model_version"])
        if kind == EventKind.CUT and ("feature" in right or "before_mm" in right):
            _check_cut_begins_at_recorded_size(known.row.serial or "", merged, known.as_built_before)
        return {name: right[name] if name == sizes_key else merged[name] for name in right}

    # -- questions ----------------------------------------------------------------------------------------

    def history(self, serial: str) -> list[Event]:
        """Return all events of a piece, oldest first, as they are now known."""
        with self._read() as session:
            rows = _event_rows(session, _instrument_row(session, serial).serial)
            return [event_record(entry) for entry in replay(rows)]

    def event(self, event_id: int) -> Event:
        """Return one event of a piece as it is now known."""
        with self._read() as session:
            row = session.get(EventRow, checked_whole("event_id", event_id, 1, 2**53, mend="see the history"))
            if row is None or row.serial is None:
                raise LedgerError(f"There is no event {event_id} of an instrument: take its number from the history.")
            known = replay(_event_rows(session, row.serial))
            return event_record(next(entry for entry in known if entry.row.id == event_id))

    def trials(self, *, model_name: str | None = None) -> list[Trial]:
        """Return the trials of all pieces, or of those of one model, oldest first."""
        return [event for event in self._all_events(model_name) if isinstance(event, Trial)]

    def cuts(self, *, model_name: str | None = None, feature: str | None = None) -> list[Cut]:
        """Return the cuts on all pieces, or on those of one model or at one feature, oldest first."""
        return [
            event
            for event in self._all_events(model_name)
            if isinstance(event, Cut) and (feature is None or event.feature == feature)
        ]

    def voicing(self, *, model_name: str | None = None) -> list[HeadTrialLogged | AdjustmentMade]:
        """Return the head trials and adjustments of all pieces, or of those of one model, oldest first."""
        return [event for event in self._all_events(model_name) if isinstance(event, (HeadTrialLogged, AdjustmentMade))]

    def head(self) -> tuple[int, str]:
        """Return number and hash of the newest event; noted elsewhere, they show what was cut off."""
        with self._read() as session:
            return _head(session)

    def _all_events(self, model_name: str | None) -> list[Event]:
        with self._read() as session:
            query = select(InstrumentRow.serial)
            if model_name is not None:
                query = query.where(InstrumentRow.model_name == model_name)
            serials = set(session.scalars(query))
            events = [
                event_record(entry)
                for serial, rows in _events_by_serial(session).items()
                if serial in serials
                for entry in replay(rows)
            ]
        return sorted(events, key=lambda event: event.event_id)

    # -- transactions -------------------------------------------------------------------------------------

    @contextmanager
    def _write(self) -> Iterator[Session]:
        with self._transaction(self._writing_engine, "written") as session:
            yield session

    @contextmanager
    def _read(self) -> Iterator[Session]:
        with self._transaction(self._engine, "read") as session:
            yield session

    @contextmanager
    def _transaction(self, engine: Engine, verb: str) -> Iterator[Session]:
        if self._closed:
            raise LedgerError(f"{self.path} was closed: open it again.")
        try:
            with Session(engine, expire_on_commit=False) as session, session.begin():
                yield session
        except DBAPIError as error:
            raise LedgerError(
                f"{self.path} could not be {verb} ({error.orig}): check that no other program holds it, its "
                "permissions and the space on the disk; nothing of this entry was kept."
            ) from error

    def _append(
        self,
        session: Session,
        kind: EventKind,
        serial: str | None,
        details: dict[str, Any],
        before: Mapping[str, float],
        after: Mapping[str, float],
        *,
        recorded_at: datetime | None = None,
    ) -> EventRow:
        last_id, last_sha256 = _head(session)
        moment = datetime.now(UTC) if recorded_at is None else recorded_at
        row = EventRow(
            id=last_id + 1,
            kind=str(kind),
            serial=serial,
            recorded_at=moment,
            person=self.person,
            as_built_before=dict(before),
            as_built_after=dict(after),
            details=details,
            former_sha256=last_sha256,
            sha256=event_sha256(
                event_id=last_id + 1,
                kind=kind,
                serial=serial,
                recorded_at=time_text(moment),
                person=self.person,
                as_built_before=before,
                as_built_after=after,
                details=details,
                former_sha256=last_sha256,
            ),
        )
        session.add(row)
        session.flush()
        return row


def _head(session: Session) -> tuple[int, str]:
    last = session.execute(select(EventRow.id, EventRow.sha256).order_by(EventRow.id.desc()).limit(1)).first()
    return (0, CHAIN_START) if last is None else (last.id, last.sha256)


def _fresh(row: EventRow, kind: type[RecordT]) -> RecordT:
    record = event_record(Known(row, row.details, row.as_built_before, row.as_built_after, ()))
    assert isinstance(record, kind)
    return record


def _newest_model(session: Session, name: str) -> ModelRow | None:
    return session.scalars(
        select(ModelRow).where(ModelRow.name == name).order_by(ModelRow.version.desc()).limit(1)
    ).first()


def _model_row(session: Session, name: str, version: int | None) -> ModelRow:
    name = checked_text("name of the model", name, most=120)
    newest = _newest_model(session, name)
    if newest is None:
        raise LedgerError(
            f"There is no model {name!r}: {_near(name, session.scalars(select(ModelRow.name)))}add it first."
        )
    if version is None:
        return newest
    version = checked_whole("model_version", version, 1, 10**6, mend="versions count from 1")
    row = session.get(ModelRow, (name, version))
    if row is None:
        raise LedgerError(f"model {name!r} has no version {version}: its versions go from 1 to {newest.version}.")
    return row


def _instrument_row(session: Session, serial: str) -> InstrumentRow:
    text = checked_text("serial", serial)
    row = session.get(InstrumentRow, text)
    if row is None:
        near = _near(text, session.scalars(select(InstrumentRow.serial)))
        raise LedgerError(f"There is no instrument {text!r}: {near}enter it first.")
    return row


def _near(name: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(name, sorted(set(known)), n=3, cutoff=0.7)
    return f"did you mean {' or '.join(near)}? Else " if near else ""


def _event_rows(session: Session, serial: str) -> list[EventRow]:
    return list(session.scalars(select(EventRow).where(EventRow.serial == serial).order_by(EventRow.id)))


def _events_by_serial(session: Session) -> dict[str, list[EventRow]]:
    rows = session.scalars(select(EventRow).where(EventRow.serial.is_not(None)).order_by(EventRow.id))
    events: dict[str, list[EventRow]] = defaultdict(list)
    for row in rows:
        events[row.serial or ""].append(row)
    return events


def _present_sizes(session: Session, serial: str) -> dict[str, float]:
    newest = select(EventRow.as_built_after).where(EventRow.serial == serial).order_by(EventRow.id.desc())
    return dict(session.scalars(newest.limit(1)).one())


def _all_present_sizes(session: Session) -> dict[str, dict[str, float]]:
    newest = select(func.max(EventRow.id)).where(EventRow.serial.is_not(None)).group_by(EventRow.serial)
    rows = session.execute(select(EventRow.serial, EventRow.as_built_after).where(EventRow.id.in_(newest)))
    return {serial or "": sizes for serial, sizes in rows}


def _story(session: Session, serial: str | None = None) -> dict[str, list[EventRow]]:
    # Start, states and corrections tell all about a piece but its sizes, without reading its trials.
    kinds = (EventKind.BEGUN, EventKind.STATE, EventKind.CORRECTION)
    query = select(EventRow).where(EventRow.kind.in_([str(kind) for kind in kinds])).order_by(EventRow.id)
    if serial is not None:
        query = query.where(EventRow.serial == serial)
    story: dict[str, list[EventRow]] = defaultdict(list)
    for row in session.scalars(query):
        story[row.serial or ""].append(row)
    return story


def _count_serial(session: Session, prefix: str, number: int) -> None:
    row = insert(SerialCounterRow).values(prefix=prefix, last_number=number)
    session.execute(row.on_conflict_do_update(index_elements=["prefix"], set_={"last_number": number}))


def _check_cut_begins_at_recorded_size(serial: str, details: Mapping[str, Any], sizes: Mapping[str, float]) -> None:
    feature, begun_mm = details["feature"], details["before_mm"]
    recorded_mm = sizes.get(feature)
    if recorded_mm is None:
        if begun_mm == 0.0:
            return  # a chamfer or a hole that did not exist yet
        near = _near(feature, sizes)
        raise LedgerError(f"{serial} has no {feature!r} in the ledger: {near}log a measurement of it before the cut.")
    # The limit is met exactly by sizes such as 6.20 and 6.205, whose difference is not exact in binary.
    if abs(recorded_mm - begun_mm) > SIZE_AGREEMENT_MM + 1e-9:
        raise LedgerError(
            f"{feature} of {serial} is {mm_text(recorded_mm)} in the ledger, the cut says it began at "
            f"{mm_text(begun_mm)}: "
            "measure it again; if the ledger is wrong, log a measurement or correct the event that says so."
        )


def _model_record(row: ModelRow) -> ModelVersion:
    return ModelVersion(
        name=row.name,
        version=row.version,
        toml_text=row.toml_text,
        toml_sha256=row.toml_sha256,
        lineage=row.lineage,
        added_at=row.added_at,
    )


def _instrument_record(row: InstrumentRow, story: Sequence[EventRow], sizes: Mapping[str, float]) -> Instrument:
    known = replay(story)
    begun = known[0].details
    return Instrument(
        serial=row.serial,
        model_name=row.model_name,
        model_version=row.model_version,
        material=begun["material"],
        lot=begun["lot"],
        begun_at=row.begun_at,
        state=present_state(known),
        as_built=dict(sizes),
    )
