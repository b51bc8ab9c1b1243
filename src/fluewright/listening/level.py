"""How strong a sound is: A-weighted level, in dB SPL once the microphone is calibrated.

The meter takes sound piece by piece and keeps none of it. One channel is measured.

References
----------
.. [1] IEC 61672-1:2013: A-weighting, and the F time-weighting of 125 ms.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fluewright.arrays import FloatArray
from fluewright.listening.blocks import one_channel
from fluewright.listening.calibration import Calibration
from fluewright.listening.rates import checked_rate
from fluewright.listening.weighting import a_weighting_filter

__all__ = ["LevelMeter", "SoundLevel", "measure_level"]


_PIECE = 1 << 17
_FAST_S = 0.125


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
        self.rate_hz = checked_rate(rate_hz)
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
        block = one_channel(samples)
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
