"""What was odd about a trial: typed values, put into words by `words`."""

from dataclasses import dataclass

__all__ = ["NoteLeftOut", "NotesMissing", "NotesUnmatched", "Remark"]


@dataclass(frozen=True)
class NotesUnmatched:
    """Heard notes that fit no fingering; trials count from 1."""

    trial: int
    frequencies_hz: tuple[float, ...]


@dataclass(frozen=True)
class NotesMissing:
    """Notes, with their registers, that were not heard."""

    trial: int
    notes: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class NoteLeftOut:
    """A note, with its register, that lies so many cents from what all other notes say."""

    trial: int
    note: tuple[str, int]
    cents: float


Remark = NotesUnmatched | NotesMissing | NoteLeftOut
