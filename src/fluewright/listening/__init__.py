"""What was played in a recording, read from the sound alone."""

from fluewright.listening.analysis import Analysis, hear_notes
from fluewright.listening.notes import HeardNote, Hearing, ListeningSettings
from fluewright.listening.recordings import Recording, read_recording, write_recording

__all__ = [
    "Analysis",
    "HeardNote",
    "Hearing",
    "ListeningSettings",
    "Recording",
    "hear_notes",
    "read_recording",
    "write_recording",
]
