"""How each note begins and what its tone is made of: rise, chiff, glide, vibrato, partials, hiss.

Everything is read from the sound round one heard note, in three sets of windows: short ones of about three periods for
the start, longer ones (some 21 ms) that follow the pitch of the steady part, and long ones (80 ms) for the noise
between the harmonics.

| symbol | meaning |
|---|---|
| z | complex amplitude of a partial in one window, relative to full scale |
| order | frequency as a multiple of the note's own |
| full amplitude | root of the summed squares of the partials, its median over 0.1 to 0.6 s after the onset |
| gap | frequencies between two neighbouring harmonics, clear of both |

Noise means sound in the gaps, taken over 354 Hz to 22.6 kHz (the octaves of 500 Hz to 16 kHz) or to 0.48 of the sample
rate. What stands there apart from noise, such as the clicks of a tone that begins within a period or two, is counted
with it.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fluewright.arrays import BoolArray, ComplexArray, Float32Array, FloatArray, IntArray
from fluewright.errors import RecordingError
from fluewright.listening.medians import column_medians, median
from fluewright.listening.notes import HeardNote, Hearing
from fluewright.listening.partials import demodulate
from fluewright.listening.recordings import Recording
from fluewright.listening.spectra import thin_out
from fluewright.units import CENTS_PER_RELATIVE

__all__ = ["HISS_BANDS_HZ", "NoteTone", "Vibrato", "note_tones"]

SoundArray = NDArray[np.float32]

#: Centres of the octave bands in which noise is told.
HISS_BANDS_HZ = (500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
_LOWEST_NOISE_HZ = HISS_BANDS_HZ[0] / math.sqrt(2.0)
_HIGHEST_NOISE_HZ = HISS_BANDS_HZ[-1] * math.sqrt(2.0)
_HIGHEST_NOISE_PART = 0.48

_HARMONICS = 12
_SLURRED_S = 0.015
_CENT = 1.0 / CENTS_PER_RELATIVE

# The start: windows of three periods keep neighbouring harmonics apart.
_START_HOP_S = 0.002
_START_WINDOW_S = 0.005
_START_PERIODS = 3.0
_START_BEFORE_S = 0.080
_START_AFTER_S = 0.600
_START_ORDERS = 6
_PITCH_ORDERS = 4
_FULL_S = (0.100, 0.600)
# A Hann window turns a step into a rise of this part of its length, 10 % to 90 %.
_HANN_RISE = 0.4779
_STABLE_S = 0.010
_STABLE_CENTS = 60.0
_SETTLED_CENTS = 10.0
_SETTLED_S = 0.030
_FIRST_LEAST_S = 0.010

# Bursts of noise: windows that leave a gap between harmonics, whose side lobes are 58 dB down.
_BURST_HOP_S = 0.005
_BURST_WINDOW_S = 0.010
_BURST_PERIODS = 7.0
_BURST_LOBE = 2.9
_BURST_BEFORE_S = 0.150
_BURST_AFTER_S = 0.450
_BURST_LATEST_S = 0.250
_BURST_BANDS_HZ = (_LOWEST_NOISE_HZ, 2828.4, 5656.9, 11313.7, _HIGHEST_NOISE_HZ)
_BURST_CLIP = 12.0
_BURST_END = 0.25
_BURST_SMOOTH = (0.25, 0.5, 0.25)
_BURST_CHANCE = 5.0
_BURST_REFERENCE_S = 0.100

# The steady part.
_BLOCK_S = 0.0213
_BLOCK_PERIODS = 5.0
_NOISE_S = 0.080
_NOISE_PERIODS = 10.0
_NOISE_LOBE = 4.0
_LINE_WINDOWS = 8
_LINE_SCATTER = 0.3
_LINE_CLIP = 100.0
_STRETCH_S = 0.080

_VIBRATO_HZ = (2.5, 10.0)
_VIBRATO_PIECE_S = 1.6
_VIBRATO_TURNS = 2.5
_VIBRATO_LEAST_CENTS = 3.0
_VIBRATO_SHARE = 0.60
_VIBRATO_SHARE_ALONE = 0.75
_TREND_HZ = 1.2


@dataclass(frozen=True)
class Vibrato:
    """A regular swing of the pitch.

    Parameters
    ----------
    rate_hz : float
        Swings a second.
    extent_cents : float
        Largest deviation to either side of the mean (half of the whole swing).
    """

    rate_hz: float
    extent_cents: float


@dataclass(frozen=True)
class NoteTone:
    """Start and tone of one heard note. What cannot be told is not a number.

    Parameters
    ----------
    note : HeardNote
        The note itself.
    slurred : bool
        Whether it follows the note before without a break; rise and chiff are not told then.
    rise_s : float
        Time from 10 % to 90 % of the full amplitude of the harmonics.
    chiff_db : float
        Energy of the burst of noise before and at the onset, beyond the noise that goes with the tone, relative to
        that of 0.1 s of the steady tone. Not a number where no burst stands out.
    chiff_s : float
        How long the burst stays within 6 dB of its top; 0 where there is none.
    glide_cents : float
        Pitch over the first 10 ms of stable phase against the steady pitch; negative when it comes from below.
    settle_s : float
        Time from the onset until the pitch is, and for 30 ms stays, within 10 cents of the steady pitch (and the
        extent of a vibrato).
    first_order : int
        Which partial sounds before the others have their share: 2 to 6 where a higher register speaks before the
        fundamental, else 1.
    first_s : float
        For how long it leads; 0 where none does.
    steadiness_cents, steadiness_db : float
        Standard deviation of pitch and level over stretches of 80 ms, drift and vibrato (of the pitch) left out.
    harmonic_levels_db : tuple of 12 float
        Level of harmonics 1 to 12, less noise; 0 dB is a sine of full scale. Lost ones stand at the level of the
        noise, those above 0.45 of the sample rate are not a number.
    harmonic_to_noise_db : float
        Power of the harmonics against all noise from 354 Hz to 22.6 kHz.
    harmonic_to_noise_bands_db : tuple of 6 float
        The same within each octave of `HISS_BANDS_HZ`, no lower than -10; not a number where no harmonic lies in it.
    hiss_bands_db : tuple of 6 float
        Noise in each octave against the whole tone; not a number where the sample rate does not reach three quarters
        of the octave.
    vibrato : Vibrato or None
        None where the pitch does not swing regularly, or the note is too short to tell.
    inharmonicity_cents : tuple of 12 float
        How far each partial lies from its multiple of the fundamental; positive when sharp. The strongest low partial
        is the measure and lies at 0. A partial more than some 90 Hz away is not found.
    inharmonicity_uncertainty_cents : tuple of 12 float
        Standard uncertainty of each.
    """

    note: HeardNote
    slurred: bool
    rise_s: float
    chiff_db: float
    chiff_s: float
    glide_cents: float
    settle_s: float
    first_order: int
    first_s: float
    steadiness_cents: float
    steadiness_db: float
    harmonic_levels_db: tuple[float, ...]
    harmonic_to_noise_db: float
    harmonic_to_noise_bands_db: tuple[float, ...]
    hiss_bands_db: tuple[float, ...]
    vibrato: Vibrato | None
    inharmonicity_cents: tuple[float, ...]
    inharmonicity_uncertainty_cents: tuple[float, ...]


def note_tones(recording: Recording, hearing: Hearing) -> tuple[NoteTone, ...]:
    """Measure the start and the tone of every note heard in a recording.

    Parameters
    ----------
    recording : Recording
        The sound that was heard.
    hearing : Hearing
        Its notes, from `hear_notes`.

    Returns
    -------
    tuple of NoteTone
        One for each note, in their order.

    Raises
    ------
    RecordingError
        A note lies outside the recording.
    """
    if not hearing.notes:
        return ()
    last_s = hearing.notes[-1].offset_s
    if last_s > recording.duration_s + 0.1:
        raise RecordingError(
            f"a note ends at {last_s:.2f} s in a recording of {recording.duration_s:.2f} s: it was heard in another"
            " recording. Hear this one first."
        )
    thinned, rate_hz = thin_out(recording.samples, recording.rate_hz)
    # Single precision is 140 dB deep: enough for all that microphones hear.
    samples = thinned.astype(np.float32)
    tones = []
    before_s = -math.inf
    for note in hearing.notes:
        tones.append(_tone_of(samples, rate_hz, note, before_s))
        before_s = note.offset_s
    return tuple(tones)


def _tone_of(samples: SoundArray, rate_hz: float, note: HeardNote, before_s: float) -> NoteTone:
    slurred = note.onset_s - before_s < _SLURRED_S
    steady = _steady_tone(samples, rate_hz, note)
    burst = _burst_noise(samples, rate_hz, note, before_s)
    start = _note_start(samples, rate_hz, note, burst, steady, before_s, slurred=slurred)
    chiff_db, chiff_s = (math.nan, math.nan) if slurred else _chiff(burst, start, note, steady)
    first_order, first_s = (1, 0.0) if slurred else _first_order(start)
    return NoteTone(
        note=note,
        slurred=slurred,
        rise_s=math.nan if slurred else start.rise_s,
        chiff_db=chiff_db,
        chiff_s=chiff_s,
        glide_cents=start.glide_cents,
        settle_s=start.settle_s,
        first_order=first_order,
        first_s=first_s,
        steadiness_cents=steady.steadiness_cents,
        steadiness_db=steady.steadiness_db,
        harmonic_levels_db=_padded(steady.levels_db),
        harmonic_to_noise_db=steady.harmonic_to_noise_db,
        harmonic_to_noise_bands_db=steady.harmonic_to_noise_bands_db,
        hiss_bands_db=steady.hiss_bands_db,
        vibrato=steady.vibrato,
        inharmonicity_cents=_padded(steady.inharmonicity_cents),
        inharmonicity_uncertainty_cents=_padded(steady.inharmonicity_uncertainty_cents),
    )


def _padded(values: FloatArray) -> tuple[float, ...]:
    return (*values.tolist(), *([math.nan] * (_HARMONICS - len(values))))


@lru_cache(maxsize=64)
def _window(kind: str, length: int) -> FloatArray:
    x = 2.0 * np.pi * (np.arange(length) + 0.5) / length
    if kind == "hann":
        window = 0.5 - 0.5 * np.cos(x)
    elif kind == "blackman":
        window = 0.42 - 0.5 * np.cos(x) + 0.08 * np.cos(2.0 * x)
    else:  # four terms, side lobes 92 dB down
        window = 0.35875 - 0.48829 * np.cos(x) + 0.14128 * np.cos(2.0 * x) - 0.01168 * np.cos(3.0 * x)
    window.flags.writeable = False
    return np.asarray(window, dtype=np.float64)


def _power_spectra(
    samples: SoundArray, starts: IntArray, window: FloatArray, rate_hz: float
) -> tuple[Float32Array, float]:
    """Return one-sided power densities of windows, shape (windows, bins), and the width of a bin in Hz.

    The transform is as long as the window: neighbouring bins are then nearly independent.
    """
    from scipy.fft import rfft

    length = len(window)
    base, top = int(starts[0]), int(starts[-1]) + length
    if base < 0 or top > len(samples):
        piece = np.zeros(top - base, dtype=np.float32)
        inside = samples[max(base, 0) : min(top, len(samples))]
        piece[max(-base, 0) : max(-base, 0) + len(inside)] = inside
    else:
        piece = samples[base:top]
    frames = np.lib.stride_tricks.sliding_window_view(piece, length)[starts - base]
    scaled = window * math.sqrt(2.0 / (rate_hz * float(np.sum(window**2))))
    spectra = rfft(frames * scaled.astype(np.float32), axis=1)
    return np.square(spectra.real) + np.square(spectra.imag), rate_hz / length


def _window_gain(window: FloatArray, rate_hz: float) -> float:
    """Return the mean of |z|**2 that noise of the one-sided density 1 gives."""
    return 2.0 * rate_hz * float(np.sum(window**2)) / float(window.sum()) ** 2


def _good_length(seconds: float, rate_hz: float) -> int:
    from scipy.fft import next_fast_len

    return int(next_fast_len(max(16, math.ceil(seconds * rate_hz / 2.0)), real=True)) * 2


# --- the steady part -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Steady:
    lead: int  # order of the partial that pitch is read from
    power: float  # of all harmonics, full scale squared
    noise_power: float
    levels_db: FloatArray
    harmonic_to_noise_db: float
    harmonic_to_noise_bands_db: tuple[float, ...]
    hiss_bands_db: tuple[float, ...]
    vibrato: Vibrato | None
    steadiness_cents: float
    steadiness_db: float
    inharmonicity_cents: FloatArray
    inharmonicity_uncertainty_cents: FloatArray


def _steady_tone(samples: SoundArray, rate_hz: float, note: HeardNote) -> _Steady:
    """Measure the tone clear of its start and end."""
    duration, pitch_hz = note.offset_s - note.onset_s, note.frequency_hz
    first = max(round((note.onset_s + min(0.120, 0.3 * duration)) * rate_hz), 0)
    last = min(round((note.offset_s - min(0.050, 0.15 * duration)) * rate_hz), len(samples))
    length = round(max(_BLOCK_S, _BLOCK_PERIODS / pitch_hz) * rate_hz)
    length = max(16, min(length, (last - first) // 2)) // 4 * 4
    window = _window("hann", length)
    hop = length // 4
    starts = np.arange(first, max(first + 1, last - length + 1), hop)
    times = np.asarray((starts + 0.5 * (length - 1)) / rate_hz, dtype=np.float64)
    lead = _lead_order(note)

    # First the pitch, from low partials about one fixed frequency; then all partials along that pitch.
    count = max(1, min(_HARMONICS, int(0.45 * rate_hz / pitch_hz)))
    low = max(lead, min(2 if 2.0 * pitch_hz < 2500.0 else 1, count))
    z_low = demodulate(samples, rate_hz, starts, window, np.full(len(starts), pitch_hz), count=low)
    hop_s = hop / rate_hz
    strays_hz = _stray_hz(z_low, pitch_hz, hop_s, lead, np.ones(low))
    between = 0.5 * (times[1:] + times[:-1])
    cents = _to_cents(strays_hz, pitch_hz)
    track = np.full(len(times), pitch_hz)
    if len(between) >= 2:
        limited = np.clip(strays_hz, -0.12 * pitch_hz, 0.12 * pitch_hz)
        track = pitch_hz + np.interp(times, between, limited)
        if len(track) >= 5:
            track[1:-1] = (track[:-2] + track[1:-1] + track[2:]) / 3.0
    # A swing of under 6 cents (the width of a group) needs no following, and saves making kernels anew.
    if _CENT * pitch_hz * 6.0 > float(np.ptp(track)):
        track = np.full(len(times), float(np.mean(track)))
    some = slice(None, None, 2)
    z_all = demodulate(samples, rate_hz, starts, window, track, count=count)
    z = z_all[some]

    noise = _noise_density(samples, rate_hz, first, last, times, track, pitch_hz)
    orders = np.arange(1, count + 1)
    partials_hz = np.asarray(orders * pitch_hz, dtype=np.float64)
    in_window = _window_gain(window, rate_hz) * noise.density_at(partials_hz)
    size = np.square(np.abs(z))
    mean = size.mean(axis=0)
    clean = np.maximum(mean - in_window, 0.0)
    power = max(0.5 * float(clean.sum()), 1e-20)
    lost = in_window / math.sqrt(len(z))
    levels = 10.0 * np.log10(np.maximum(np.maximum(mean - in_window, lost), 1e-20))

    vibrato = _vibrato(cents, hop_s, length / rate_hz)
    inharmonicity, uncertainty = _inharmonicity(z_all, track, hop_s, lead, pitch_hz, in_window)
    floor = max(noise.total, 1e-20)
    return _Steady(
        lead=lead,
        power=power,
        noise_power=noise.total,
        levels_db=levels,
        harmonic_to_noise_db=10.0 * math.log10(power / floor),
        harmonic_to_noise_bands_db=noise.harmonic_bands_db(pitch_hz),
        hiss_bands_db=tuple(10.0 * math.log10(max(v, 1e-20) / power) if v >= 0.0 else math.nan for v in noise.bands),
        vibrato=vibrato,
        steadiness_cents=_steadiness(cents, hop_s, vibrato),
        steadiness_db=_steadiness(10.0 * np.log10(np.maximum(size.sum(axis=1), 1e-20)), 2.0 * hop_s, None),
        inharmonicity_cents=inharmonicity,
        inharmonicity_uncertainty_cents=uncertainty,
    )


def _lead_order(note: HeardNote) -> int:
    """Return the order of the partial that tells the pitch best: strong, and low enough to be followed."""
    best, lead = -math.inf, 1
    for k, level in enumerate(note.harmonic_levels_db[:3], 1):
        if k > 1 and k * note.frequency_hz > 2500.0:
            break
        # A fundamental within 12 dB is taken: higher partials lose their turns sooner.
        worth = level + (12.0 if k == 1 else 0.0)
        if math.isfinite(level) and worth > best:
            best, lead = worth, k
    return lead


def _stray_hz(z: ComplexArray, pitch_hz: float, hop_s: float, lead: int, noise: FloatArray) -> FloatArray:
    """Return how far the pitch lies from `pitch_hz` between successive windows, from all partials together.

    `noise` is the power of noise in each partial's window, shape (k,) or (windows, k): only ratios count.
    """
    count = z.shape[1]
    orders = np.arange(1, count + 1)
    turn = np.exp(-2j * np.pi * pitch_hz * hop_s * orders)
    step = z[1:] * np.conj(z[:-1]) * turn
    lead_phase = np.angle(step[:, lead - 1]) / lead
    if count == 1:
        return np.asarray(lead_phase / (2.0 * np.pi * hop_s), dtype=np.float64)
    left = np.angle(step * np.exp(-1j * lead_phase[:, None] * orders))
    weight = np.abs(step) / (0.5 * (noise[1:] + noise[:-1]) if noise.ndim == 2 else noise)
    # Partials whose phase strays far from the lead's are in noise.
    weight = np.where(np.abs(left) < 1.0, weight, 0.0)
    weight[:, lead - 1] += 1e-30
    phase = lead_phase + (weight * orders * left).sum(axis=1) / (weight * orders**2).sum(axis=1)
    return np.asarray(phase / (2.0 * np.pi * hop_s), dtype=np.float64)


def _to_cents(strays_hz: FloatArray, pitch_hz: float) -> FloatArray:
    return np.asarray(np.log1p(np.maximum(strays_hz / pitch_hz, -0.5)) / _CENT, dtype=np.float64)


def _steadiness(values: FloatArray, hop_s: float, vibrato: Vibrato | None) -> float:
    """Return the standard deviation over 80 ms stretches about a straight line, a vibrato taken out."""
    size = max(1, round(_STRETCH_S / hop_s))
    groups = len(values) // size
    if groups < 3:
        return math.nan
    values = values[: groups * size]
    if vibrato is not None:
        # Its phase and depth may change along the note: fitted anew in every piece of some turns.
        values = values.copy()
        piece = max(size, round(3.0 / (vibrato.rate_hz * hop_s)))
        t = np.arange(len(values)) * hop_s
        for start in range(0, len(values), piece):
            part = slice(start, len(values) if start + 2 * piece > len(values) else start + piece)
            angle = 2.0 * np.pi * vibrato.rate_hz * t[part]
            swing = np.stack([np.cos(angle), np.sin(angle), np.ones(len(angle))], axis=1)
            values[part] -= swing[:, :2] @ np.linalg.lstsq(swing, values[part], rcond=None)[0][:2]
            if part.stop == len(values):
                break
    means = values.reshape(groups, size).mean(axis=1)
    x = np.arange(groups) - 0.5 * (groups - 1)
    means -= means.mean()
    means -= x * float(x @ means) / float(x @ x)
    return math.sqrt(float(means @ means) / (groups - 2)) if groups > 2 else math.nan


def _inharmonicity(
    z: ComplexArray, track_hz: FloatArray, hop_s: float, lead: int, pitch_hz: float, noise: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return how far the partials lie from multiples of the lead's own fundamental, and the uncertainty, in cents."""
    rows, count = z.shape
    cents, uncertainty = np.full(count, np.nan), np.full(count, np.nan)
    if rows < 12:
        return cents, uncertainty
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (track_hz[1:] + track_hz[:-1]) * hop_s)])
    expected = 2.0 * np.pi * turns
    stray = np.unwrap(np.angle(z[:, lead - 1] * np.exp(-1j * lead * expected))) / lead
    orders = np.arange(1, count + 1)
    still = z * np.exp(-1j * (expected + stray)[:, None] * orders)
    clear = np.mean(np.square(np.abs(z)), axis=0) > 4.0 * noise
    clear[lead - 1] = True
    used = np.flatnonzero(clear)
    padded = 2 ** math.ceil(math.log2(4 * min(rows, 256)))
    # The place of each partial's line: top of a spectrum over the first seconds, then the slope of the phase left.
    size = np.square(np.abs(np.fft.fft(still[:256, used], n=padded, axis=0)))
    top = np.argmax(size, axis=0)
    top = np.where(top > padded // 2, top - padded, top)
    rough_hz = top / (padded * hop_s)
    # Every second window tells all; close ones were needed for lines far from their multiple.
    still = still[::2, used]
    rows, hop_s = len(still), 2.0 * hop_s
    t = (np.arange(rows) - 0.5 * (rows - 1)) * hop_s
    left = still * np.exp(-2j * np.pi * np.outer(t, rough_hz))
    left *= np.exp(-1j * np.angle(left.sum(axis=0)))
    weight = np.square(np.abs(left)) + 1e-30
    phase = np.unwrap(np.angle(left), axis=0)
    total = weight.sum(axis=0)
    middle = (weight * t[:, None]).sum(axis=0) / total
    x = t[:, None] - middle
    spread = (weight * x**2).sum(axis=0)
    phase = phase - (weight * phase).sum(axis=0) / total
    slope = (weight * x * phase).sum(axis=0) / spread
    residual = phase - x * slope
    # Scatter of the phase about the line, its memory from window to window counted (1/6 for noise in half-overlapping
    # Hann windows).
    scatter = (weight * residual**2).sum(axis=0) / total * rows / max(rows - 2, 1)
    lag = (residual[1:] * residual[:-1]).sum(axis=0) / np.maximum((residual**2).sum(axis=0), 1e-30)
    memory = np.clip(lag, 1.0 / 7.0, 0.95)
    slope_u = np.sqrt(scatter * (1.0 + memory) / (1.0 - memory) * (weight**2 * x**2).sum(axis=0)) / spread
    hz = rough_hz + slope / (2.0 * np.pi)
    scale = 1.0 / (_CENT * orders[used] * pitch_hz)
    cents[used] = hz * scale
    uncertainty[used] = np.hypot(slope_u / (2.0 * np.pi) * scale, 1e-3)
    cents[lead - 1] = 0.0
    return cents, uncertainty


@dataclass(frozen=True, eq=False)
class _Noise:
    """Noise in half octaves: density and what else the spectrum holds there."""

    edges_hz: FloatArray  # (halves + 1,)
    density: FloatArray  # (halves,), full scale squared per Hz; not a number beyond the sample rate
    all_power: FloatArray  # (halves,), harmonics included
    total: float
    bands: tuple[float, ...]  # noise power by octave; not a number where out of reach
    reach_hz: float

    def density_at(self, freqs_hz: FloatArray) -> FloatArray:
        place = np.clip(np.searchsorted(self.edges_hz, freqs_hz) - 1, 0, len(self.density) - 1)
        return np.asarray(np.nan_to_num(self.density)[place], dtype=np.float64)

    def harmonic_bands_db(self, pitch_hz: float) -> tuple[float, ...]:
        out = []
        for i, noise in enumerate(self.bands):
            low, high = float(self.edges_hz[2 * i]), min(float(self.edges_hz[2 * i + 2]), self.reach_hz)
            holds = math.floor(high / pitch_hz) * pitch_hz > low
            if not holds or not noise > 0.0:
                out.append(math.nan)
                continue
            ratio = float(np.nansum(self.all_power[2 * i : 2 * i + 2])) / noise - 1.0
            out.append(10.0 * math.log10(max(ratio, 0.1)))
        return tuple(out)


_HALF_EDGES_HZ: FloatArray = np.asarray(_LOWEST_NOISE_HZ * 2.0 ** (0.5 * np.arange(2 * len(HISS_BANDS_HZ) + 1)))


def _noise_density(
    samples: SoundArray,
    rate_hz: float,
    first: int,
    last: int,
    times: FloatArray,
    track_hz: FloatArray,
    pitch_hz: float,
) -> _Noise:
    """Read the noise between the harmonics of the steady part, half octave by half octave."""
    length = _good_length(max(_NOISE_S, _NOISE_PERIODS / pitch_hz), rate_hz)
    length = max(16, min(length, last - first)) // 2 * 2
    starts = np.arange(first, max(first + 1, last - length + 1), length // 2)
    powers, bin_hz = _power_spectra(samples, starts, _window("quiet", length), rate_hz)
    reach_hz = min(_HIGHEST_NOISE_HZ, _HIGHEST_NOISE_PART * rate_hz)
    low = math.ceil(_LOWEST_NOISE_HZ / bin_hz)
    freqs = np.asarray(np.arange(low, int(reach_hz / bin_hz) + 1) * bin_hz, dtype=np.float64)
    powers = powers[:, low : low + len(freqs)]
    mean = powers.mean(axis=0)

    # Clear of the harmonics by the window's main lobe, and by what the pitch moves within a window.
    centre = (starts + 0.5 * length) / rate_hz
    pitch = np.interp(centre, times, track_hz)
    if float(np.ptp(track_hz)) == 0.0:
        gap = _in_gap(freqs / float(pitch[0]), _NOISE_LOBE * bin_hz / pitch_hz, 0.0)
        counts = np.where(gap, len(starts), 0)
        clear_mean, clear_square = mean, np.square(powers).mean(axis=0)
    else:
        inside = round(0.5 * length / rate_hz / max(float(times[1] - times[0]), 1e-6)) if len(times) > 1 else 0
        place = np.clip(np.searchsorted(times, centre), 0, len(times) - 1)
        reach = np.array([0.5 * float(np.ptp(track_hz[max(i - inside, 0) : i + inside + 1])) for i in place])
        gaps = _in_gap(freqs / pitch[:, None], _NOISE_LOBE * bin_hz / pitch_hz, (reach / pitch)[:, None])
        counts = gaps.sum(axis=0)
        clear = np.where(gaps, powers, np.float32(0.0))
        clear_mean = clear.sum(axis=0) / np.maximum(counts, 1)
        clear_square = np.square(clear).sum(axis=0) / np.maximum(counts, 1)
    used = counts >= max(1, len(starts) // 3)
    if len(starts) >= _LINE_WINDOWS:
        # The power of noise scatters from window to window by as much as its mean, that of a strange line does not.
        used &= clear_square > (1.0 + _LINE_SCATTER) * np.square(clear_mean)
    density, all_power = np.full(len(_HALF_EDGES_HZ) - 1, np.nan), np.full(len(_HALF_EDGES_HZ) - 1, np.nan)
    places = np.searchsorted(freqs, _HALF_EDGES_HZ)
    for i in range(len(density)):
        part = slice(int(places[i]), int(places[i + 1]))
        if part.stop - part.start < 2:
            continue
        all_power[i] = float(mean[part].sum()) * bin_hz
        clear = clear_mean[part][used[part]].astype(np.float64)
        if len(clear) < 3:
            # No gap is left: high partials of a wide vibrato. What is lowest there is mostly noise.
            density[i] = float(np.quantile(mean[part], 0.25))
            continue
        # Noise has tops where the air column resonates: its mean counts, but no line that stands far out.
        density[i] = float(np.minimum(clear, _LINE_CLIP * median(clear)).mean())
    widths = np.clip(np.minimum(_HALF_EDGES_HZ[1:], reach_hz) - _HALF_EDGES_HZ[:-1], 0.0, None)
    noise = np.nan_to_num(density) * widths
    bands = []
    for i in range(len(HISS_BANDS_HZ)):
        whole = float(_HALF_EDGES_HZ[2 * i + 2] - _HALF_EDGES_HZ[2 * i])
        known = float(widths[2 * i : 2 * i + 2].sum()) >= 0.75 * whole
        bands.append(float(noise[2 * i : 2 * i + 2].sum()) if known else math.nan)
    return _Noise(_HALF_EDGES_HZ, density, all_power, float(noise.sum()), tuple(bands), reach_hz)


def _in_gap(orders: FloatArray, lobe: float, moves: FloatArray | float) -> BoolArray:
    """Return where orders lie clear of whole numbers by a lobe and by what moves with the order."""
    away = np.abs(orders - np.rint(orders))
    return np.asarray(away > lobe + moves * orders, dtype=np.bool_)


# --- vibrato ---------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=32)
def _vibrato_basis(count: int, hop_s: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return (trend, rates, cosines, sines) for pieces of `count` values: what is slow, and swings clear of it."""
    span = count * hop_s
    t = (np.arange(count) + 0.5) * hop_s
    slow = max(1, int(2.0 * span * _TREND_HZ))
    columns = [np.cos(np.pi * j * t / span) for j in range(slow + 1)]
    trend = np.linalg.qr(np.stack([*columns, t - 0.5 * span], axis=1))[0]
    lowest = max(_VIBRATO_HZ[0], _VIBRATO_TURNS / span)
    rates = np.arange(lowest, _VIBRATO_HZ[1] + 1e-9, 0.125 / span)
    angles = 2.0 * np.pi * np.outer(rates, t - 0.5 * span)
    cosines, sines = np.cos(angles), np.sin(angles)
    cosines -= cosines @ trend @ trend.T
    sines -= sines @ trend @ trend.T
    return np.asarray(trend, dtype=np.float64), rates, cosines, sines


def _vibrato(cents: FloatArray, hop_s: float, window_s: float) -> Vibrato | None:
    """Find a regular swing of the pitch: a sine that explains most of what is not slow.

    Long notes are looked at in pieces of 1.6 s at half overlap, so that the swing may change slowly; half of the
    pieces must hold it, at about one rate.
    """
    thin = max(1, int(0.011 / hop_s))
    whole = len(cents) // thin
    values = cents[: whole * thin].reshape(whole, thin).mean(axis=1)
    step_s = thin * hop_s
    if whole * step_s * _VIBRATO_HZ[1] < _VIBRATO_TURNS + 1.0 or whole < 12:
        return None
    count = min(whole, round(_VIBRATO_PIECE_S / step_s))
    trend, rates, cosines, sines = _vibrato_basis(count, step_s)
    if len(rates) < 3:
        return None
    places = np.unique(np.linspace(0, whole - count, 1 + math.ceil(2.0 * (whole - count) / count)).astype(np.int64))
    pieces = np.lib.stride_tricks.sliding_window_view(values, count)[places]
    rest = pieces - pieces @ trend @ trend.T
    # A slip of the tracking (at a crack or a click) must not pass for a swing, nor hide one.
    bound = 4.0 * np.median(np.abs(rest), axis=1, keepdims=True)
    rest = np.clip(rest, -bound, bound)
    c, s = rest @ cosines.T, rest @ sines.T
    cc, ss, cs = np.sum(cosines**2, axis=1), np.sum(sines**2, axis=1), np.sum(cosines * sines, axis=1)
    explained = (c * c * ss - 2.0 * c * s * cs + s * s * cc) / (cc * ss - cs * cs)
    best = np.argmax(explained, axis=1)
    row = np.arange(len(places))
    share = explained[row, best] / np.maximum(np.sum(rest**2, axis=1), 1e-12)
    inner = (best > 0) & (best < len(rates) - 1)
    near = np.clip(best, 1, len(rates) - 2)
    left, middle, right = (explained[row, near + d] for d in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    shift = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, -1.0), 0.0)
    rate = rates[near] + np.clip(shift, -1.0, 1.0) * (rates[1] - rates[0])
    det = cc[near] * ss[near] - cs[near] ** 2
    a = (c[row, near] * ss[near] - s[row, near] * cs[near]) / det
    b = (s[row, near] * cc[near] - c[row, near] * cs[near]) / det
    # What windows and differences of phase take off a swing is given back.
    x = rate * window_s
    seen = np.sinc(rate * step_s) * np.sinc(x) / (1.0 - x**2)
    extent = np.hypot(a, b) / seen
    good = inner & (extent >= _VIBRATO_LEAST_CENTS)
    good &= share >= (_VIBRATO_SHARE_ALONE if len(places) == 1 else _VIBRATO_SHARE)
    if good.sum() < max(1.0, 0.5 * len(places)):
        return None
    found = float(np.median(rate[good]))
    same = good & (np.abs(rate - found) < 0.15 * found)
    if same.sum() < max(1.0, 0.5 * len(places)):
        return None
    weight = extent[same] ** 2
    return Vibrato(float(weight @ rate[same] / weight.sum()), float(np.mean(extent[same])))


# --- the start -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Burst:
    times_s: FloatArray
    power: FloatArray  # of all noise, full scale squared
    density: FloatArray  # of noise in the lowest band, per Hz
    window_s: float
    spread_s: float  # by how much the window lengthens a burst at its 6 dB points


def _burst_noise(samples: SoundArray, rate_hz: float, note: HeardNote, before_s: float) -> _Burst:
    """Follow the noise in the gaps round the onset, every 5 ms."""
    pitch_hz = note.frequency_hz
    length = _good_length(max(_BURST_WINDOW_S, _BURST_PERIODS / pitch_hz), rate_hz)
    window = _window("blackman", length)
    window_s = length / rate_hz
    # The tail of the note before is kept out.
    begin = max(note.onset_s - _BURST_BEFORE_S, before_s + 0.5 * window_s, 0.0)
    end = min(note.onset_s + _BURST_AFTER_S, max(note.offset_s - 0.5 * window_s - 0.02, note.onset_s + 0.02))
    begin = min(begin, note.onset_s)
    times = np.arange(begin, max(end, begin + 2.5 * _BURST_HOP_S), _BURST_HOP_S)
    starts = np.rint(times * rate_hz).astype(np.int64) - length // 2
    powers, bin_hz = _power_spectra(samples, starts, window, rate_hz)
    reach_hz = _HIGHEST_NOISE_PART * rate_hz
    orders = np.arange(powers.shape[1]) * (bin_hz / pitch_hz)
    gap = np.abs(orders - np.rint(orders)) * pitch_hz >= _BURST_LOBE * bin_hz
    total = np.zeros(len(times))
    lowest = np.zeros(len(times))
    for i, (low, high) in enumerate(pairwise(_BURST_BANDS_HZ)):
        top = min(high, reach_hz)
        if top <= low:
            break
        first, last = math.ceil(low / bin_hz), int(top / bin_hz)
        places = first + np.flatnonzero(gap[first : last + 1])
        if len(places) == 0:
            places = np.arange(first, last + 1)
        band = powers[:, places]
        # A line of another sound (the last note's echo) counts no more than noise might.
        half = len(places) // 2
        middle = np.partition(band, half, axis=1)[:, half, None]
        density = np.minimum(band, _BURST_CLIP * middle).mean(axis=1)
        if i == 0:
            lowest = density.astype(np.float64)
        total += density * (top - low)
    return _Burst(times, total, lowest, window_s, _burst_spread_s(length, rate_hz))


@lru_cache(maxsize=64)
def _burst_spread_s(length: int, rate_hz: float) -> float:
    """Return by how much windows, smoothed over three, lengthen a sudden burst between its 6 dB points."""
    hop = round(_BURST_HOP_S * rate_hz)
    shape = np.zeros(length + 2 * hop)
    for start, share in zip((0, hop, 2 * hop), _BURST_SMOOTH, strict=True):
        shape[start : start + length] += share * _window("blackman", length) ** 2
    total = np.cumsum(shape)
    quarter = float(np.interp(_BURST_END * total[-1], total, np.arange(len(shape))))
    return (len(shape) - 2.0 * quarter) / rate_hz


@dataclass(frozen=True, eq=False)
class _Start:
    times_s: FloatArray
    sizes: FloatArray  # (m, orders) amplitude of each partial, noise taken off
    noise: FloatArray  # (m,) power of noise in a window
    amplitude: FloatArray  # (m,) of all together
    full: float
    full_sizes: FloatArray  # (orders,)
    window_s: float
    onset_s: float
    rise_s: float
    glide_cents: float
    settle_s: float


def _note_start(
    samples: SoundArray,
    rate_hz: float,
    note: HeardNote,
    burst: _Burst,
    steady: _Steady,
    before_s: float,
    *,
    slurred: bool,
) -> _Start:
    """Follow the partials through the start, every 2 ms."""
    pitch_hz = note.frequency_hz
    length = round(max(_START_WINDOW_S, _START_PERIODS / pitch_hz) * rate_hz) // 2 * 2
    window = _window("hann", length)
    window_s = length / rate_hz
    begin = (
        note.onset_s if slurred else max(note.onset_s - _START_BEFORE_S, min(before_s + 0.5 * window_s, note.onset_s))
    )
    end = max(min(note.offset_s - 0.5 * window_s, note.onset_s + _START_AFTER_S), note.onset_s + 0.02)
    count = max(1, min(_START_ORDERS, int(0.45 * rate_hz / pitch_hz)))
    starts = np.rint(np.arange(begin, end, _START_HOP_S) * rate_hz).astype(np.int64) - length // 2
    times = np.asarray((starts + 0.5 * (length - 1)) / rate_hz, dtype=np.float64)
    hop_s = float(times[-1] - times[0]) / (len(times) - 1)
    z = demodulate(samples, rate_hz, starts, window, np.full(len(starts), pitch_hz), count=count)
    noise = np.interp(times, burst.times_s, burst.density)
    noise *= _window_gain(window, rate_hz)
    power = np.asarray(np.square(np.abs(z)), dtype=np.float64)
    sizes = np.sqrt(np.maximum(power - noise[:, None], 0.0))
    amplitude = np.asarray(np.sqrt(np.maximum(power.sum(axis=1) - count * noise, 0.0)), dtype=np.float64)
    plateau = (times >= note.onset_s + _FULL_S[0]) & (times <= note.onset_s + _FULL_S[1])
    if plateau.sum() < 10:
        plateau = times >= times[0] + 0.5 * (times[-1] - times[0])
    full = max(median(amplitude[plateau]), 1e-9)
    onset, rise = _rise(times, amplitude, full, window_s)
    if rise > _FULL_S[0]:
        # A slow swell is not full yet at the beginning of the plateau.
        later = times >= onset + 1.5 * rise
        if later.sum() >= 10:
            plateau = later
            full = max(median(amplitude[plateau]), 1e-9)
            onset, rise = _rise(times, amplitude, full, window_s)
    if slurred:
        onset = note.onset_s
    full_sizes = column_medians(sizes[plateau])
    lead = min(steady.lead, count)
    # Under a tenth of its size the leading partial may be drowned in what the others leak into its window.
    clear = (sizes[:, lead - 1] > 0.1 * full_sizes[lead - 1]) & (power[:, lead - 1] > 10.0 * noise)
    glide, settle = _glide(z, times, hop_s, lead, clear, onset, window_s, pitch_hz, steady.vibrato)
    return _Start(times, sizes, noise, amplitude, full, full_sizes, window_s, onset, rise, glide, settle)


def _rise(times: FloatArray, amplitude: FloatArray, full: float, window_s: float) -> tuple[float, float]:
    """Return when 10 % of the full amplitude is passed, and how long it takes from there to 90 %."""
    high = np.flatnonzero(amplitude >= 0.9 * full)
    if len(high) == 0:
        return float(times[0]), math.nan
    top = int(high[0])
    low = np.flatnonzero(amplitude[: top + 1] < 0.1 * full)
    if len(low) == 0:
        return float(times[0]), math.nan
    bottom = int(low[-1])
    if bottom == top:
        return float(times[top]), math.nan
    at_10 = _crossing(times, amplitude, bottom, 0.1 * full)
    at_90 = _crossing(times, amplitude, top - 1, 0.9 * full)
    # The window's own rise adds in squares.
    seen = at_90 - at_10
    return at_10, math.sqrt(max(seen**2 - (_HANN_RISE * window_s) ** 2, 0.0))


def _crossing(times: FloatArray, values: FloatArray, place: int, level: float) -> float:
    a, b = float(values[place]), float(values[place + 1])
    part = min(max((level - a) / (b - a), 0.0), 1.0) if b > a else 0.5
    return float(times[place]) + part * float(times[place + 1] - times[place])


def _glide(
    z: ComplexArray,
    times: FloatArray,
    hop_s: float,
    lead: int,
    clear: BoolArray,
    onset: float,
    window_s: float,
    pitch_hz: float,
    vibrato: Vibrato | None,
) -> tuple[float, float]:
    """Return the pitch at the start against the steady one in cents, and when it has come within 10 cents."""
    count = max(lead, min(_PITCH_ORDERS, z.shape[1]))
    cents = _to_cents(_stray_hz(z[:, :count], pitch_hz, hop_s, lead, np.ones(count)), pitch_hz)
    between = 0.5 * (times[1:] + times[:-1])
    clear = clear[1:] & clear[:-1]
    width = max(2, round(_STABLE_S / hop_s))
    if len(cents) < 2 * width:
        return math.nan, math.nan
    view = np.lib.stride_tricks.sliding_window_view
    runs, held = view(cents, width), view(clear, width).all(axis=1)
    # Windows that reach out before the onset would see its phase late.
    inside = between[: len(runs)] >= onset + 0.25 * window_s
    stable = held & (np.ptp(runs, axis=1) < _STABLE_CENTS) & inside
    if not stable.any():
        return math.nan, math.nan
    first = int(np.argmax(stable))
    begins = float(runs[first].mean())
    allowed = _SETTLED_CENTS
    target = 0.0
    if vibrato is not None:
        allowed += vibrato.extent_cents
    else:
        # The steady pitch next to the start: a drift over a long note is no glide.
        after = between - between[first]
        beside = clear & (after > 0.1) & (after < 0.4)
        if beside.sum() >= 20:
            target = median(cents[beside])
    smooth = view(cents, width).mean(axis=1) - target
    stay = min(max(1, round(_SETTLED_S / hop_s)), len(smooth) - first)
    near = view(np.abs(smooth[first:]) <= allowed, stay).all(axis=1)
    settle = math.nan
    if near.any():
        place = first + int(np.argmax(near))
        # Where the first stretch is near already, the note came in tune.
        settle = 0.0 if place == first else float(between[place] + 0.5 * (width - 1) * hop_s) - onset
    return begins - target, max(settle, 0.0) if math.isfinite(settle) else settle


def _first_order(start: _Start) -> tuple[int, float]:
    """Return which partial leads before the fundamental has half its size, and for how long."""
    sizes = start.sizes
    if sizes.shape[1] < 2 or start.full_sizes[0] <= 0.0:
        return 1, 0.0
    higher = sizes[:, 1:]
    best = np.argmax(higher, axis=1)
    rows = np.arange(len(higher))
    size, usual = higher[rows, best], start.full_sizes[1:][best]
    base, usual_base = sizes[:, 0], float(start.full_sizes[0])
    leads = (base < 0.5 * usual_base) & (size > base) & (size * usual_base > 2.0 * base * usual)
    leads &= (size > 0.1 * start.full) & (size**2 > 10.0 * start.noise)
    if not leads.any():
        return 1, 0.0
    first = int(np.argmax(leads))
    stop = first
    while stop < len(leads) and leads[stop : stop + 3].any():
        stop += 1
    held = float(start.times_s[stop - 1] - start.times_s[first])
    if held < max(_FIRST_LEAST_S, 0.5 * start.window_s):
        return 1, 0.0
    energy = np.bincount(best[first:stop], weights=size[first:stop] ** 2, minlength=higher.shape[1])
    return 2 + int(np.argmax(energy)), held


def _chiff(burst: _Burst, start: _Start, note: HeardNote, steady: _Steady) -> tuple[float, float]:
    """Return the energy (dB against 0.1 s of the tone) and the length of the burst of noise at the onset."""
    times, power = burst.times_s, burst.power
    if len(times) < 6:
        return math.nan, math.nan
    late = power[times > min(note.onset_s + 0.2, note.onset_s + 0.6 * (times[-1] - note.onset_s))]
    usual = median(late) if len(late) >= 5 else steady.noise_power
    early = np.sort(power[times < note.onset_s - 0.5 * burst.window_s])
    room = float(early[len(early) // 5]) if len(early) >= 4 else 0.0
    room = min(room, usual)
    # Noise that goes with the tone grows with its power.
    grown = np.interp(times, start.times_s, np.minimum(start.amplitude / start.full, 1.0))
    base = room + (usual - room) * grown**2
    excess = power - base
    smooth = excess.copy()
    a, b, c = _BURST_SMOOTH
    smooth[1:-1] = a * excess[:-2] + b * excess[1:-1] + c * excess[2:]
    # Chance alone lifts noise over what it usually is: by how much, the steady part tells.
    chance = float(np.std(late)) if len(late) >= 5 else 0.5 * usual
    near = times <= note.onset_s + _BURST_LATEST_S
    top = int(np.argmax(np.where(near, smooth, -np.inf)))
    height = float(smooth[top])
    if height < max(float(base[top]), _BURST_CHANCE * chance, 1e-7 * steady.power):
        return math.nan, 0.0
    limit = _BURST_END * height
    over = smooth > limit
    first = last = top
    while first > 0 and over[max(first - 2, 0) : first].any():
        first -= 1
    while last < len(over) - 1 and over[last + 1 : last + 3].any():
        last += 1
    while not over[first]:
        first += 1
    while not over[last]:
        last -= 1
    begins = _crossing(times, smooth, first - 1, limit) if first > 0 else float(times[0])
    ends = float(times[-1])
    if last < len(over) - 1:
        inside, outside = float(smooth[last]), float(smooth[last + 1])
        part = (inside - limit) / max(inside - outside, 1e-30)
        ends = float(times[last]) + part * float(times[last + 1] - times[last])
    more = math.ceil(burst.window_s / _BURST_HOP_S)
    energy = float(np.sum(excess[max(first - more, 0) : last + more + 1])) * _BURST_HOP_S
    if energy <= 0.0:
        return math.nan, 0.0
    return (
        10.0 * math.log10(energy / (steady.power * _BURST_REFERENCE_S)),
        max(ends - begins - burst.spread_s, 0.25 * burst.window_s),
    )
