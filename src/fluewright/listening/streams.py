"""Notes from sound that comes piece by piece: a microphone, or a file too long to hold.

A `Listener` is given blocks as they come and hears with the same code as a whole recording. It keeps what is not yet
heard out, at most a few seconds live and about a minute of a file; each time enough has come it is cut where nothing
sounds, or between slurred notes, or, in a note longer than that, within the note, whose pieces are then put together.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluewright.errors import RecordingError
from fluewright.listening.notes import HeardNote, Hearing, ListeningSettings, hear_notes
from fluewright.listening.pitch import track_pitch
from fluewright.listening.recordings import Recording, RecordingAbout, read_blocks, survey_recording
from fluewright.listening.spectra import Hum

__all__ = ["HeardFile", "Listener", "Moment", "hear_file"]

FloatArray = NDArray[np.float64]

FILE_PIECE_S = 60.0
LIVE_PIECE_S = 2.5
# Of what was heard out this much is kept, for the levels round the next note: of a file, and live.
_CONTEXT_S = (0.8, 0.2)
_SETTLED_S = 0.6  # a note that ends later than this before the end may still go on
_QUIET_S = 0.25
_SAME_NOTE_CENTS = 60.0
_NO_HUM = Hum(np.empty(0), np.empty(0))


@dataclass(frozen=True)
class Moment:
    """What sounds now.

    Attributes
    ----------
    time_s : float
        From the first sample on.
    pitch_hz : float
        Not a number where nothing is clear of the background.
    level_db, clarity_db : float
        Level of the harmonics (0 dB: a sine of full scale), and of the clearest one over the background.
    """

    time_s: float
    pitch_hz: float
    level_db: float
    clarity_db: float


class Listener:
    """Hears notes in blocks of one channel.

    Parameters
    ----------
    rate_hz : float
        Samples per second of the blocks.
    settings : ListeningSettings, optional
    live : bool
        Hear a note out soon after it ends (and look at every block for `now`), or in long pieces.
    """

    def __init__(self, rate_hz: float, settings: ListeningSettings | None = None, *, live: bool = True) -> None:
        self.rate_hz = float(rate_hz)
        self.settings = settings or ListeningSettings()
        self.live = live
        self.piece_s = LIVE_PIECE_S if live else FILE_PIECE_S
        self._context_s = _CONTEXT_S[int(live)]
        self.now = Moment(0.0, math.nan, -math.inf, -math.inf)
        self.warnings: list[str] = []
        self._held = np.zeros(0)
        self._start_s = 0.0  # of the held sound
        self._heard_s = 0.0  # up to where notes were given out
        self._open: HeardNote | None = None
        self._quiet_s = 0.0
        self._sounded = False

    @property
    def time_s(self) -> float:
        """Return how much has come, s."""
        return self._start_s + len(self._held) / self.rate_hz

    def push(self, samples: ArrayLike) -> tuple[HeardNote, ...]:
        """Take a block and return the notes that are heard out by it, times from the first sample on.

        Raises
        ------
        RecordingError
            The block is not one channel of finite numbers.
        """
        block = np.asarray(samples, dtype=np.float64)
        if block.ndim != 1:
            raise RecordingError(f"a block has the shape {block.shape}; one channel (n,) is needed")
        if not np.isfinite(block).all():
            raise RecordingError("a block holds samples that are not numbers; check the sound input")
        self._held = np.concatenate([self._held, block])
        if self.live:
            self._look(len(block))
        held_s = len(self._held) / self.rate_hz
        ended = self.live and self._sounded and self._quiet_s >= _QUIET_S
        if held_s < self.piece_s and not ended:
            return ()
        if self.live and not self._sounded:
            # Nothing to hear out; only the last moments matter for what comes.
            self._drop(self.time_s - self._context_s)
            return ()
        return self._hear(last=False, ended=ended)

    def finish(self) -> tuple[HeardNote, ...]:
        """Return the notes still held back; the listener may go on afterwards."""
        found = self._hear(last=True, ended=True)
        if self._open is not None:
            found = (*found, self._open)
            self._open = None
        return found

    def _look(self, fresh: int) -> None:
        """Follow the pitch in the newest block."""
        length = min(len(self._held), fresh + round(0.05 * self.rate_hz))
        if length < round(0.045 * self.rate_hz):
            return
        low = self.settings.lowest_hz
        track = track_pitch(
            self._held[-length:], self.rate_hz, lowest_hz=low, highest_hz=self.settings.highest_hz, hum=_NO_HUM
        )
        # Frames at the ends see only part of their window.
        inner = slice(2, max(len(track.times_s) - 2, 3))
        clear = track.clarity_db[inner] >= self.settings.clear_db
        best = int(np.argmax(track.clarity_db[inner]))
        clarity, level = float(track.clarity_db[inner][best]), float(track.level_db[inner][best])
        pitch = float(np.median(track.pitch_hz[inner][clear])) if clear.any() else math.nan
        self.now = Moment(self.time_s, pitch, level, clarity)
        if clear.mean() > 0.4:
            self._sounded = True
            self._quiet_s = 0.0
        else:
            self._quiet_s += fresh / self.rate_hz

    def _hear(self, *, last: bool, ended: bool) -> tuple[HeardNote, ...]:
        if len(self._held) < round(0.05 * self.rate_hz):
            return ()
        duration = len(self._held) / self.rate_hz
        piece = Recording(self._held, self.rate_hz, 1, duration, "")
        hearing = hear_notes(piece, settings=self.settings)
        offset = self._start_s
        notes = [replace(n, onset_s=n.onset_s + offset, offset_s=n.offset_s + offset) for n in hearing.notes]
        for warning in hearing.warnings:
            if warning.startswith("sounds without a steady pitch") and not self.live:
                self.warnings.append(f"from {offset:.0f} s on: {warning}")
        notes = [n for n in notes if 0.5 * (n.onset_s + n.offset_s) > self._heard_s]
        end = self.time_s
        if last:
            cut, forced = end, False
        else:
            cut, forced = self._cut(notes, end, settled=end if ended else end - _SETTLED_S)
        given = [n for n in notes if n.onset_s < cut - 0.01]
        out: list[HeardNote] = []
        for note in given:
            joined = self._join(note)
            if joined is not note or self._open is None:
                self._open = joined
            else:
                out.append(self._open)
                self._open = note
        keeps_open = forced and given and given[-1].offset_s > cut - 0.05
        if self._open is not None and not keeps_open:
            out.append(self._open)
            self._open = None
        self._heard_s = cut
        self._drop(cut if forced else cut - self._context_s)
        if ended:
            self._sounded = False
            self._quiet_s = 0.0
        return tuple(out)

    def _cut(self, notes: list[HeardNote], end: float, *, settled: float) -> tuple[float, bool]:
        """Return where to cut, and whether a note may go on across it."""
        if not notes:
            return settled, False
        gaps = [(a.offset_s, b.onset_s) for a, b in pairwise(notes)]
        gaps.append((notes[-1].offset_s, end))
        for low, high in reversed(gaps):
            if low <= settled:
                return max(low, min(0.5 * (low + high), settled)), False
        # One note fills all of it.
        return end, True

    def _join(self, note: HeardNote) -> HeardNote:
        """Return a note put together with the open one when it only goes on; else the note itself."""
        before = self._open
        if before is None or note.onset_s - before.offset_s > 0.06:
            return note
        if abs(1200.0 * math.log2(note.frequency_hz / before.frequency_hz)) > _SAME_NOTE_CENTS:
            return note
        return _together(before, note)

    def _drop(self, until_s: float) -> None:
        """Forget what lies before a time."""
        count = min(max(round((until_s - self._start_s) * self.rate_hz), 0), len(self._held))
        if count:
            self._held = self._held[count:].copy()
            self._start_s += count / self.rate_hz


def _together(first: HeardNote, second: HeardNote) -> HeardNote:
    """Return one note made of two pieces of it, weighed by their lengths."""
    a, b = first.offset_s - first.onset_s, second.offset_s - second.onset_s
    p, q = a / (a + b), b / (a + b)

    def level(x: float, y: float) -> float:
        if math.isnan(x) or math.isnan(y):
            return math.nan
        return 10.0 * math.log10(p * 10.0 ** (x / 10.0) + q * 10.0 ** (y / 10.0))

    frequency = p * first.frequency_hz + q * second.frequency_hz
    # The change from one piece to the next counts as wander of the whole.
    moved = abs(second.frequency_hz - first.frequency_hz) * math.sqrt(p * q) / 2.0
    noise = math.hypot(p * first.frequency_uncertainty_hz, q * second.frequency_uncertainty_hz)
    steady = [v for v in (first.steadiness_cents, second.steadiness_cents) if math.isfinite(v)]
    return HeardNote(
        onset_s=first.onset_s,
        offset_s=second.offset_s,
        frequency_hz=frequency,
        frequency_uncertainty_hz=math.hypot(noise, moved),
        drift_cents_per_s=p * first.drift_cents_per_s + q * second.drift_cents_per_s,
        steadiness_cents=math.sqrt(sum(v * v for v in steady) / len(steady)) if steady else math.nan,
        level_db=level(first.level_db, second.level_db),
        harmonic_to_noise_db=level(first.harmonic_to_noise_db, second.harmonic_to_noise_db),
        harmonic_levels_db=tuple(
            level(x, y) for x, y in zip(first.harmonic_levels_db, second.harmonic_levels_db, strict=True)
        ),
    )


@dataclass(frozen=True)
class HeardFile:
    """A file's notes, and what it is."""

    about: RecordingAbout
    hearing: Hearing


def hear_file(path: Path, *, settings: ListeningSettings | None = None) -> HeardFile:
    """Hear a file of any length in bounded memory.

    Raises
    ------
    RecordingError
        As `survey_recording` and `hear_notes`.
    """
    about = survey_recording(path)
    settings = settings or ListeningSettings()
    if about.duration_s <= 2.0 * FILE_PIECE_S:
        samples = np.concatenate(list(read_blocks(path, about)))
        recording = Recording(samples, about.rate_hz, about.channels, about.duration_s, about.sha256, about.warnings)
        return HeardFile(about, hear_notes(recording, settings=settings))
    listener = Listener(about.rate_hz, settings, live=False)
    notes = list(_all_notes(listener, read_blocks(path, about)))
    warnings = [*about.warnings, *listener.warnings]
    if not notes:
        warnings.append("no notes heard: nothing stands clear of the background for long enough")
    return HeardFile(about, Hearing(tuple(notes), tuple(warnings)))


def _all_notes(listener: Listener, blocks: Iterable[FloatArray]) -> Iterator[HeardNote]:
    for block in blocks:
        yield from listener.push(block)
    yield from listener.finish()
