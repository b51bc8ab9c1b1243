"""What the frequency of one note is, and how far that can be trusted.

The complex amplitudes of all harmonics are fitted together, in least squares, by

    phase_k(t) = phi_k + 2 pi k (f (t - t0) + d (t - t0)**2 / 2)

with one frequency f, one drift d and a free phase and amplitude for each harmonic. Each harmonic's phase
counts with k**2 |z_k|**2 / noise_k. With clear harmonics (the only ones used) this reaches the Cramer-Rao
bound

    sigma_f >= (fs / 2 pi) sqrt(12 / (SNR N (N**2 - 1))),   SNR = A**2 / (2 sigma**2)

of a sine [1]_; for a harmonic tone SNR becomes the sum of k**2 SNR_k [2]_ [3]_. Real notes wander: where the
phase strays from the fitted curve by more than noise explains, the excess is read as a random walk of the
phase, whose strength gives the variance of the mean frequency with its correlation taken into account.

The frequency is relative to the recorder's clock; usual sound hardware is true to about 0.1 cent, which no
recording can tell.

References
----------
.. [1] D. C. Rife, R. R. Boorstyn, Single-tone parameter estimation from discrete-time observations, IEEE
Trans.
   Inf. Theory 20 (1974) 591-598.
.. [2] A. Nehorai, B. Porat, Adaptive comb filtering for harmonic signal enhancement, IEEE Trans. Acoust.
Speech Signal
   Process. 34 (1986) 1124-1138: the bound for harmonic tones.
.. [3] S. A. Tretter, Estimating the frequency of a noisy sinusoid by linear regression, IEEE Trans. Inf.
Theory 31
   (1985) 832-835: the phase regression.
"""

import math
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import ComplexArray, FloatArray, IntArray
from fluewright.listening.medians import column_medians, median
from fluewright.listening.partials import Partials
from fluewright.listening.phases import turns_along, unwrapped
from fluewright.units import CENTS_PER_RELATIVE

__all__ = ["ToneFit", "cramer_rao_hz", "fit_tone"]


# Noise in neighbouring half-overlapping Hann blocks is correlated by 1/6; slow features feel 1 + 2/6 of its
# variance.
_OVERLAP = 4.0 / 3.0
_CLEAR = 10.0
_STRETCH_S = 0.080
_SHORTEST_DRIFT_S = 0.15
_MOST_GROUPS = 64
# Side lobes and rounding, relative to the frequency.
_NUMERICAL_LIMIT = 3e-8
# Two-sigma factor of Student's t against that of the normal distribution, by inverse degrees of freedom.
_STUDENT = (
    (0.0, 1.0),
    (1 / 30, 1.02),
    (1 / 12, 1.09),
    (1 / 8, 1.15),
    (0.2, 1.29),
    (0.25, 1.39),
    (1 / 3, 1.59),
    (0.5, 2.15),
    (1.0, 4.0),
)


@dataclass(frozen=True)
class ToneFit:
    """Frequency of one note.

    Parameters
    ----------
    frequency_hz : float
        Frequency at the middle of the fitted stretch; with a steady drift, the mean.
    frequency_uncertainty_hz : float
        Its standard uncertainty (one sigma) from noise and wander.
    noise_uncertainty_hz : float
        The part from noise.
    drift_hz_per_s : float
        Steady change; zero where the stretch is shorter than 0.15 s.
    drift_uncertainty_hz_per_s : float
        Its standard uncertainty; not a number where no drift was fitted.
    steadiness_cents : float
        Standard deviation of the pitch over 80 ms stretches about the fitted drift, noise included; not a
        number for notes with fewer than three stretches.
    harmonics : tuple of int
        Harmonics that were clear enough to take part.
    """

    frequency_hz: float
    frequency_uncertainty_hz: float
    noise_uncertainty_hz: float
    drift_hz_per_s: float
    drift_uncertainty_hz_per_s: float
    steadiness_cents: float
    harmonics: tuple[int, ...]


def cramer_rao_hz(amplitudes: FloatArray, noise_sd: float, count: int, rate_hz: float) -> float:
    """Return the least standard uncertainty of the frequency of a steady harmonic tone in white noise.

    Parameters
    ----------
    amplitudes : float array, shape (k,)
        Amplitudes of harmonics 1 to k.
    noise_sd : float
        Standard deviation of a noise sample, in the same unit.
    count : int
        Samples.
    rate_hz : float
        Samples per second.

    Returns
    -------
    float
        Hz; equation of the module's text.
    """
    orders = np.arange(1, len(amplitudes) + 1)
    snr = float(np.sum(np.square(orders * amplitudes))) / (2.0 * noise_sd**2)
    return rate_hz / (2.0 * math.pi) * math.sqrt(12.0 / (snr * count * (count**2 - 1.0)))


def fit_tone(partials: Partials) -> ToneFit | None:
    """Fit frequency and drift to the harmonics of a note.

    Parameters
    ----------
    partials : Partials
        Harmonics over the steady part of one note.

    Returns
    -------
    ToneFit or None
        None where no harmonic is clear enough, or there are fewer than two blocks.
    """
    times = partials.times_s
    if len(times) < 2:
        return None
    snr = np.square(np.abs(partials.amplitudes)) / partials.noise_power
    median_snr = column_medians(snr)
    used = np.flatnonzero(median_snr > _CLEAR)
    if len(used) == 0:
        return None
    lead = int(used[np.argmax(median_snr[used])])
    expected = 2.0 * np.pi * turns_along(partials.pitch_hz, np.diff(times))
    phase, variance = _joint_phase(partials.amplitudes, snr, used, lead, expected)

    t = times - 0.5 * (times[0] + times[-1])
    span = float(times[-1] - times[0]) + partials.block_s
    # A common offset is taken out first, so that the phases of a long note lose no digits.
    centre_hz = median(partials.pitch_hz)
    y = phase + expected - 2.0 * np.pi * centre_hz * t
    line = _fit_line(t, y, variance, partials.hop_s, with_drift=span >= _SHORTEST_DRIFT_S and len(t) >= 6)
    frequency = centre_hz + float(line.solution[1])
    with_drift = len(line.solution) > 2
    u_noise = math.sqrt(float(line.noise[1, 1]))
    u_all = math.sqrt(float(line.noise[1, 1] + line.wander[1, 1]) + (_NUMERICAL_LIMIT * frequency) ** 2)
    return ToneFit(
        frequency_hz=frequency,
        frequency_uncertainty_hz=u_all,
        noise_uncertainty_hz=u_noise,
        drift_hz_per_s=float(line.solution[2]) if with_drift else 0.0,
        drift_uncertainty_hz_per_s=math.sqrt(float(line.noise[2, 2] + line.wander[2, 2])) if with_drift else math.nan,
        steadiness_cents=_steadiness(line.residual, t, partials.hop_s, frequency),
        harmonics=tuple(int(k) + 1 for k in used),
    )


def _joint_phase(
    z: ComplexArray, snr: FloatArray, used: IntArray, lead: int, expected: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the phase of the fundamental beside the expected one from all clear harmonics, and its variance by noise.

    The clearest harmonic gives the phase; the others are unwrapped against it, where they hardly move. Both arrays have
    the shape (blocks,).
    """
    order = lead + 1
    stray = unwrapped(np.angle(z[:, lead] * np.exp(-1j * order * expected))) / order
    numbers = used + 1
    weight = np.square(numbers) * 2.0 * np.maximum(snr[:, used], 1e-3)
    left = np.angle(z[:, used] * np.exp(-1j * (expected + stray)[:, None] * numbers))
    left -= np.angle((weight * np.exp(1j * left)).sum(axis=0))
    strays = stray[:, None] + unwrapped(_wrap(left)) / numbers
    total = weight.sum(axis=1)
    for _ in range(2):
        mean = (weight * strays).sum(axis=1) / total
        strays -= ((strays - mean[:, None]) * weight).sum(axis=0) / weight.sum(axis=0)
    return (weight * strays).sum(axis=1) / total, 1.0 / total


@dataclass(frozen=True, eq=False)
class _Line:
    """The phase fitted by offset, frequency (Hz) and, where there are three, drift (Hz/s)."""

    solution: FloatArray
    noise: FloatArray  # covariance from noise
    wander: FloatArray  # covariance from a walk of the phase
    residual: FloatArray


def _fit_line(t: FloatArray, y: FloatArray, variance: FloatArray, hop_s: float, *, with_drift: bool) -> _Line:
    """Fit the phase `y` at times `t`; what noise of that variance does not explain is read as a random walk."""
    design = np.ones((len(t), 3 if with_drift else 2))
    design[:, 1] = 2.0 * np.pi * t
    if with_drift:
        design[:, 2] = np.pi * t * t
    solution, gain = _solve(design, y, 1.0 / variance)
    residual = y - design @ solution
    noise = _OVERLAP * (gain * variance) @ gain.T
    groups = _groups(design, t, variance)
    if not _strays_beyond_noise(groups, residual):
        return _Line(solution, noise, np.zeros_like(noise), residual)
    strength, free = _walk_strength(groups, residual, variance, hop_s)
    inverse, factor = zip(*_STUDENT, strict=True)
    student = float(np.interp(1.0 / free, inverse, factor))
    change, noise, wander = _solve_walking(groups, residual, strength)
    solution = solution + change
    return _Line(solution, noise, wander * student**2, y - design @ solution)


def _wrap(angle: FloatArray) -> FloatArray:
    return (angle + np.pi) % (2.0 * np.pi) - np.pi


def _solve_positive(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """Solve with a symmetric positive matrix by Cholesky; on so small ones the call itself is what takes time."""
    from scipy.linalg.lapack import dposv

    _, solution, fault = dposv(matrix, right)
    return np.asarray(np.linalg.solve(matrix, right) if fault else solution, dtype=np.float64)


def _solve(design: FloatArray, y: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weighted least squares; returns the solution and the matrix that makes it from y."""
    scale = np.sqrt((design * design).sum(axis=0) / len(design))
    scaled = design / scale
    heavy = scaled.T * weight
    gain = _solve_positive(heavy @ scaled, heavy) / scale[:, None]
    return gain @ y, gain


@dataclass(frozen=True, eq=False)
class _Groups:
    """Blocks in successive groups, the last and incomplete one joined to its neighbour.

    `noise` is the noise variance of each group's mean phase, `rows` and `centre` its mean design and time.
    """

    starts: IntArray
    weight: FloatArray
    heavy: FloatArray
    noise: FloatArray
    rows: FloatArray
    centre: FloatArray

    def means(self, values: FloatArray) -> FloatArray:
        """Return the weighted mean of `values`, shape (blocks,), in each group."""
        return np.asarray(np.add.reduceat(values * self.weight, self.starts) / self.heavy, dtype=np.float64)


def _groups(design: FloatArray, t: FloatArray, variance: FloatArray) -> _Groups:
    count = len(t)
    size = max(1, min(4, count // 8), math.ceil(count / _MOST_GROUPS))
    weight = 1.0 / variance
    starts = np.arange(0, max(count - size + 1, 1), size)
    heavy = np.add.reduceat(weight, starts)
    # Means of few overlapping blocks feel only part of the correlation.
    noise = (1.0 + (1.0 / 3.0) * (1.0 - 1.0 / size)) / heavy
    rows = np.add.reduceat(design * weight[:, None], starts) / heavy[:, None]
    return _Groups(starts, weight, heavy, noise, rows, np.add.reduceat(t * weight, starts) / heavy)


def _strays_beyond_noise(groups: _Groups, residual: FloatArray) -> bool:
    """Tell whether the residual is larger than noise makes it in 99 of 100 cases."""
    free = len(groups.starts) - groups.rows.shape[1]
    if free < 1:
        return False
    # 99 % point of chi squared by Wilson and Hilferty.
    limit = free * (1.0 - 2.0 / (9.0 * free) + 2.326 * math.sqrt(2.0 / (9.0 * free))) ** 3
    return bool(np.sum(groups.means(residual) ** 2 / groups.noise) > limit)


def _walk_strength(groups: _Groups, residual: FloatArray, variance: FloatArray, hop_s: float) -> tuple[float, int]:
    """Return the variance per second of a random walk of the phase that explains the excess, and its freedom.

    The larger of two readings: from the slow parts of the phase itself, and from the pitch over stretches of
    about 80 ms with its correlation over two stretches (Bartlett weights), both less what noise explains.
    """
    means, noise, rows = groups.means(residual), groups.noise, groups.rows
    since = groups.centre - groups.centre[0]
    walk = np.minimum.outer(since, since)
    _, gain = _solve(rows, means, 1.0 / noise)
    left = np.eye(len(means)) - rows @ gain
    expected = float(((left @ walk) * left).sum())
    slow = float((means**2 - noise).sum()) / max(expected, 1e-300)

    size = max(1, min(round(_STRETCH_S / hop_s), (len(residual) - 1) // 4))
    picks = np.arange(0, len(residual), size)
    step_s = size * hop_s
    speed = (residual[picks[1:]] - residual[picks[:-1]]) / step_s
    free = max(len(speed) - (rows.shape[1] - 1), 1)
    by_noise = float(variance[picks].mean()) * 2.0 / step_s**2
    lag = [float(speed[h:] @ speed[: len(speed) - h]) / free for h in range(min(3, len(speed)))]
    lag += [0.0] * (3 - len(lag))
    spread = max(lag[0] - by_noise, 0.0)
    together = spread + max(4.0 / 3.0 * (lag[1] + 0.5 * by_noise), 0.0) + max(2.0 / 3.0 * lag[2], 0.0)
    # The fit itself has swallowed the slowest part of the wander; the sum over lags misses it.
    kept = max(1.0 - 2.0 * (rows.shape[1] - 1) / len(speed), 0.4)
    return max(slow, together * step_s / kept, 0.0), free


def _solve_walking(groups: _Groups, y: FloatArray, strength: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Least squares where the phase walks: the solution, and its covariances from noise and from the walk.

    With a strong walk this gives the plain mean of the frequency over time, loud and soft moments alike.
    """
    noise, rows = groups.noise, groups.rows
    since = groups.centre - groups.centre[0]
    walk = strength * np.minimum.outer(since, since)
    scale = np.sqrt((rows * rows).sum(axis=0) / len(rows))
    scaled = rows / scale
    # A tone almost free of noise would leave the walk's first row, which is zero, alone.
    least = 1e-9 * float(walk[-1, -1])
    both = walk.copy()
    both.flat[:: len(both) + 1] += np.maximum(noise, least)
    whitened = _solve_positive(both, scaled)
    gain = _solve_positive(whitened.T @ scaled, whitened.T) / scale[:, None]
    return gain @ groups.means(y), (gain * noise) @ gain.T, gain @ walk @ gain.T


def _steadiness(residual: FloatArray, t: FloatArray, hop_s: float, frequency_hz: float) -> float:
    """Return the standard deviation in cents of the pitch over 80 ms stretches, from the phase left over."""
    size = max(2, round(_STRETCH_S / hop_s))
    picks = np.arange(0, len(t), size)
    if len(picks) < 4:
        return math.nan
    hz = (residual[picks[1:]] - residual[picks[:-1]]) / (t[picks[1:]] - t[picks[:-1]]) / (2.0 * np.pi)
    hz -= hz.mean()
    return math.sqrt(float(hz @ hz) / (len(hz) - 1)) * CENTS_PER_RELATIVE / frequency_hz
