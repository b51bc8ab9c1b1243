"""Sound of one channel: what all measuring begins with."""

from dataclasses import dataclass

from fluewright.arrays import Float32Array, FloatArray

__all__ = ["Sound", "SoundArray"]

SoundArray = FloatArray | Float32Array
"""Samples in double or in single precision; single is 140 dB deep, enough for all that microphones hear."""


@dataclass(frozen=True, eq=False)
class Sound:
    """Sound of one channel.

    Parameters
    ----------
    samples : float or float32 array, shape (n,)
        Sound pressure relative to full scale (1.0).
    rate_hz : float
        Samples per second.
    """

    samples: SoundArray
    rate_hz: float

    def __len__(self) -> int:
        """Return the number of samples."""
        return len(self.samples)
