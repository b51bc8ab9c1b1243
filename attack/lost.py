"""What a ledger lost of what it had acknowledged."""

from collections.abc import Iterable
from pathlib import Path

from fluewright.errors import FluewrightError
from fluewright.ledger import Trial, open_ledger, verify
from fluewright.web.journal import Journal

__all__ = ["losses"]


def losses(path: Path, said: Iterable[str]) -> list[str]:
    """Open and verify a ledger, and return what is wrong with it or missing in it.

    Parameters
    ----------
    path : Path
    said : iterable of str
        Whole lines of ``ledger_writer``.
    """
    lines = [line.split() for line in said]
    events = {int(line[1]): line[2] for line in lines if line[0] == "event"}
    serials = {line[1] for line in lines if line[0] == "begun"}
    notes = {(line[1], int(line[2])) for line in lines if line[0] == "note"}
    try:
        if not path.exists():
            return [] if not lines else ["the ledger is gone"]
        with open_ledger(path) as ledger:
            if ledger.refusal is not None:
                return [str(ledger.refusal)]
            kept, there, played = {}, set(), set()
            for piece in ledger.instruments():
                there.add(piece.serial)
                for event in ledger.history(piece.serial):
                    kept[event.event_id] = event.sha256
                    if isinstance(event, Trial):
                        played |= {(piece.serial, int(number)) for number in event.remarks.split()}
        found = list(verify(path).findings)
    except (FluewrightError, OSError) as error:
        return [f"it does not open: {error}"]
    for serial in {serial for serial, _ in notes}:
        played |= {(serial, int(n.onset_s)) for n in Journal(path.with_name("web"), serial).notes()}
    found += [f"event {number} is lost" for number, sha256 in events.items() if kept.get(number) != sha256]
    found += [f"piece {serial} is lost" for serial in serials - there]
    return found + [f"note {number} of {serial} is lost" for serial, number in notes - played]
