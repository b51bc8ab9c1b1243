"""Questions about the past: the events of one piece, and the trials, cuts and voicing of all."""

from sqlalchemy import select

from fluewright.errors import LedgerError
from fluewright.ledger.records import AdjustmentMade, Cut, Event, HeadTrialLogged, Trial
from fluewright.ledger.remembered import remembered_events
from fluewright.ledger.rows import instrument_row
from fluewright.ledger.schema import EventRow, InstrumentRow
from fluewright.ledger.transactions import OpenLedger
from fluewright.ledger.values import checked_whole

__all__ = ["Questions"]


class Questions(OpenLedger):
    """What a ledger answers about events, as they are now known."""

    def history(self, serial: str) -> list[Event]:
        """Return all events of a piece, oldest first, as they are now known.

        Raises
        ------
        LedgerError
            There is no such piece.
        """
        with self._read() as session:
            return remembered_events(session, self.path, instrument_row(session, serial).serial)

    def event(self, event_id: int) -> Event:
        """Return one event of a piece as it is now known.

        Raises
        ------
        LedgerError
            There is no such event, or it concerns a model.
        """
        with self._read() as session:
            row = session.get(EventRow, checked_whole("event_id", event_id, 1, 2**53, mend="see the history"))
            if row is None or row.serial is None:
                raise LedgerError(f"There is no event {event_id} of an instrument: take its number from the history.")
            events = remembered_events(session, self.path, instrument_row(session, row.serial).serial)
            return next(event for event in events if event.event_id == event_id)

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

    def _all_events(self, model_name: str | None) -> list[Event]:
        with self._read() as session:
            query = select(InstrumentRow.serial)
            if model_name is not None:
                query = query.where(InstrumentRow.model_name == model_name)
            serials = session.scalars(query).all()
            events = [event for serial in serials for event in remembered_events(session, self.path, serial)]
        return sorted(events, key=lambda event: event.event_id)
