"""The pieces with their serial numbers, and how they stand now."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.orm import Session

from fluewright.errors import LedgerError
from fluewright.ledger.chain import counter_sha256
from fluewright.ledger.entries import begun_entry
from fluewright.ledger.records import Instrument, PieceState
from fluewright.ledger.replay import RecordedEvent, present_state, replay
from fluewright.ledger.rows import all_recorded_sizes, instrument_row, model_row, recorded_sizes, state_rows
from fluewright.ledger.schema import EventKind, InstrumentRow, SerialCounterRow
from fluewright.ledger.transactions import OpenLedger
from fluewright.ledger.values import checked_prefix, checked_serial

__all__ = ["Pieces"]

_MOST_SERIALS = 999_999_999


class Pieces(OpenLedger):
    """What a ledger keeps and answers about pieces."""

    def next_serial(self, prefix: str) -> str:
        """Return the next serial number of a prefix ("D5" gives "D5-0001") and reserve it.

        A number is handed out once, also when no instrument takes it.

        Raises
        ------
        LedgerError
            It is not a prefix, or its numbers are used up.
        """
        prefix = checked_prefix(prefix)
        with self._write() as session:
            counter = session.get(SerialCounterRow, prefix)
            number = 1 if counter is None else counter.last_number + 1
            if number > _MOST_SERIALS:
                raise LedgerError(f"has reached {_MOST_SERIALS}; choose another prefix than {prefix}.", field="prefix")
            # One prefix keeps the spelling that it was first given.
            spelled = prefix if counter is None else counter.prefix
            _count_serial(session, spelled, number)
            return f"{spelled}-{number:04d}"

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
                    f"never reused, take the next one of {prefix}."
                )
            model = model_row(session, model_name, model_version)
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
                _count_serial(session, prefix if counter is None else counter.prefix, number)
            session.flush()
            event = self._append(session, EventKind.BEGUN, serial, details, {}, details["as_built"], recorded_at=now)
            return _instrument_record(row, [event], details["as_built"])

    def instrument(self, serial: str) -> Instrument:
        """Return a piece as it stands now.

        Raises
        ------
        LedgerError
            There is no such piece.
        """
        with self._read() as session:
            row = instrument_row(session, serial)
            story = state_rows(session, row.serial)
            return _instrument_record(row, story[row.serial], recorded_sizes(session, row.serial))

    def instruments(self, *, model_name: str | None = None, state: PieceState | None = None) -> list[Instrument]:
        """Return all pieces by serial, or those of one model or in one state."""
        with self._read() as session:
            query = select(InstrumentRow).order_by(InstrumentRow.serial)
            if model_name is not None:
                query = query.where(InstrumentRow.model_name == model_name)
            rows = session.scalars(query).all()
            story, sizes = state_rows(session), all_recorded_sizes(session)
            pieces = [_instrument_record(row, story[row.serial], sizes[row.serial]) for row in rows]
            return [piece for piece in pieces if state is None or piece.state == state]

    def as_built(self, serial: str) -> dict[str, float]:
        """Return the present sizes of a piece by name.

        Raises
        ------
        LedgerError
            There is no such piece.
        """
        with self._read() as session:
            return recorded_sizes(session, instrument_row(session, serial).serial)


def _count_serial(session: Session, prefix: str, number: int) -> None:
    said = {"last_number": number, "sha256": counter_sha256(prefix, number)}
    row = insert(SerialCounterRow).values(prefix=prefix, **said)
    session.execute(row.on_conflict_do_update(index_elements=["prefix"], set_=said))


def _instrument_record(row: InstrumentRow, story: Sequence[RecordedEvent], sizes: Mapping[str, float]) -> Instrument:
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
