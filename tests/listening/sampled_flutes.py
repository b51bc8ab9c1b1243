"""Scales on sampled flutes: rendered from a General MIDI sound font, with every second note also by itself.

The synthesiser adds its voices up, so the scale is the sum of two renderings, one of its even and one of its odd
notes; in each of those a note dies away before the next begins, and shows when it really starts.

Sound: the font FluidR3 (Debian package fluid-soundfont-gm), without reverberation and chorus.
"""

import shutil
import struct
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import fftconvolve

FONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
PACKAGES = ("fluidsynth", "fluid-soundfont-gm")
RATE_HZ = 44_100
#: General MIDI programs, counted from 0.
PRESETS = {"flute": 73, "recorder": 74, "pan flute": 75, "whistle": 78, "ocarina": 79}
#: D5 to D7: two octaves of D major, as MIDI keys.
SCALE = (*tuple(74 + 12 * octave + step for octave in (0, 1) for step in (0, 2, 4, 5, 7, 9, 11)), 98)
#: Highest key that the font has sound for, where that is under D7.
HIGHEST_KEYS = {"recorder": 97}
#: How long a note is held of the half second from each to the next.
HELD_S = {"tongued": 0.40, "legato": 0.50}
FIRST_S, STEP_S = 0.5, 0.5


@dataclass(frozen=True, eq=False)
class Scale:
    """A rendered scale: the whole, its even and odd notes apart; keys, and start and end of each note in the score."""

    whole: np.ndarray
    parts: tuple[np.ndarray, np.ndarray]
    keys: tuple[int, ...]
    starts_s: np.ndarray
    ends_s: np.ndarray

    @property
    def score_hz(self):
        """Pitch of each note in the score in Hz, equal temperament at A4 = 440 Hz."""
        return 440.0 * 2.0 ** ((np.array(self.keys) - 69) / 12.0)


def keys_of(preset):
    """Return the scale as far as the font has sound for it."""
    return tuple(key for key in SCALE if key <= HIGHEST_KEYS.get(preset, SCALE[-1]))


def need_synthesiser():
    """Say what to install, and fail, where the synthesiser or the sound font is missing."""
    if not (shutil.which("fluidsynth") and FONT.exists()):
        raise RuntimeError(
            f"fluidsynth or {FONT} is missing: run ./setup.sh dev, or install these packages: {' '.join(PACKAGES)}"
        )


def render_scale(preset, held, *, keys=SCALE):
    """Render a scale of one preset, tongued or legato."""
    starts = FIRST_S + STEP_S * np.arange(len(keys))
    ends = starts + HELD_S[held]
    notes = list(zip(keys, starts, ends, strict=True))
    last_s = float(ends[-1]) + 1.0
    parts = tuple(_render(PRESETS[preset], notes[first::2], last_s) for first in (0, 1))
    return Scale(parts[0] + parts[1], parts, tuple(keys), starts, ends)


def _render(program, notes, last_s):
    with tempfile.TemporaryDirectory() as folder:
        score, sound = Path(folder, "score.mid"), Path(folder, "sound.wav")
        score.write_bytes(midi_file(program, notes, last_s))
        words = ["-ni", "-q", "-R", "0", "-C", "0", "-g", "0.4", "-O", "s24", "-T", "wav"]
        words += ["-r", str(RATE_HZ), "-F", str(sound), str(FONT), str(score)]
        subprocess.run(["fluidsynth", *words], check=True, capture_output=True, timeout=600)
        samples, rate_hz = soundfile.read(sound, always_2d=True)
    assert rate_hz == RATE_HZ
    mixed = np.zeros(round(last_s * RATE_HZ))
    mono = samples.mean(axis=1)[: len(mixed)]
    mixed[: len(mono)] = mono
    return mixed


def midi_file(program, notes, last_s):
    """Return a MIDI file of one channel, in ticks of a millisecond; notes are (key, start in s, end in s)."""
    events = [(0, 0, bytes([0xC0, program]))]
    for key, start, end in notes:
        events.append((round(1000 * start), 2, bytes([0x90, key, 100])))
        events.append((round(1000 * end), 1, bytes([0x80, key, 64])))
    events.append((0, 0, b"\xff\x51\x03" + (1_000_000).to_bytes(3, "big")))  # a quarter note a second
    events.append((round(1000 * last_s), 3, b"\xff\x2f\x00"))
    track, now = b"", 0
    for tick, _, message in sorted(events):
        track += _variable(tick - now) + message
        now = tick
    return b"MThd" + struct.pack(">IHHH", 6, 0, 1, 1000) + b"MTrk" + struct.pack(">I", len(track)) + track


def _variable(number):
    out = [number & 127]
    while number := number >> 7:
        out.append(128 | (number & 127))
    return bytes(reversed(out))


def tone_levels(samples, pitch_hz):
    """Return the level of a tone's first three partials at every sample, through a Hann window of 20 ms.

    Unlike the level of the whole sound it leaves out the breath that comes before the tone.
    """
    width = round(0.020 * RATE_HZ)
    window = np.hanning(width + 2)[1:-1]
    window *= 2.0 / window.sum()
    t = np.arange(len(samples)) / RATE_HZ
    turning = (samples * np.exp(-2j * np.pi * order * pitch_hz * t) for order in (1, 2, 3))
    return np.sqrt(sum(np.abs(fftconvolve(z, window, mode="same")) ** 2 for z in turning))


def levels_apart(scale, index, *, beyond_s=0.0):
    """Return the levels of note `index` and of the note before it, apart from each other, and the time of the first.

    They reach from 20 ms before the note's start in the score to `beyond_s` after its end.
    """
    first = round((scale.starts_s[index] - 0.02) * RATE_HZ)
    last = round((scale.ends_s[index] + beyond_s) * RATE_HZ)
    edge = round(0.02 * RATE_HZ)
    around = slice(first - edge, last + edge)
    own = tone_levels(scale.parts[index % 2][around], scale.score_hz[index])[edge:-edge]
    before = np.zeros(len(own))
    if index:
        before = tone_levels(scale.parts[1 - index % 2][around], scale.score_hz[index - 1])[edge:-edge]
    return own, before, first / RATE_HZ


def true_onsets(scale):
    """Return when each note really starts in s, read from the renderings of its own and of the other notes.

    That is when the level of its tone has come within 20 dB of its own middle level and above that of the note
    before, which may still be dying away.
    """
    onsets = []
    for index in range(len(scale.keys)):
        own, before, first_s = levels_apart(scale, index)
        there = (own > 0.1 * np.median(own[own > 0.3 * own.max()])) & (own > before)
        onsets.append(first_s + int(np.argmax(there)) / RATE_HZ)
    return np.array(onsets)


def spectral_pitch_hz(samples, near_hz):
    """Return the top of the line within a semitone of `near_hz`: long transform, parabola through the logarithm."""
    count = len(samples)
    x = 2 * np.pi * (np.arange(count) + 0.5) / count
    window = 0.42 - 0.5 * np.cos(x) + 0.08 * np.cos(2 * x)
    length = 1 << (8 * count - 1).bit_length()
    power = np.abs(np.fft.rfft(samples * window, length)) ** 2
    low, high = (round(near_hz * 2 ** (s / 12) * length / RATE_HZ) for s in (-1, 1))
    top = low + int(np.argmax(power[low:high]))
    left, middle, right = np.log(power[top - 1 : top + 2])
    return (top + 0.5 * (left - right) / (left - 2 * middle + right)) * RATE_HZ / length
