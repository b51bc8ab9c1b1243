"""The notes that were played: from when to when, at what frequency, how steadily and how purely."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.errors import RecordingError
from fluewright.listening.changes import change_s
from fluewright.listening.medians import median, running_median
from fluewright.listening.partials import Partials, demodulate, measure_partials
from fluewright.listening.pitch import PitchTrack
from fluewright.listening.segments import (
    Stretch,
    level_dips,
    sounding_frames,
    split_by_pitch,
)
from fluewright.listening.sound import Sound
from fluewright.listening.tones import ToneFit, fit_tone
from fluewright.listening.windows import hann
from fluewright.units import CENTS_PER_RELATIVE

__all__ = [
    "HOP_S",
    "HeardNote",
    "Hearing",
    "ListeningSettings",
    "check_rate",
    "find_notes",
    "notes_by_steps",
    "settled",
]


HOP_S = 0.010
_ENVELOPE_HOP_S = 0.005
_ENVELOPE_S = 0.016
_ENVELOPE_PERIODS = 3.5
_ENVELOPE_GROUP_CENTS = 16.0
_EDGE_REACH_S = 0.060
# Ramps cost a few milliseconds at each end: a note is not lost for that.
_RAMPS_S = 0.0099
# A note is there while its level is within 20 dB of its own middle level.
_EDGE_PART = 0.1
_THROUGH_DB = -20.0 * math.log10(_EDGE_PART)
_GUARD_S = 0.025
# A change of pitch is looked for this far from the frame that shows it, and read from pitches this far away.
_SLUR_FRAMES = 7
_SETTLED_FRAMES = 12
_LEVELS = 6
_CENT = 1.0 / CENTS_PER_RELATIVE
# A sound whose mean pitch is not even known to a third of a semitone is not a note.
_WIDEST_CENTS = 35.0
# The breath's first and last moments often sound another, faint pitch: not a note of its own.
_BREATH_SOUND_S = 0.25
_BREATH_SOUND_DB = 15.0
_BREATH_SOUND_GAP_S = 0.03


@dataclass(frozen=True)
class ListeningSettings:
    """What counts as a note.

    Parameters
    ----------
    lowest_hz, highest_hz : float
        Range of pitches listened for, 60 Hz to 12 kHz and at least an octave wide.
    clear_db : float
        How far a note's clearest harmonic must stand above the background in a 43 ms frame. Noise alone
        reaches 16 dB about once in 2000 frames, but never for long.
    step_cents : float
        A faster change of pitch than this, if it lasts, starts a new note.
    dip_db : float
        A dip of the level this deep and shorter than about 0.1 s separates two notes (tongued repeats).
    shortest_note_s : float
        Shortest sound that stands alone and counts as a note.
    shortest_slurred_s : float
        Shortest piece of a slurred line that counts as a note of its own.
    """

    lowest_hz: float = 180.0
    highest_hz: float = 4500.0
    clear_db: float = 16.0
    step_cents: float = 60.0
    dip_db: float = 8.0
    shortest_note_s: float = 0.060
    shortest_slurred_s: float = 0.080

    def __post_init__(self) -> None:
        limits = {
            "lowest_hz": (60.0, 6000.0),
            "highest_hz": (120.0, 12_000.0),
            "clear_db": (6.0, 60.0),
            "step_cents": (20.0, 600.0),
            "dip_db": (3.0, 40.0),
            "shortest_note_s": (0.040, 10.0),
            "shortest_slurred_s": (0.040, 10.0),
        }
        for name, (low, high) in limits.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise RecordingError(f"listening setting {name} is {value}; give a value from {low:g} to {high:g}.")
        if self.highest_hz < 2.0 * self.lowest_hz:
            raise RecordingError(
                f"listening settings: highest_hz {self.highest_hz:g} is less than an octave above lowest_hz"
                f" {self.lowest_hz:g}. Widen the range."
            )


@dataclass(frozen=True)
class HeardNote:
    """One note as heard.

    Parameters
    ----------
    onset_s, offset_s : float
        Start and end in seconds from the start of the recording: 20 dB under the note's middle level, or the
        place where the pitch changes in a slur.
    frequency_hz : float
        Mean frequency of the steady part.
    frequency_uncertainty_hz : float
        Its standard uncertainty (one sigma) from noise and wander, relative to the recorder's clock.
    drift_cents_per_s : float
        Steady change of pitch; positive when it rises.
    steadiness_cents : float
        Standard deviation of the pitch of 80 ms stretches about the drift; not a number for notes under 0.3
        s.
    level_db : float
        Level of the harmonics; 0 dB is a sine of full scale.
    harmonic_to_noise_db : float
        Power of the first harmonics (up to 8) against the noise between them, over the same range of
        frequency.
    harmonic_levels_db : tuple of 6 float
        Level of harmonics 1 to 6, less noise; 0 dB is a sine of full scale. One that is lost in noise is
        given with the level of the noise; one above 0.45 of the sample rate is not a number.
    """

    onset_s: float
    offset_s: float
    frequency_hz: float
    frequency_uncertainty_hz: float
    drift_cents_per_s: float
    steadiness_cents: float
    level_db: float
    harmonic_to_noise_db: float
    harmonic_levels_db: tuple[float, ...]


@dataclass(frozen=True)
class Hearing:
    """All notes heard in a recording, in order of time, and what should be known about it."""

    notes: tuple[HeardNote, ...]
    warnings: tuple[str, ...]


def find_notes(sound: Sound, track: PitchTrack, settings: ListeningSettings, *, with_hum: bool) -> Hearing:
    """Find the notes in the sound of one instrument that plays one note at a time.

    Parameters
    ----------
    sound : Sound
        At a rate from `thin_out`.
    track : PitchTrack
        Its pitch every 10 ms.
    settings : ListeningSettings
        What counts as a note.
    with_hum : bool
        Whether mains hum was passed over, to say so where nothing is heard.

    Returns
    -------
    Hearing
        Where no note was heard a warning says why.
    """
    found = [note for some in notes_by_steps(sound, track, settings) for note in some]
    notes, remarks = settled(found)
    if not found:
        remarks.append(_why_nothing(sound, track, settings, with_hum=with_hum))
    return Hearing(notes, tuple(remarks))


def check_rate(rate_hz: float, settings: ListeningSettings) -> None:
    """Refuse a sample rate that is too low for the range of pitches.

    Raises
    ------
    RecordingError
        It is under five times the lowest pitch.
    """
    if settings.lowest_hz > 0.2 * rate_hz:
        raise RecordingError(
            f"{rate_hz:g} samples a second are too few for notes from {settings.lowest_hz:g} Hz"
            " upwards. Record at 44100 or 48000."
        )


def notes_by_steps(sound: Sound, track: PitchTrack, settings: ListeningSettings) -> Iterator[list[HeardNote]]:
    """Yield one note after the other, some of them of no steady pitch; see `settled`.

    Parameters
    ----------
    sound, track, settings
        As for `find_notes`.

    Yields
    ------
    list of HeardNote
        The next note in order of time, or nothing: each step takes a millisecond or two.
    """
    sounding = sounding_frames(track.level_db, track.clarity_db, clear_db=settings.clear_db, frames_per_s=1.0 / HOP_S)
    stretches = split_by_pitch(
        track.pitch_hz,
        sounding,
        step_cents=settings.step_cents,
        shortest_frames=math.ceil(settings.shortest_slurred_s / HOP_S),
    )
    # A stretch of frames is at most a window longer than the sound; half of the shortest note is surely too
    # short.
    stretches = [s for s in stretches if (s.last - s.first + 1) * HOP_S >= 0.5 * settings.shortest_note_s]
    low_s = 0.0
    for index, stretch in enumerate(stretches):
        if index == 0 or not _slurred(stretches[index - 1], stretch):
            before_s = float(track.times_s[stretches[index - 1].last]) if index else -math.inf
            first_s = float(track.times_s[stretch.first])
            low_s = max(first_s - _EDGE_REACH_S, 0.5 * (first_s + before_s), 0.0)
        following = stretches[index + 1] if index + 1 < len(stretches) else None
        if following is not None and _slurred(stretch, following):
            high_s = _slur_s(sound, track, stretch, following)
        else:
            after_s = float(track.times_s[following.first]) if following is not None else math.inf
            last_s = float(track.times_s[stretch.last])
            high_s = min(last_s + _EDGE_REACH_S, 0.5 * (last_s + after_s), len(sound) / sound.rate_hz)
        yield from _notes_in(sound, track, stretch, low_s, high_s, settings)
        low_s = high_s


def _slurred(one: Stretch, two: Stretch) -> bool:
    return one.joined_after and two.joined_before and one.last + 1 == two.first


def settled(found: list[HeardNote]) -> tuple[tuple[HeardNote, ...], list[str]]:
    """Return the notes that stand, of all in order of time, and what to say of the others."""
    steady = [n for n in found if n.frequency_uncertainty_hz < _WIDEST_CENTS * _CENT * n.frequency_hz]
    remarks = []
    if len(steady) < len(found):
        places = ", ".join(f"{n.onset_s:.2f}" for n in found if n not in steady)
        remarks.append(f"sounds without a steady pitch were left out (at {_shortened(places)} s)")
    return tuple(_without_start_and_end_sounds(steady)), remarks


def _why_nothing(sound: Sound, track: PitchTrack, settings: ListeningSettings, *, with_hum: bool) -> str:
    if float(np.std(sound.samples)) < 1e-5:
        return "no notes heard: the recording is silent. Check the microphone and its level."
    best = float(track.clarity_db.max())
    hum = " (mains hum is there and was passed over)" if with_hum else ""
    if best < settings.clear_db:
        return (
            f"no notes heard: only noise{hum}; nothing between {settings.lowest_hz:g} and"
            f" {settings.highest_hz:g} Hz stands {settings.clear_db:g} dB above it (best: {best:.0f} dB)."
            " Record nearer to the instrument."
        )
    return (
        f"no notes heard: no tone{hum} lasts {1e3 * settings.shortest_note_s:.0f} ms between"
        f" {settings.lowest_hz:g} and {settings.highest_hz:g} Hz. Play longer notes."
    )


def _shortened(places: str) -> str:
    return places if len(places) < 80 else places[:80].rsplit(",", 1)[0] + " ..."


def _without_start_and_end_sounds(notes: list[HeardNote]) -> list[HeardNote]:
    """Leave out short faint sounds that touch a much louder note."""
    kept = []
    for i, note in enumerate(notes):
        touching = []
        if i > 0 and note.onset_s - notes[i - 1].offset_s < _BREATH_SOUND_GAP_S:
            touching.append(notes[i - 1].level_db)
        if i + 1 < len(notes) and notes[i + 1].onset_s - note.offset_s < _BREATH_SOUND_GAP_S:
            touching.append(notes[i + 1].level_db)
        short = note.offset_s - note.onset_s < _BREATH_SOUND_S
        if short and touching and note.level_db < max(touching) - _BREATH_SOUND_DB:
            continue
        kept.append(note)
    return kept


def _slur_s(sound: Sound, track: PitchTrack, one: Stretch, two: Stretch) -> float:
    """Return when one pitch gives way to the next; frames tell it to half a window only."""
    near_s = float(track.times_s[two.first]) - 0.5 * HOP_S
    frames = min(_SLUR_FRAMES, (one.last - one.first + 1) // 2, (two.last - two.first + 1) // 2)
    # The frames next to the change hold something of both pitches.
    before = track.pitch_hz[max(one.first, one.last + 1 - _SETTLED_FRAMES) : max(one.last - 2, one.first + 1)]
    after = track.pitch_hz[min(two.first + 3, two.last) : min(two.first + _SETTLED_FRAMES, two.last + 1)]
    found = change_s(
        sound,
        near_s=near_s,
        reach_s=frames * HOP_S,
        before_hz=median(before),
        after_hz=median(after),
    )
    return near_s if found is None else found


def _notes_in(
    sound: Sound,
    track: PitchTrack,
    stretch: Stretch,
    low_s: float,
    high_s: float,
    settings: ListeningSettings,
) -> Iterator[list[HeardNote]]:
    """Cut one stretch of pitch at dips of the level and measure each piece; yield the note or nothing."""
    frames = slice(stretch.first, stretch.last + 1)
    times, hz = track.times_s[frames], track.pitch_hz[frames]
    if len(hz) >= 8:  # frames at the ends see only part of the note
        times, hz = times[2:-2], hz[2:-2]
    hz = running_median(hz, 5)

    at_s, size = _envelope(sound, low_s, high_s, times, hz)
    if len(at_s) < 4:
        return
    # Background in the envelope: the frames' floor, seen through the shorter window by three harmonics.
    floor = 10.0 ** (median(track.floor_db[frames]) / 10.0) * 3.0 * 0.0427 / _ENVELOPE_S
    faint = math.sqrt(6.0 * floor)
    level_db = 20.0 * np.log10(np.maximum(size, max(faint, 1e-7)))
    dips = level_dips(level_db, depth_db=settings.dip_db, reach=round(0.08 / _ENVELOPE_HOP_S))
    for onset, offset in _pieces(at_s, size, level_db, faint, dips, stretch, settings):
        note = _measure(sound, onset, offset, times, hz)
        yield [] if note is None else [note]


def _pieces(
    at_s: FloatArray,
    size: FloatArray,
    level_db: FloatArray,
    faint: float,
    dips: list[int],
    stretch: Stretch,
    settings: ListeningSettings,
) -> list[tuple[float, float]]:
    """Return start and end of what lies between the dips of a stretch.

    What is too short to be a note belongs to the note beyond the shallower of the dips round it if the sound goes on
    through that, less than 20 dB under its loudest; else it is left out.
    """
    dips = list(dips)
    while True:
        edges = [0, *dips, len(at_s) - 1]
        short = None
        found = []
        for i, (a, b) in enumerate(pairwise(edges)):
            limits = _edges(at_s[a : b + 1], size[a : b + 1], faint)
            slurred = (i == 0 and stretch.joined_before) or (i == len(edges) - 2 and stretch.joined_after)
            shortest = settings.shortest_slurred_s if slurred else settings.shortest_note_s
            if limits is not None and limits[1] - limits[0] > shortest - _RAMPS_S:
                found.append(limits)
            elif limits is not None:
                through = float(level_db[a : b + 1].max()) - _THROUGH_DB
                beside = [k for k in (i - 1, i) if 0 <= k < len(dips) and level_db[dips[k]] > through]
                short = max(beside, key=lambda k: level_db[dips[k]], default=short)
        if short is None:
            return found
        del dips[short]


def _envelope(
    sound: Sound, low_s: float, high_s: float, times: FloatArray, hz: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return times and the amplitude of the first three harmonics together, about every 5 ms."""
    middle_hz, rate_hz = median(hz), sound.rate_hz
    length = round(max(_ENVELOPE_S, _ENVELOPE_PERIODS / middle_hz) * rate_hz) // 2 * 2
    window = hann(length)
    hop = round(_ENVELOPE_HOP_S * rate_hz)
    starts = np.arange(round(low_s * rate_hz), round(high_s * rate_hz) + 1, hop) - length // 2
    if len(starts) < 2:
        return np.empty(0), np.empty(0)
    centres = (starts + length // 2) / rate_hz
    centres[-1] = high_s  # less than a hop away; what goes on to the end of the piece ends there
    count = max(1, min(3, int(0.45 * rate_hz / middle_hz)))
    pitch = np.interp(centres, times, hz)
    # Single precision is plenty for a level.
    first, last = max(int(starts[0]), 0), min(int(starts[-1]) + length, len(sound))
    piece = sound.samples[first:last].astype(np.float32)
    z = demodulate(piece, rate_hz, starts - first, window, pitch, count=count, group_cents=_ENVELOPE_GROUP_CENTS)
    return centres, np.sqrt(np.sum(np.square(np.abs(z)), axis=1))


def _edges(at_s: FloatArray, size: FloatArray, faint: float) -> tuple[float, float] | None:
    """Return the start and end of the sound within a piece of envelope."""
    if len(size) < 2 or size.max() <= 0.0:
        return None
    loud = size[size > 0.3 * size.max()]
    threshold = max(_EDGE_PART * median(loud), faint)
    there = np.flatnonzero(size >= threshold)
    if len(there) < 2:
        return None
    first, last = int(there[0]), int(there[-1])
    onset, offset = float(at_s[first]), float(at_s[last])
    hop_s = float(at_s[1] - at_s[0])
    if first > 0:
        onset -= hop_s * _part(size[first], size[first - 1], threshold)
    if last < len(size) - 1:
        offset += hop_s * _part(size[last], size[last + 1], threshold)
    return max(onset, 0.0), offset


def _part(inside: float, outside: float, threshold: float) -> float:
    """Return how far from `inside` to `outside` the threshold is crossed (0 to 1)."""
    return float(np.clip((inside - threshold) / max(inside - outside, 1e-300), 0.0, 1.0))


def _measure(sound: Sound, onset: float, offset: float, times: FloatArray, hz: FloatArray) -> HeardNote | None:
    """Measure one note between its edges."""
    guard = min(_GUARD_S, 0.15 * (offset - onset))
    partials = measure_partials(sound, start_s=onset + guard, end_s=offset - guard, track_times_s=times, track_hz=hz)
    steady = _steady_part(partials)
    fit = fit_tone(steady) if steady is not None else None
    if fit is None:
        return None
    return _note(onset, offset, partials, fit)


def _steady_part(partials: Partials) -> Partials | None:
    """Leave out faint blocks at the ends, where the phase is not that of the steady note; None where all is silent.

    Nothing sounds between the edges of a note when they belong to two bursts with samples of 0 between them.
    """
    power = np.sum(np.square(np.abs(partials.amplitudes)), axis=1)
    loud = np.flatnonzero(power > 0.01 * median(power))
    if len(loud) == 0:
        return None
    part = slice(int(loud[0]), int(loud[-1]) + 1)
    return Partials(
        partials.times_s[part],
        partials.hop_s,
        partials.block_s,
        partials.pitch_hz[part],
        partials.amplitudes[part],
        partials.noise_power,
        partials.noise_density,
    )


def _note(onset: float, offset: float, partials: Partials, fit: ToneFit) -> HeardNote:
    power = np.mean(np.square(np.abs(partials.amplitudes)), axis=0)
    signal = np.maximum(power - partials.noise_power, partials.noise_power / math.sqrt(len(partials.times_s)))
    levels = 10.0 * np.log10(np.maximum(signal, 1e-20))
    clean = np.maximum(power - partials.noise_power, 0.0)
    # Half the square of the amplitude is the power of a sine.
    noise = float(np.sum(partials.noise_density)) * fit.frequency_hz
    total = max(float(np.sum(clean)), 1e-20)
    return HeardNote(
        onset_s=onset,
        offset_s=offset,
        frequency_hz=fit.frequency_hz,
        frequency_uncertainty_hz=fit.frequency_uncertainty_hz,
        drift_cents_per_s=fit.drift_hz_per_s / (_CENT * fit.frequency_hz),
        steadiness_cents=fit.steadiness_cents,
        level_db=10.0 * math.log10(total),
        harmonic_to_noise_db=10.0 * math.log10(0.5 * total / max(noise, 1e-20)),
        harmonic_levels_db=tuple(float(levels[k]) if k < len(levels) else math.nan for k in range(_LEVELS)),
    )
