"""What was replayed of each piece is remembered while the program runs, so that one more event costs one more event.

The hash of a piece's newest remembered event stands for everything before it: while the ledger still has it, only what
came since is read and replayed. A ledger that was exchanged has another hash there, and is read anew.
"""

import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from fluewright.ledger.records import Event
from fluewright.ledger.replay import RecordedEvent, Replay, event_record
from fluewright.ledger.rows import event_rows
from fluewright.ledger.schema import EventKind, EventRow

__all__ = ["remembered_events"]

_MOST_EVENTS: Final = 100_000


@dataclass
class _Piece:
    rows: list[RecordedEvent] = field(default_factory=list)
    replay: Replay = field(default_factory=Replay)
    events: list[Event] = field(default_factory=list)


_pieces: OrderedDict[tuple[Path, str], _Piece] = OrderedDict()
_lock = threading.Lock()


def remembered_events(session: Session, path: Path, serial: str) -> list[Event]:
    """Return all events of a piece, oldest first, as they are now known; the records are shared, not to be changed.

    Parameters
    ----------
    session : Session
        In a transaction on the ledger.
    path : Path
        The ledger.
    serial : str
        As the ledger spells it.
    """
    key = (path.absolute(), serial)
    with _lock:
        piece = _pieces.pop(key, None) or _Piece()
        if piece.rows:
            newest = piece.rows[-1]
            if session.scalar(select(EventRow.sha256).where(EventRow.id == newest.id)) != newest.sha256:
                piece = _Piece()
        fresh = event_rows(session, serial, after=piece.rows[-1].id if piece.rows else 0)
        if any(row.kind == EventKind.CORRECTION for row in fresh):
            # It changes what is known of an earlier event, and of all that followed it.
            piece = _Piece(rows=piece.rows)
            known = piece.replay.go_on([*piece.rows, *fresh])
        else:
            known = piece.replay.go_on(fresh)
        piece.events = [*piece.events, *map(event_record, known)]
        piece.rows = [*piece.rows, *fresh]
        _pieces[key] = piece
        while len(_pieces) > 1 and sum(len(one.rows) for one in _pieces.values()) > _MOST_EVENTS:
            _pieces.popitem(last=False)
        return list(piece.events)
