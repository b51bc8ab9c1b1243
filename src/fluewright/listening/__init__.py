"""What was played in a recording, read from the sound alone."""

from fluewright.listening.notes import HeardNote, Hearing, ListeningSettings, hear_notes
from fluewright.listening.recordings import Recording, read_recording, write_recording

__all__ = [
    "HeardNote",
    "Hearing",
    "ListeningSettings",
    "Recording",
    "hear_notes",
    "read_recording",
    "write_recording",
]
