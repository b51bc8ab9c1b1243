"""When a trial was played, put right: a clock that ran ahead, or stood still, dated it wrongly."""

from pathlib import Path

from fluewright.errors import InputError
from fluewright.ledger import HeadTrialLogged, Trial, open_ledger

__all__ = ["correct_trial_time"]


def correct_trial_time(ledger: Path, serial: str, event_id: int, *, taken_at: str, reason: str) -> int:
    """Put the time of a logged trial right by a new event, and return it; the first one stays in the history.

    Parameters
    ----------
    ledger : Path
    serial : str
    event_id : int
        A trial of the piece, or of its head.
    taken_at : str
        With its zone, for example ``2031-05-06T14:30:00+02:00``.
    reason : str

    Raises
    ------
    InputError
        The event is no trial of the piece.
    LedgerError
        It is no such time or one to come, no reason is given, or the trial says so already.
    """
    with open_ledger(ledger, create=False) as book:
        trials = [e.event_id for e in book.history(serial) if isinstance(e, Trial | HeadTrialLogged)]
        if event_id not in trials:
            raise InputError(
                f"event {event_id} is no trial of {serial}; take its number from the history", field="event"
            )
        return book.correct(event_id, reason=reason, replacement={"taken_at": taken_at}).event_id
