"""How loud a sound is: loudness in LUFS (ITU-R BS.1770).

Loudness weighs the sound with two filters (K), takes mean squares over blocks of 400 ms that overlap by three
quarters, and averages those that pass two gates:

    l = -0.691 + 10 log10(sum over channels of G z)

with z the mean square of a channel, full scale 1, and G its weight (1 in front, 1.41 beside and behind). One channel
counts as one front channel, so a sine of full scale reads -3.0 LUFS. The meter takes sound piece by piece and keeps
no more than three seconds of it.

| symbol | meaning |
|---|---|
| cell | 10 ms of weighted sound; all blocks are made of whole cells |
| momentary, short-term | mean over the last 0.4 s and 3 s |

References
----------
.. [1] Recommendation ITU-R BS.1770-4 (2015) and -5 (2023): gates, weights of the channels.
.. [2] EBU Tech 3341 (2016): momentary and short-term loudness; EBU Tech 3342 (2016): loudness range.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fluewright.arrays import FloatArray, IntArray
from fluewright.errors import RecordingError
from fluewright.listening.blocks import channels_of
from fluewright.listening.rates import checked_rate
from fluewright.listening.weighting import k_weighting_sections

__all__ = ["Loudness", "LoudnessCurve", "LoudnessMeter", "measure_loudness"]


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
        self.rate_hz = checked_rate(rate_hz)
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
        block = channels_of(samples)
        channels = block.shape[1]
        if self._weights is None:
            self._weights = _usual_weights(channels)
        if channels != len(self._weights):
            raise RecordingError(f"a block has {channels} channels where {len(self._weights)} are expected")
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


def _lufs(power: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        return np.asarray(_OFFSET_LU + 10.0 * np.log10(power), dtype=np.float64)


def _larger(most: float, levels: FloatArray) -> float:
    known = levels[~np.isnan(levels)]
    if not len(known):
        return most
    top = float(known.max())
    return top if math.isnan(most) else max(most, top)


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
