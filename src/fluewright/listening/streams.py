"""Notes from sound that comes piece by piece: a microphone, or a file too long to hold.

A `Listener` is given blocks as they come and hears with the same code as a whole recording. It keeps what has not ended
yet, at most a few seconds live and about a minute of a file; each time enough has come it is cut where nothing sounds,
or between slurred notes, or, in a note longer than that, within the note, whose pieces are then put together.

Live, no block may wait for the measuring of the notes before it: the spectra are made block by block, and a piece that
is due is heard in small steps, a few with every further block.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from fluewright.arrays import FloatArray
from fluewright.listening.analysis import hear_notes
from fluewright.listening.blocks import one_channel
from fluewright.listening.notes import HeardNote, Hearing, ListeningSettings, check_rate, settled
from fluewright.listening.pieces import FilePiece, LivePiece
from fluewright.listening.pitch import PitchTrack
from fluewright.listening.recordings import Recording
from fluewright.listening.sound import SoundArray
from fluewright.listening.survey import RecordingAbout, read_blocks, survey_recording
from fluewright.listening.thinning import Thinner
from fluewright.units import cents_above

__all__ = ["HeardFile", "Listener", "Moment", "hear_file"]


_SETTLED_S = 0.6  # a note that ends later than this before the end may still go on
_QUIET_S = 0.25
_SAME_NOTE_CENTS = 60.0
# A step of a live hearing takes 1 to 3 ms; this many of them go with every 50 ms of sound.
_STEPS = 2
_STEPS_EVERY_S = 0.050


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
        Give a note out soon after it ends (and look at every block for `now`), or in long pieces. Live, a note is given
        out some blocks after it is known to have ended.

    Raises
    ------
    RecordingError
        The rate is too low for the range of pitches.
    """

    def __init__(self, rate_hz: float, settings: ListeningSettings | None = None, *, live: bool = True) -> None:
        self.settings = settings or ListeningSettings()
        check_rate(rate_hz, self.settings)
        self.rate_hz = float(rate_hz)
        self.live = live
        self.now = Moment(0.0, math.nan, -math.inf, -math.inf)
        self.warnings: list[str] = []
        self._came = 0
        self._held: FilePiece | LivePiece = (LivePiece if live else FilePiece)(self.rate_hz, self.settings)
        self._heard_s = 0.0  # up to where notes were given out
        self._open: HeardNote | None = None
        self._quiet_s = 0.0
        self._sounded = False
        self._hearing: _Hearing | None = None

    @property
    def time_s(self) -> float:
        """Return how much has come, s."""
        return self._came / self.rate_hz

    def push(self, samples: ArrayLike) -> tuple[HeardNote, ...]:
        """Take a block and return the notes that are heard to their end by it, times from the first sample on.

        Parameters
        ----------
        samples : float array, shape (n,)
            Sound relative to full scale.

        Raises
        ------
        RecordingError
            The block is not one channel of finite numbers.
        """
        block = one_channel(samples)
        self._came += len(block)
        self._look(self._held.push(block), len(block) / self.rate_hz)
        out: tuple[HeardNote, ...] = ()
        if self._hearing is not None:
            steps = max(math.ceil(_STEPS * len(block) / self.rate_hz / _STEPS_EVERY_S), 1)
            out = self._go_on(steps)
        ended = self.live and self._sounded and self._quiet_s >= _QUIET_S
        if self._held.end_s - self._held.start_s < self._held.longest_s and not ended:
            return out
        if self.live and not self._sounded and self._hearing is None:
            # Nothing to hear; only the last moments matter for what comes.
            self._held.drop(self._held.end_s - self._held.context_s)
            return out
        if self._hearing is None:
            self._begin(last=False, ended=ended)
            if not self.live:
                out = (*out, *self._go_on(None))
        return out

    def finish(self) -> tuple[HeardNote, ...]:
        """Return the notes still held back; the listener may go on afterwards."""
        found = self._go_on(None)
        self._held.flush()
        self._begin(last=True, ended=True)
        found = (*found, *self._go_on(None))
        if self._open is not None:
            found = (*found, self._open)
            self._open = None
        return found

    def _look(self, track: PitchTrack | None, fresh_s: float) -> None:
        """Say what sounds in the newest frames."""
        if track is None:
            self.now = replace(self.now, time_s=self.time_s)
            return
        clear = track.clarity_db >= self.settings.clear_db
        best = int(np.argmax(track.clarity_db))
        pitch = float(np.median(track.pitch_hz[clear])) if clear.any() else math.nan
        self.now = Moment(self.time_s, pitch, float(track.level_db[best]), float(track.clarity_db[best]))
        if clear.mean() > 0.4:
            self._sounded = True
            self._quiet_s = 0.0
        else:
            self._quiet_s += fresh_s

    def _begin(self, *, last: bool, ended: bool) -> None:
        """Begin to hear what is held."""
        if self._held.end_s - self._held.start_s < 0.05:
            return
        self._hearing = _Hearing(self._held.hear(), self._held.start_s, self._held.end_s, last=last, ended=ended)
        if ended:
            self._sounded = False
            self._quiet_s = 0.0

    def _go_on(self, steps: int | None) -> tuple[HeardNote, ...]:
        """Go some steps further with what is being heard, or to its end; return the notes when it is heard."""
        hearing = self._hearing
        if hearing is None or not hearing.go_on(steps):
            return ()
        self._hearing = None
        notes, remarks = settled(hearing.found)
        offset, end = hearing.start_s, hearing.end_s
        if not self.live:
            self.warnings += [f"from {offset:.0f} s on: {remark}" for remark in remarks]
        notes = tuple(replace(n, onset_s=n.onset_s + offset, offset_s=n.offset_s + offset) for n in notes)
        fresh = [n for n in notes if 0.5 * (n.onset_s + n.offset_s) > self._heard_s]
        if hearing.last:
            cut, forced = end, False
        else:
            cut, forced = self._cut(fresh, end, settled_s=end if hearing.ended else end - _SETTLED_S)
        out = self._give_out([n for n in fresh if n.onset_s < cut - 0.01], cut, forced=forced)
        self._heard_s = cut
        self._held.drop(cut if forced else cut - self._held.context_s)
        return out

    def _give_out(self, given: list[HeardNote], cut: float, *, forced: bool) -> tuple[HeardNote, ...]:
        """Return the notes that are over; one that was cut through is put together, or stays open at the next cut."""
        out = list(given)
        if self._open is not None:
            if out and _goes_on(self._open, out[0]):
                out[0] = _together(self._open, out[0])
            else:
                out.insert(0, self._open)
            self._open = None
        if forced and out and out[-1].offset_s > cut - 0.05:
            self._open = out.pop()
        return tuple(out)

    def _cut(self, notes: list[HeardNote], end: float, *, settled_s: float) -> tuple[float, bool]:
        """Return where to cut, and whether a note may go on across it."""
        if not notes:
            return settled_s, False
        gaps = [(a.offset_s, b.onset_s) for a, b in pairwise(notes)]
        gaps.append((notes[-1].offset_s, end))
        for low, high in reversed(gaps):
            if low <= settled_s:
                return max(low, min(0.5 * (low + high), settled_s)), False
        # One note fills all of it.
        return end, True


def _goes_on(before: HeardNote, note: HeardNote) -> bool:
    """Tell whether a note is but the rest of one that was cut through."""
    if note.onset_s - before.offset_s > 0.06:
        return False
    return abs(cents_above(note.frequency_hz, before.frequency_hz)) <= _SAME_NOTE_CENTS


class _Hearing:
    """One piece of sound on its way to notes: what has been found in it, and the steps that are left."""

    def __init__(
        self, steps: Iterator[list[HeardNote]], start_s: float, end_s: float, *, last: bool, ended: bool
    ) -> None:
        self._steps = steps
        self.start_s, self.end_s = start_s, end_s
        self.last, self.ended = last, ended
        self.found: list[HeardNote] = []

    def go_on(self, steps: int | None) -> bool:
        """Take some steps, or all; tell whether none is left."""
        taken = 0
        while steps is None or taken < steps:
            some = next(self._steps, None)
            if some is None:
                return True
            self.found += some
            taken += 1
        return False


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
    settings = settings or ListeningSettings()
    longest_whole_s = 2.0 * FilePiece.longest_s
    by_pieces: _ByPieces | None = None

    def begin(rate_hz: float, claimed_s: float) -> Callable[[FloatArray], None] | None:
        nonlocal by_pieces
        by_pieces = _ByPieces(rate_hz, settings) if claimed_s > longest_whole_s else None
        return None if by_pieces is None else by_pieces.push

    about = survey_recording(path, on_the_way=begin)
    if about.duration_s <= longest_whole_s:
        return HeardFile(about, hear_notes(_thinned(path, about), settings=settings))
    if by_pieces is None:
        by_pieces = _ByPieces(about.rate_hz, settings)
        for block in read_blocks(path, about):
            by_pieces.push(block)
    notes, remarks = by_pieces.finish()
    if not notes:
        remarks.append("no notes heard: nothing stands clear of the background for long enough")
    return HeardFile(about, Hearing(tuple(notes), (*about.warnings, *remarks)))


def _thinned(path: Path, about: RecordingAbout) -> Recording:
    """Return a short file at the rate that notes are measured at; of a faster one no more is ever held."""
    thinner = Thinner(about.rate_hz)
    samples = np.empty(math.ceil(about.duration_s * thinner.rate_hz) + 1)
    place = 0

    def put(block: SoundArray) -> None:
        nonlocal place
        samples[place : place + len(block)] = block
        place += len(block)

    for block in read_blocks(path, about):
        put(thinner.push(block))
    put(thinner.flush())
    return Recording(samples[:place], thinner.rate_hz, about.channels, about.duration_s, about.sha256, about.warnings)


class _ByPieces:
    """All notes of a long file."""

    def __init__(self, rate_hz: float, settings: ListeningSettings) -> None:
        self._listener = Listener(rate_hz, settings, live=False)
        self._notes: list[HeardNote] = []

    def push(self, block: FloatArray) -> None:
        self._notes += self._listener.push(block)

    def finish(self) -> tuple[list[HeardNote], list[str]]:
        return [*self._notes, *self._listener.finish()], self._listener.warnings
