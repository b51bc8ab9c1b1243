"""What the phases of partials tell of the pitch: turns along a known pitch, and how far the sound strays from it."""

import numpy as np

from fluewright.arrays import ComplexArray, FloatArray
from fluewright.units import CENTS_PER_RELATIVE

__all__ = ["stray_cents", "stray_hz", "turns_along", "unwrapped"]


def turns_along(pitch_hz: FloatArray, steps_s: FloatArray | float) -> FloatArray:
    """Return the turns since the first block of a tone with a pitch, by trapezes.

    Parameters
    ----------
    pitch_hz : float array, shape (m,)
        Pitch at each block in Hz.
    steps_s : float array, shape (m - 1,), or scalar
        Time from each block to the next.

    Returns
    -------
    float array, shape (m,)
        The first is 0.
    """
    steps = 0.5 * (pitch_hz[1:] + pitch_hz[:-1]) * steps_s
    return np.concatenate([[0.0], np.cumsum(steps)])


def unwrapped(angle: FloatArray) -> FloatArray:
    """Take out whole turns between successive rows; as `numpy.unwrap`, in a quarter of its time on short arrays.

    Parameters
    ----------
    angle : float array, shape (m,) or (m, k)
        Phases in radians.
    """
    turns = np.cumsum(np.rint((angle[1:] - angle[:-1]) / (2.0 * np.pi)), axis=0)
    out = angle.copy()
    out[1:] -= 2.0 * np.pi * turns
    return out


def stray_hz(z: ComplexArray, pitch_hz: float, hop_s: float, lead: int) -> FloatArray:
    """Return how far the pitch lies from a fixed one between successive windows, from all partials together.

    Parameters
    ----------
    z : complex array, shape (m, k)
        Amplitudes of partials 1 to k in each window, demodulated at multiples of `pitch_hz`.
    pitch_hz : float
    hop_s : float
        Time from window to window.
    lead : int
        Order of the partial that the others are unwrapped against.

    Returns
    -------
    float array, shape (m - 1,)
        Hz; positive when sharp.
    """
    count = z.shape[1]
    orders = np.arange(1, count + 1)
    turn = np.exp(-2j * np.pi * pitch_hz * hop_s * orders)
    step = z[1:] * np.conj(z[:-1]) * turn
    lead_phase = np.angle(step[:, lead - 1]) / lead
    if count == 1:
        return np.asarray(lead_phase / (2.0 * np.pi * hop_s), dtype=np.float64)
    left = np.angle(step * np.exp(-1j * lead_phase[:, None] * orders))
    # Partials whose phase strays far from the lead's are in noise.
    weight = np.where(np.abs(left) < 1.0, np.abs(step), 0.0)
    weight[:, lead - 1] += 1e-30
    phase = lead_phase + (weight * orders * left).sum(axis=1) / (weight * orders**2).sum(axis=1)
    return np.asarray(phase / (2.0 * np.pi * hop_s), dtype=np.float64)


def stray_cents(strays_hz: FloatArray, pitch_hz: float) -> FloatArray:
    """Return strays from a pitch in cents.

    Parameters
    ----------
    strays_hz : float array, shape (m,)
    pitch_hz : float
    """
    return np.asarray(np.log1p(np.maximum(strays_hz / pitch_hz, -0.5)) * CENTS_PER_RELATIVE, dtype=np.float64)
