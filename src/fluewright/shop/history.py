"""What the ledger says of its pieces: the history of one in plain words, all at a glance, and a search."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from fluewright.instrument.sizes import size_unit, size_words
from fluewright.ledger import (
    AdjustmentMade,
    Begun,
    Correction,
    Cut,
    Event,
    HeadTrialLogged,
    Instrument,
    Measurement,
    StateChange,
    Trial,
    kind_of,
    open_ledger,
)  # fmt: skip
from fluewright.units import signed

__all__ = ["FoundPiece", "HistoryRow", "event_words", "find_pieces", "history_rows", "overview"]


@dataclass(frozen=True)
class HistoryRow:
    """One event of a piece.

    Attributes
    ----------
    event : int
    what : str
        Kind of event, in words.
    when : datetime
    says : str
        What happened, in one line.
    corrected : bool
    recording : str
        SHA-256 of a trial's recording; empty for other events.
    after_mm : float or None
        The size after a cut.
    """

    event: int
    what: str
    when: datetime
    says: str
    corrected: bool
    recording: str
    after_mm: float | None


def history_rows(ledger: Path, serial: str) -> list[HistoryRow]:
    """Return the events of one piece, oldest first.

    Raises
    ------
    LedgerError
        The ledger has no such piece.
    """
    with open_ledger(ledger, create=False) as book:
        book.instrument(serial)
        return [_row(event) for event in book.history(serial)]


def _row(event: Event) -> HistoryRow:
    return HistoryRow(
        event.event_id, kind_of(event), event.recorded_at, event_words(event), event.corrected,
        event.recording_sha256 if isinstance(event, Trial) else "", event.after_mm if isinstance(event, Cut) else None,
    )  # fmt: skip


def event_words(event: Event) -> str:
    """Return what happened in one line."""
    match event:
        case Trial():
            said = f"{len(event.notes)} notes from {event.recording_name}"
            first = [n.cents for n in event.notes if n.register == 1]
            if not first:
                return said
            worst = signed(max(first, key=abs))
            return f"{said}, worst of register 1 {worst} cents"
        case Cut():
            because = f", {event.reason}" if event.reason else ""
            first_said = event.originals.get("after_mm")
            was = "" if first_said is None else f" (first written {first_said:.2f})"
            sizes = f"{event.before_mm:.2f} to {event.after_mm:.2f} mm{was}"
            return f"{size_words(event.feature)}: {sizes}, {event.tool}{because}"
        case HeadTrialLogged():
            good = ", a good head" if event.good else ""
            body = f", on {event.body}" if event.body else ""
            return f"{len(event.readings.get('notes', ()))} notes tried{body}{good}"
        case AdjustmentMade():
            times = "" if event.steps == 1 else f", {event.steps:g} steps"
            return f"{event.title}{times}" + (f": {event.reason}" if event.reason else "")
        case StateChange():
            return f"{event.state}" + (f": {event.reason}" if event.reason else "")
        case Measurement():
            sizes = ", ".join(f"{size_words(k)} {v:.2f} {size_unit(k)}" for k, v in list(event.as_built.items())[:6])
            more = f" and {len(event.as_built) - 6} more" if len(event.as_built) > 6 else ""
            return f"{sizes}{more}" + (f" ({event.remarks})" if event.remarks else "")
        case Begun():
            lot = f", lot {event.lot}" if event.lot else ""
            return f"{event.model_name}, version {event.model_version}, {event.material or 'no material named'}{lot}"
        case Correction():
            return f"event {event.corrected_event_id}: {event.reason}"
        case _:
            return ""


@dataclass(frozen=True)
class FoundPiece:
    """A piece with what happened to it in numbers.

    Attributes
    ----------
    piece : Instrument
    trials, head_trials, cuts : int
    last : datetime
        When it was last worked on.
    """

    piece: Instrument
    trials: int
    head_trials: int
    cuts: int
    last: datetime


def find_pieces(ledger: Path, wanted: str = "", state: str = "") -> list[FoundPiece]:
    """Return the pieces whose records hold some words, newest first.

    Parameters
    ----------
    ledger : Path
    wanted : str
        Each word is looked for, whatever its case, in serial, model, material, lot, state and every line of the
        history.
    state : str
        Only pieces in this state; empty: all.
    """
    words = wanted.casefold().split()
    found = []
    with open_ledger(ledger) as book:
        for piece in reversed(book.instruments()):
            if state and piece.state != state:
                continue
            events = book.history(piece.serial)
            if _holds(piece, events, words):
                found.append(
                    FoundPiece(
                        piece, _count(events, Trial), _count(events, HeadTrialLogged), _count(events, Cut),
                        max((e.recorded_at for e in events), default=piece.begun_at),
                    )
                )  # fmt: skip
    return found


def _holds(piece: Instrument, events: Sequence[Event], words: Sequence[str]) -> bool:
    head = f"{piece.serial} {piece.model_name} {piece.material} {piece.lot} {piece.state}"
    text = " ".join([head, *map(event_words, events)]).casefold()
    return all(word in text for word in words)


def _count(events: Sequence[Event], kind: type[Event]) -> int:
    return sum(isinstance(e, kind) for e in events)


def overview(ledger: Path) -> dict[str, Any]:
    """Return models and instruments of a ledger as plain data."""
    with open_ledger(ledger, create=False) as book:
        return {
            "models": [
                {"name": m.name, "version": m.version, "added_at": m.added_at.isoformat(timespec="seconds")}
                for m in book.models()
            ],
            "instruments": [
                {
                    "serial": i.serial,
                    "model": i.model_name,
                    "version": i.model_version,
                    "state": str(i.state),
                    "material": i.material,
                    "as_built": dict(i.as_built),
                }
                for i in book.instruments()
            ],
        }
