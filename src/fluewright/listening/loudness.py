"""How loud a sound is: loudness in LUFS (ITU-R BS.1770), and A-weighted level in dB SPL once it is calibrated.

Loudness weighs the sound with two filters (K), takes mean squares over blocks of 400 ms that overlap by three
quarters, and averages those that pass two gates:

    l = -0.691 + 10 log10(sum over channels of G z)

with z the mean square of a channel, full scale 1, and G its weight (1 in front, 1.41 beside and behind). One channel
counts as one front channel, so a sine of full scale reads -3.0 LUFS. Both meters take sound piece by piece and keep
no more than three seconds of it.

| symbol | meaning |
|---|---|
| cell | 10 ms of weighted sound; all blocks are made of whole cells |
| momentary, short-term | mean over the last 0.4 s and 3 s |

References
----------
.. [1] Recommendation ITU-R BS.1770-4 (2015) and -5 (2023): filters, gates, weights of the channels.
.. [2] EBU Tech 3341 (2016): momentary and short-term loudness; EBU Tech 3342 (2016): loudness range.
.. [3] IEC 61672-1:2013, annex E: poles of the A-weighting; F time-weighting of 125 ms.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from fluewright.arrays import FloatArray, IntArray
from fluewright.errors import RecordingError
from fluewright.listening.partials import demodulate
from fluewright.listening.recordings import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, Recording
from fluewright.units import CENTS_PER_RELATIVE

__all__ = [
    "Calibration",
    "LevelMeter",
    "Loudness",
    "LoudnessCurve",
    "LoudnessMeter",
    "SoundLevel",
    "a_weighting_db",
    "a_weighting_filter",
    "calibrate",
    "k_weighting_sections",
    "measure_level",
    "measure_loudness",
]


# The standard's filters at 48 kHz: first a shelf that lifts what a head lifts, then a high-pass.
_K_RATE_HZ = 48_000.0
_K_SECTIONS = (
    ((1.53512485958697, -2.69169618940638, 1.19839281085285), (1.0, -1.69065929318241, 0.73248077421585)),
    ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621)),
)
_OFFSET_LU = -0.691
_ABSOLUTE_GATE_LUFS = -70.0
_RELATIVE_GATE_LU = -10.0
_RANGE_GATE_LU = -20.0
_RANGE_QUANTILES = (0.10, 0.95)
_SIDE_WEIGHT = 1.41

_CELL_S = 0.010
_MOMENTARY_CELLS = 40
_SHORT_TERM_CELLS = 300
_STEP_CELLS = 10
_PIECE = 1 << 17
# Gates work on a tally by level, so that memory does not grow with time.
_TALLY_STEP_LU = 0.01
_TALLY_TOP_LUFS = 60.0

# A-weighting: frequencies of the poles (the outer two are double), four zeros at 0 Hz.
_A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
_A_TAPS = 32
_FAST_S = 0.125
_PA_0 = 20e-6

_CALIBRATION_SHORTEST_S = 1.0
_CALIBRATION_BLOCK_S = 0.100
_CALIBRATION_LONGEST_S = 30.0
_CALIBRATION_NEAR = 0.05
_CALIBRATION_STEADY_DB = 0.3
_CALIBRATION_STEADY_CENTS = 5.0
_CALIBRATION_REST_DB = -20.0


@dataclass(frozen=True)
class Loudness:
    """Loudness of one stretch of sound.

    Parameters
    ----------
    integrated_lufs : float
        Gated loudness of all of it; not a number where no block of 400 ms passes -70 LUFS.
    momentary_lufs, short_term_lufs : float
        Of the last 0.4 s and 3 s; minus infinity in silence, not a number before so much has come.
    momentary_max_lufs, short_term_max_lufs : float
        The largest so far.
    range_lu : float
        Loudness range, from the 10 % to the 95 % point of the gated short-term loudness; not a number under 3 s.
    duration_s : float
        How much was heard, in whole cells of 10 ms.
    """

    integrated_lufs: float
    momentary_lufs: float
    short_term_lufs: float
    momentary_max_lufs: float
    short_term_max_lufs: float
    range_lu: float
    duration_s: float


@dataclass(frozen=True, eq=False)
class LoudnessCurve:
    """Loudness against time.

    Parameters
    ----------
    times_s : float array, shape (n,)
        Ends of the windows in seconds, every 10 ms.
    momentary_lufs, short_term_lufs : float array, shape (n,)
        Over the 0.4 s and 3 s before; not a number before so much has come, minus infinity in silence.
    """

    times_s: FloatArray
    momentary_lufs: FloatArray
    short_term_lufs: FloatArray


@dataclass(frozen=True)
class Calibration:
    """What a sample of 1.0 means in pascals, read from a tone of known level.

    Parameters
    ----------
    pascals_per_unit : float
        Sound pressure of a sample of full scale.
    level_db : float
        Level that the tone was said to have, dB re 20 uPa.
    frequency_hz : float
        Its frequency as heard, relative to the recorder's clock.
    uncertainty_db : float
        Standard uncertainty of the reading; that of the calibrator's own level is not in it.
    rest_db : float
        Power of all else in the stretch (noise, distortion) against the tone.
    sha256 : str
        Hash of the file that the tone was read from.
    """

    pascals_per_unit: float
    level_db: float
    frequency_hz: float
    uncertainty_db: float
    rest_db: float
    sha256: str

    @property
    def full_scale_db(self) -> float:
        """Return the level of a sine that just reaches full scale, dB re 20 uPa."""
        return 20.0 * math.log10(self.pascals_per_unit / (math.sqrt(2.0) * _PA_0))


@dataclass(frozen=True)
class SoundLevel:
    """A-weighted level: dB re 20 uPa with a calibration, else relative to a sine of full scale at 1 kHz.

    Parameters
    ----------
    equivalent_db : float
        Level of the mean square over all of it; minus infinity in silence.
    fast_db, fast_max_db : float
        With the time-weighting F (125 ms): at the end, and the largest.
    calibrated : bool
        Whether the figures are dB SPL.
    duration_s : float
        How much was heard.
    """

    equivalent_db: float
    fast_db: float
    fast_max_db: float
    calibrated: bool
    duration_s: float


@lru_cache(maxsize=8)
def _k_sections(rate_hz: float) -> tuple[tuple[float, ...], ...]:
    rows = []
    for (b0, b1, b2), (a0, a1, a2) in _K_SECTIONS:
        # z = (1 + s) / (1 - s) leads back to the analogue filter, whose resonance is put at w = tan(pi f0 / rate).
        over = np.array([b0 - b1 + b2, 2.0 * (b0 - b2), b0 + b1 + b2])
        under = np.array([a0 - a1 + a2, 2.0 * (a0 - a2), a0 + a1 + a2])
        at = math.sqrt(under[2] / under[0])
        turn = math.atan(at) * _K_RATE_HZ / rate_hz
        stretch = math.tan(turn) / at
        over, under = (side * np.array([1.0, stretch, stretch**2]) for side in (over, under))
        back = np.array([[1.0, 1.0, 1.0], [-2.0, 0.0, 2.0], [1.0, -1.0, 1.0]])
        b, a = back @ over, back @ under
        rows.append((*(b / a[0]), *(a / a[0])))
    return tuple(tuple(float(v) for v in row) for row in rows)


def k_weighting_sections(rate_hz: float) -> FloatArray:
    """Return the K-weighting filter for a sample rate as second-order sections.

    The standard gives coefficients for 48 kHz alone. They are turned back into the analogue filters by the bilinear
    transform, and these into filters for `rate_hz` with their resonances (1682 Hz and 38 Hz) kept in place. The
    transform bends what lies near half the sample rate: by less than 0.03 dB at 1 kHz from 22 kHz on, 0.2 dB at 8 kHz.

    Parameters
    ----------
    rate_hz : float
        Samples per second, 8 kHz to 768 kHz.

    Returns
    -------
    float array, shape (2, 6)
        b0, b1, b2, a0, a1, a2 of the shelf and of the high-pass; at 48 kHz those of the standard.

    Raises
    ------
    RecordingError
        The rate is out of range.
    """
    return np.array(_k_sections(_checked_rate(rate_hz)))


def a_weighting_db(freqs_hz: ArrayLike) -> FloatArray:
    """Return the A-weighting in dB, 0 at 1 kHz: IEC 61672-1, equation of annex E.

    Parameters
    ----------
    freqs_hz : float array
        Frequencies above 0 in Hz.
    """
    freqs = np.asarray(freqs_hz, dtype=np.float64)
    gain = np.square(_a_gain(freqs) / _a_gain(np.array([1000.0]))[0])
    return np.asarray(10.0 * np.log10(gain), dtype=np.float64)


def _a_gain(freqs_hz: FloatArray) -> FloatArray:
    f1, f2, f3, f4 = (f**2 for f in _A_POLES_HZ)
    ff = np.square(freqs_hz)
    return np.asarray(f4 * ff**2 / ((ff + f1) * np.sqrt((ff + f2) * (ff + f3)) * (ff + f4)), dtype=np.float64)


@lru_cache(maxsize=8)
def _a_filter(rate_hz: float) -> tuple[tuple[tuple[float, ...], ...], tuple[float, ...]]:
    p1, p2, p3, p4 = (math.exp(-2.0 * math.pi * f / rate_hz) for f in _A_POLES_HZ)
    sections = np.array(
        [
            [1.0, -2.0, 1.0, 1.0, -2.0 * p1, p1 * p1],
            [1.0, -2.0, 1.0, 1.0, -(p2 + p3), p2 * p3],
            [1.0, 0.0, 0.0, 1.0, -2.0 * p4, p4 * p4],
        ]
    )
    grid = np.linspace(0.0, 0.995, 800)[1:] * 0.5 * rate_hz
    z = np.exp(-2j * np.pi * grid / rate_hz)
    got = np.ones(len(grid), dtype=np.complex128)
    for b0, b1, b2, _, a1, a2 in sections:
        got *= (b0 + b1 * z + b2 * z * z) / (1.0 + a1 * z + a2 * z * z)
    ratio = _a_gain(grid) / _a_gain(np.array([1000.0]))[0] / np.abs(got)
    waves = np.cos(2.0 * np.pi * np.outer(grid / rate_hz, np.arange(_A_TAPS + 1)))
    half = np.linalg.lstsq(waves / ratio[:, None], np.ones(len(grid)), rcond=None)[0]
    taps = np.concatenate([0.5 * half[:0:-1], half[:1], 0.5 * half[1:]])
    return tuple(tuple(float(v) for v in row) for row in sections), tuple(float(v) for v in taps)


def a_weighting_filter(rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Return the A-weighting filter for a sample rate: second-order sections, and taps to follow them.

    The poles of the standard go to exp(-2 pi f / rate). What that leaves wrong towards half the sample rate, where
    the bilinear transform would be wrong by much more, is set right by a symmetric filter of 65 taps, which delays the
    sound by 32 samples.

    Parameters
    ----------
    rate_hz : float
        Samples per second, 8 kHz to 768 kHz.

    Returns
    -------
    sections : float array, shape (3, 6)
        As `scipy.signal.sosfilt` takes them.
    taps : float array, shape (65,)
        A finite response.

    Raises
    ------
    RecordingError
        The rate is out of range.
    """
    sections, taps = _a_filter(_checked_rate(rate_hz))
    return np.array(sections), np.array(taps)


class _Tally:
    """Powers of blocks counted by level in steps of 0.01 LU: what the gates need, in bounded memory."""

    def __init__(self) -> None:
        bins = round((_TALLY_TOP_LUFS - _ABSOLUTE_GATE_LUFS) / _TALLY_STEP_LU)
        self._counts = np.zeros(bins)
        self._sums = np.zeros(bins)

    def add(self, powers: FloatArray) -> None:
        levels = _lufs(powers)
        over = levels > _ABSOLUTE_GATE_LUFS
        if not over.any():
            return
        places = ((levels[over] - _ABSOLUTE_GATE_LUFS) / _TALLY_STEP_LU).astype(np.int64)
        places = np.minimum(places, len(self._counts) - 1)
        self._counts += np.bincount(places, minlength=len(self._counts))
        self._sums += np.bincount(places, weights=powers[over], minlength=len(self._counts))

    def _gated(self, gate_lu: float) -> tuple[FloatArray, FloatArray]:
        """Return counts and mean powers of the filled steps above the relative gate."""
        filled = np.flatnonzero(self._counts)
        counts, sums = self._counts[filled], self._sums[filled]
        if len(filled) == 0:
            return counts, sums
        limit = 10.0 ** (gate_lu / 10.0) * sums.sum() / counts.sum()
        over = sums > limit * counts
        return counts[over], sums[over] / counts[over]

    def mean_lufs(self) -> float:
        counts, powers = self._gated(_RELATIVE_GATE_LU)
        return float(_lufs(np.array(counts @ powers / counts.sum()))) if len(counts) else math.nan

    def range_lu(self) -> float:
        counts, powers = self._gated(_RANGE_GATE_LU)
        if not len(counts):
            return math.nan
        # Each step stands for as many equal levels as it counts.
        place = np.cumsum(counts)
        low, high = (
            _lufs(powers[np.searchsorted(place, 1.0 + q * (place[-1] - 1.0), side="left")]) for q in _RANGE_QUANTILES
        )
        return float(high - low)


class LoudnessMeter:
    """Measures loudness of sound that comes in blocks.

    Parameters
    ----------
    rate_hz : float
        Samples per second, 8 kHz to 768 kHz.
    weights : sequence of float, optional
        One weight a channel. Without it: 1 for one to three channels (left, right, centre), and 1.41 for the fourth
        and fifth of five (left and right surround).

    Raises
    ------
    RecordingError
        The rate or a weight is out of range.
    """

    def __init__(self, rate_hz: float, weights: Sequence[float] | None = None) -> None:
        self.rate_hz = _checked_rate(rate_hz)
        self._weights = None if weights is None else _checked_weights(weights)
        self._sections = k_weighting_sections(rate_hz)
        self._state: FloatArray | None = None
        self._rest = np.zeros(0)
        self._sums = np.zeros(0)  # the last cells, up to one less than the longest window
        self._sizes = np.zeros(0)
        self._cells = 0
        self._blocks, self._short_terms = _Tally(), _Tally()
        self._now = (math.nan, math.nan)
        self._most = (math.nan, math.nan)

    def push(self, samples: ArrayLike) -> LoudnessCurve:
        """Take a block and return the loudness at the end of every cell that it completes.

        Parameters
        ----------
        samples : float array, shape (n,) or (n, channels)
            Sound relative to full scale; always as many channels as in the first block.

        Raises
        ------
        RecordingError
            The block has another shape, or samples that are not numbers.
        """
        block = np.asarray(samples, dtype=np.float64)
        block = block[:, None] if block.ndim == 1 else block
        if block.ndim != 2 or block.shape[1] == 0:
            raise RecordingError(f"a block has the shape {np.shape(samples)}; (n,) or (n, channels) is needed")
        channels = block.shape[1]
        if self._weights is None:
            self._weights = _usual_weights(channels)
        if channels != len(self._weights):
            raise RecordingError(f"a block has {channels} channels where {len(self._weights)} are expected")
        if not np.isfinite(block).all():
            raise RecordingError("a block holds samples that are not numbers; check the sound input")
        curves = [self._push(block[start : start + _PIECE]) for start in range(0, len(block), _PIECE)]
        if not curves:
            return LoudnessCurve(np.empty(0), np.empty(0), np.empty(0))
        times, momentary, short_term = (np.concatenate(column) for column in zip(*curves, strict=True))
        return LoudnessCurve(times, momentary, short_term)

    def _push(self, block: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        from scipy.signal import sosfilt

        assert self._weights is not None
        if self._state is None:
            self._state = np.zeros((2, 2, block.shape[1]))
        weighted, state = sosfilt(self._sections, block, axis=0, zi=self._state)
        self._state = np.asarray(state, dtype=np.float64)
        power = np.concatenate([self._rest, np.square(weighted) @ self._weights])
        # Cells keep to the clock where a hundredth of a second is no whole number of samples.
        begun = self._edge(self._cells)
        whole = int((begun + len(power)) / (_CELL_S * self.rate_hz) + 1.0) - self._cells
        edges = np.array([self._edge(self._cells + k) - begun for k in range(whole + 1)])
        edges = edges[edges <= len(power)]
        self._rest = power[edges[-1] :].copy()
        fresh = len(edges) - 1
        if fresh == 0:
            none = np.empty(0)
            return none, none, none
        sums = np.add.reduceat(power[: edges[-1]], edges[:-1])
        self._sums = np.concatenate([self._sums, sums])
        self._sizes = np.concatenate([self._sizes, np.diff(edges)])
        self._cells += fresh
        numbers = np.arange(self._cells - fresh + 1, self._cells + 1)
        momentary = self._windows(_MOMENTARY_CELLS, fresh, numbers)
        short_term = self._windows(_SHORT_TERM_CELLS, fresh, numbers)
        for powers, cells, tally in (
            (momentary, _MOMENTARY_CELLS, self._blocks),
            (short_term, _SHORT_TERM_CELLS, self._short_terms),
        ):
            tally.add(powers[(numbers >= cells) & ((numbers - cells) % _STEP_CELLS == 0)])
        self._sums, self._sizes = self._sums[-_SHORT_TERM_CELLS + 1 :], self._sizes[-_SHORT_TERM_CELLS + 1 :]
        curves = _lufs(momentary), _lufs(short_term)
        self._now = (float(curves[0][-1]), float(curves[1][-1]))
        self._most = (_larger(self._most[0], curves[0]), _larger(self._most[1], curves[1]))
        return np.asarray(numbers * _CELL_S, dtype=np.float64), *curves

    def _edge(self, cell: int) -> int:
        return round(cell * _CELL_S * self.rate_hz)

    def _windows(self, cells: int, fresh: int, numbers: IntArray) -> FloatArray:
        """Return the mean power over `cells` up to each fresh cell; not a number where there are fewer yet."""
        out = np.full(fresh, np.nan)
        known = len(self._sums)
        ready = numbers >= cells
        if ready.any():
            last = np.arange(known - fresh, known)[ready]
            # Summed anew for every window: a running sum would lose faint sound after loud.
            view = np.lib.stride_tricks.sliding_window_view
            out[ready] = view(self._sums, cells).sum(axis=1)[last - cells + 1]
            out[ready] /= view(self._sizes, cells).sum(axis=1)[last - cells + 1]
        return out

    @property
    def result(self) -> Loudness:
        """Return the loudness of all that has come."""
        return Loudness(
            integrated_lufs=self._blocks.mean_lufs(),
            momentary_lufs=self._now[0],
            short_term_lufs=self._now[1],
            momentary_max_lufs=self._most[0],
            short_term_max_lufs=self._most[1],
            range_lu=self._short_terms.range_lu(),
            duration_s=self._cells * _CELL_S,
        )


def measure_loudness(samples: ArrayLike, rate_hz: float, *, weights: Sequence[float] | None = None) -> Loudness:
    """Measure the loudness of a whole sound.

    Parameters
    ----------
    samples : float array, shape (n,) or (n, channels)
        Sound relative to full scale.
    rate_hz : float
        Samples per second, 8 kHz to 768 kHz.
    weights : sequence of float, optional
        As for `LoudnessMeter`.

    Raises
    ------
    RecordingError
        As `LoudnessMeter`.
    """
    meter = LoudnessMeter(rate_hz, weights)
    meter.push(samples)
    return meter.result


class LevelMeter:
    """Measures A-weighted level of one channel that comes in blocks.

    Parameters
    ----------
    rate_hz : float
        Samples per second, 8 kHz to 768 kHz; at 8 kHz nothing above 4 kHz can count.
    calibration : Calibration, optional
        From `calibrate`, made with the same microphone and gain.

    Raises
    ------
    RecordingError
        The rate is out of range.
    """

    def __init__(self, rate_hz: float, calibration: Calibration | None = None) -> None:
        self.rate_hz = _checked_rate(rate_hz)
        self.calibration = calibration
        self._sections, self._taps = a_weighting_filter(rate_hz)
        self._state = np.zeros((3, 2))
        self._delay = np.zeros(len(self._taps) - 1)
        self._fast = np.zeros(1)
        self._fast_max = 0.0
        self._sum = 0.0
        self._count = 0

    def push(self, samples: ArrayLike) -> None:
        """Take a block of shape (n,).

        Raises
        ------
        RecordingError
            The block has another shape, or samples that are not numbers.
        """
        block = np.asarray(samples, dtype=np.float64)
        if block.ndim != 1:
            raise RecordingError(f"a block has the shape {block.shape}; one channel (n,) is needed")
        if not np.isfinite(block).all():
            raise RecordingError("a block holds samples that are not numbers; check the sound input")
        for start in range(0, len(block), _PIECE):
            self._push(block[start : start + _PIECE])

    def _push(self, block: FloatArray) -> None:
        from scipy.signal import lfilter, oaconvolve, sosfilt

        weighted, state = sosfilt(self._sections, block, zi=self._state)
        self._state = np.asarray(state, dtype=np.float64)
        joined = np.concatenate([self._delay, weighted])
        self._delay = joined[-(len(self._taps) - 1) :].copy()
        power = np.square(oaconvolve(joined, self._taps, mode="valid"))
        memory = math.exp(-1.0 / (_FAST_S * self.rate_hz))
        fast, held = lfilter([1.0 - memory], [1.0, -memory], power, zi=self._fast)
        self._fast = np.asarray(held, dtype=np.float64)
        self._fast_max = max(self._fast_max, float(fast.max()))
        self._sum += float(power.sum())
        self._count += len(block)

    @property
    def result(self) -> SoundLevel:
        """Return the level of all that has come."""
        memory = math.exp(-1.0 / (_FAST_S * self.rate_hz))
        return SoundLevel(
            equivalent_db=self._decibels(self._sum / max(self._count, 1)),
            fast_db=self._decibels(float(self._fast[0]) / memory),
            fast_max_db=self._decibels(self._fast_max),
            calibrated=self.calibration is not None,
            duration_s=self._count / self.rate_hz,
        )

    def _decibels(self, power: float) -> float:
        if power <= 0.0:
            return -math.inf
        full_scale = self.calibration.full_scale_db if self.calibration else 0.0
        return 10.0 * math.log10(2.0 * power) + full_scale


def measure_level(samples: ArrayLike, rate_hz: float, *, calibration: Calibration | None = None) -> SoundLevel:
    """Measure the A-weighted level of a whole sound of one channel.

    Parameters
    ----------
    samples : float array, shape (n,)
        Sound relative to full scale.
    rate_hz : float
        Samples per second, 8 kHz to 768 kHz.
    calibration : Calibration, optional
        Without one, levels are relative to a sine of full scale.

    Raises
    ------
    RecordingError
        As `LevelMeter`.
    """
    meter = LevelMeter(rate_hz, calibration)
    meter.push(samples)
    return meter.result


def calibrate(
    recording: Recording,
    *,
    start_s: float = 0.0,
    end_s: float | None = None,
    level_db: float = 94.0,
    frequency_hz: float = 1000.0,
) -> Calibration:
    """Read from a tone of known level what the samples mean in pascals.

    Only the tone itself counts, not what sounds beside it. It must be at least 20 dB above all else, hold its level
    within 0.3 dB and its pitch within 5 cents over blocks of 0.1 s, and must not be clipped.

    Parameters
    ----------
    recording : Recording
        Made with the calibrator on the microphone and the gain that is used afterwards.
    start_s, end_s : float
        The stretch with the tone, at least 1 s; all of the recording by default.
    level_db : float
        Level of the tone, 40 to 160 dB re 20 uPa.
    frequency_hz : float
        Its nominal frequency, 100 Hz to 8 kHz; the one heard may differ by 5 %.

    Raises
    ------
    RecordingError
        The stretch is too short, clipped, silent, or no steady tone near that frequency.
    """
    end_s = recording.duration_s if end_s is None else end_s
    if not 40.0 <= level_db <= 160.0:
        raise RecordingError(f"level_db is {level_db:g}; a calibrator gives 40 to 160 dB, usually 94 or 114.")
    if not 100.0 <= frequency_hz <= min(8000.0, 0.4 * recording.rate_hz):
        highest = min(8000.0, 0.4 * recording.rate_hz)
        raise RecordingError(f"frequency_hz is {frequency_hz:g}; give 100 to {highest:g} Hz, usually 1000 or 250.")
    if not 0.0 <= start_s < end_s <= recording.duration_s + 1e-9:
        raise RecordingError(
            f"calibration: {start_s:g} s to {end_s:g} s is no stretch of a recording of {recording.duration_s:.3f} s."
        )
    place = f"calibration, {start_s:.2f} s to {end_s:.2f} s"
    if end_s - start_s < _CALIBRATION_SHORTEST_S - 1e-9:
        raise RecordingError(
            f"{place}: {end_s - start_s:.2f} s are too short; hold the tone for {_CALIBRATION_SHORTEST_S:g} s or more."
        )
    rate_hz = recording.rate_hz
    first = round(start_s * rate_hz)
    last = min(round(end_s * rate_hz), first + round(_CALIBRATION_LONGEST_S * rate_hz))
    sound = recording.samples[first:last] - float(np.mean(recording.samples[first:last]))
    power = float(np.mean(np.square(sound)))
    if power < 1e-12:
        raise RecordingError(f"{place}: silent. Check the microphone and its gain, and record the tone again.")
    _refuse_clipped(recording.samples[first:last], place)
    heard_hz = _line_near(sound, rate_hz, frequency_hz, place)

    length = round(_CALIBRATION_BLOCK_S * rate_hz)
    starts = np.arange(0, len(sound) - length + 1, length // 2)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(length) + 0.5) / length)
    z = demodulate(sound, rate_hz, starts, window, np.full(len(starts), heard_hz), count=1)[:, 0]
    levels = 20.0 * np.log10(np.maximum(np.abs(z), 1e-9))
    turn = 2.0 * np.pi * heard_hz * starts / rate_hz
    stray_hz = np.diff(np.unwrap(np.angle(z * np.exp(-1j * turn)))) / (2.0 * np.pi * (length // 2) / rate_hz)
    tone = float(np.mean(np.square(np.abs(z)))) / 2.0
    rest_db = 10.0 * math.log10(max(power / tone - 1.0, 1e-9)) if tone < power else -90.0
    moved = CENTS_PER_RELATIVE * float(np.max(np.abs(stray_hz - np.mean(stray_hz)))) / heard_hz
    # A line that wanders loses level as well: name the cause first.
    if moved > _CALIBRATION_STEADY_CENTS and rest_db < -3.0:
        raise RecordingError(
            f"{place}: the tone is not steady, its pitch moves by {moved:.0f} cents;"
            f" {_CALIBRATION_STEADY_CENTS:g} cents are allowed. Use a calibrator, not an instrument."
        )
    if rest_db > _CALIBRATION_REST_DB:
        raise RecordingError(
            f"{place}: noise and other tones are only {-rest_db:.0f} dB under the tone at {heard_hz:.0f} Hz;"
            f" {-_CALIBRATION_REST_DB:.0f} dB are needed. Seat the calibrator well and record in a quiet room."
        )
    spread = float(levels.max() - levels.min())
    if spread > _CALIBRATION_STEADY_DB:
        raise RecordingError(
            f"{place}: the tone is not steady, its level moves by {spread:.1f} dB; {_CALIBRATION_STEADY_DB:g} dB are"
            " allowed. Choose the stretch where the calibrator sits still."
        )
    pascals = _PA_0 * 10.0 ** (level_db / 20.0)
    # Half-overlapping blocks: their mean is known as if a quarter of them were missing.
    uncertainty = float(np.std(levels)) / math.sqrt(max(0.75 * len(levels), 1.0))
    return Calibration(
        pascals_per_unit=pascals / math.sqrt(tone),
        level_db=level_db,
        frequency_hz=heard_hz + float(np.mean(stray_hz)),
        uncertainty_db=uncertainty,
        rest_db=rest_db,
        sha256=recording.sha256,
    )


def _refuse_clipped(samples: FloatArray, place: str) -> None:
    """Refuse full scale, and tops that are flatter than those of a sine."""
    top = float(np.max(np.abs(samples)))
    centred = np.abs(samples - 0.5 * (samples.max() + samples.min()))
    # A sine spends 2.8 % of its time within a thousandth of its peak.
    flat = float(np.mean(centred > 0.999 * centred.max()))
    at_top = np.abs(samples) >= 0.9995
    run = bool((at_top[2:] & at_top[1:-1] & at_top[:-2]).any())
    if run or (flat > 0.08 and top > 0.02):
        share = 100.0 * (flat if flat > 0.08 else float(np.mean(at_top)))
        raise RecordingError(
            f"{place}: clipped, {share:.1f} % of the samples stand in flat tops at {top:.3g} of full scale."
            " Turn the gain down and record the tone again."
        )


def _line_near(sound: FloatArray, rate_hz: float, frequency_hz: float, place: str) -> float:
    """Return the frequency of the strongest line, which must lie near the nominal one."""
    from scipy.fft import next_fast_len, rfft

    count = min(len(sound), round(4.0 * rate_hz))
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(count) + 0.5) / count)
    size = np.abs(rfft(sound[:count] * window, n=int(next_fast_len(2 * count, real=True))))
    bin_hz = rate_hz / int(next_fast_len(2 * count, real=True))
    size[: max(1, round(20.0 / bin_hz))] = 0.0
    top = int(np.argmax(size[:-1]))
    left, middle, right = (math.log(float(size[top + d]) + 1e-300) for d in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    line_hz = (top + (0.5 * (left - right) / bend if bend < 0.0 else 0.0)) * bin_hz
    if abs(line_hz - frequency_hz) > _CALIBRATION_NEAR * frequency_hz:
        raise RecordingError(
            f"{place}: the strongest line is at {line_hz:.0f} Hz, not within {100 * _CALIBRATION_NEAR:.0f} % of"
            f" {frequency_hz:g} Hz. Name the calibrator's frequency, or the stretch where its tone sounds."
        )
    return line_hz


def _lufs(power: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        return np.asarray(_OFFSET_LU + 10.0 * np.log10(power), dtype=np.float64)


def _larger(most: float, levels: FloatArray) -> float:
    known = levels[~np.isnan(levels)]
    if not len(known):
        return most
    top = float(known.max())
    return top if math.isnan(most) else max(most, top)


def _checked_rate(rate_hz: float) -> float:
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise RecordingError(
            f"rate_hz is {rate_hz:g}; give {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} samples a second, usually 48000."
        )
    return float(rate_hz)


def _checked_weights(weights: Sequence[float]) -> FloatArray:
    values = np.asarray(weights, dtype=np.float64)
    if values.ndim != 1 or len(values) == 0 or not np.all((values >= 0.0) & (values <= 10.0)):
        raise RecordingError(f"weights of channels are {weights!r}; give one number from 0 to 10 for each channel")
    return values


def _usual_weights(channels: int) -> FloatArray:
    if channels <= 3:
        return np.ones(channels)
    if channels == 5:
        return np.array([1.0, 1.0, 1.0, _SIDE_WEIGHT, _SIDE_WEIGHT])
    raise RecordingError(
        f"a block has {channels} channels, whose places are not known. Give one weight for each: 1 in front, 1.41"
        " beside and behind, 0 for the low-frequency channel."
    )
