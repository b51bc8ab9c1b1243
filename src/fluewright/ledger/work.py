"""What is done to a piece, each as one event: measured, played, cut, its head tried and adjusted, its state changed."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, TypeVar

from sqlalchemy.orm import Session

from fluewright.errors import LedgerError
from fluewright.ledger.cut_sizes import check_cut_begins_at_recorded_size
from fluewright.ledger.entries import (
    adjustment_entry,
    cut_entry,
    head_trial_entry,
    measurement_entry,
    sizes_detail,
    state_entry,
    trial_entry,
)
from fluewright.ledger.records import (
    AdjustmentMade,
    Cut,
    Event,
    HeadTrialLogged,
    Measurement,
    PieceState,
    StateChange,
    Trial,
    TrialNote,
)
from fluewright.ledger.replay import fresh_record, present_state, replay
from fluewright.ledger.rows import instrument_row, model_row, recorded_sizes, state_rows
from fluewright.ledger.schema import EventKind, InstrumentRow, TrialNoteRow
from fluewright.ledger.transactions import OpenLedger

__all__ = ["Work"]

RecordT = TypeVar("RecordT", bound=Event)


class Work(OpenLedger):
    """How a ledger is told what was done to a piece."""

    def log_measurement(
        self, serial: str, *, as_built: Mapping[str, float], gauge: str = "", remarks: str = ""
    ) -> Measurement:
        """Record sizes that were measured; sizes not named stay as they are.

        Raises
        ------
        LedgerError
            The serial is unknown, no size is given, or a value is not possible.
        """
        details = measurement_entry(as_built=as_built, gauge=gauge, remarks=remarks)
        with self._write() as session:
            return self._log(session, instrument_row(session, serial), EventKind.MEASUREMENT, details, Measurement)

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
            row = instrument_row(session, serial)
            details = trial_entry(
                taken_at=_or_now(taken_at),
                temperature_c=temperature_c,
                relative_humidity=relative_humidity,
                breath_pa=breath_pa,
                recording_sha256=recording_sha256,
                recording_name=recording_name,
                analysis_version=analysis_version,
                model_name=row.model_name,
                model_version=_compared_version(session, row, model_version),
                notes=notes,
                as_built=as_built,
                remarks=remarks,
            )
            trial = self._log(session, row, EventKind.TRIAL, details, Trial)
            session.add_all(
                TrialNoteRow(event_id=trial.event_id, place=place, **note)
                for place, note in enumerate(details["notes"], start=1)
            )
            session.flush()
            return trial

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
            row = instrument_row(session, serial)
            _check_not_final(session, row.serial, "nothing is cut from it any more")
            check_cut_begins_at_recorded_size(row.serial, details, recorded_sizes(session, row.serial))
            return self._log(session, row, EventKind.CUT, details, Cut)

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
            row = instrument_row(session, serial)
            details = head_trial_entry(
                taken_at=_or_now(taken_at),
                temperature_c=temperature_c,
                body=body,
                good=good,
                analysis_version=analysis_version,
                model_name=row.model_name,
                model_version=_compared_version(session, row, model_version),
                readings=readings,
                as_built={} if as_built is None else as_built,
                remarks=remarks,
            )
            return self._log(session, row, EventKind.HEAD_TRIAL, details, HeadTrialLogged)

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
            row = instrument_row(session, serial)
            _check_not_final(session, row.serial, "nothing is voiced on it any more")
            return self._log(session, row, EventKind.ADJUSTMENT, details, AdjustmentMade)

    def set_state(self, serial: str, state: PieceState | str, reason: str) -> StateChange:
        """Record that a piece reached another state.

        Raises
        ------
        LedgerError
            The serial or the state is unknown, the piece is in that state already, or its state is final.
        """
        details = state_entry(state=state, reason=reason)
        with self._write() as session:
            row = instrument_row(session, serial)
            present = _present_state(session, row.serial)
            if present == details["state"]:
                raise LedgerError(f"{row.serial} is {present} already: nothing was recorded.")
            if present.final:
                raise LedgerError(
                    f"{row.serial} is {present}, which is final: if that is wrong, correct the event that says so."
                )
            return self._log(session, row, EventKind.STATE, details, StateChange)

    def _log(
        self, session: Session, piece: InstrumentRow, kind: EventKind, details: dict[str, Any], record: type[RecordT]
    ) -> RecordT:
        """Append an event of a piece; the sizes that it states go over those that the piece had."""
        before = recorded_sizes(session, piece.serial)
        stated = sizes_detail(kind)
        after = before if stated is None else before | details[stated]
        return fresh_record(self._append(session, kind, piece.serial, details, before, after), record)


def _or_now(moment: datetime | None) -> datetime:
    return datetime.now(UTC) if moment is None else moment


def _compared_version(session: Session, piece: InstrumentRow, version: int | None) -> int:
    """Return the version of a piece's model that a trial is compared with: its own where none is named."""
    return model_row(session, piece.model_name, piece.model_version if version is None else version).version


def _present_state(session: Session, serial: str) -> PieceState:
    return present_state(replay(state_rows(session, serial)[serial]))


def _check_not_final(session: Session, serial: str, consequence: str) -> None:
    state = _present_state(session, serial)
    if state.final:
        raise LedgerError(f"{serial} is {state}: {consequence}; correct its state if that is wrong.")
