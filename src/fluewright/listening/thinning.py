"""Sound brought to the rate that all measuring is done at: high enough for what is measured, and no higher."""

import numpy as np

from fluewright.listening.sound import Sound, SoundArray

__all__ = ["Thinner", "thin_out"]


_ENOUGH_HZ = 44_100
_STEP = 16_384
# A long sound is thinned in pieces, so that no second copy of all of it is made.
_BLOCK = 1 << 20


class Thinner:
    """Brings sound to a rate under 88.2 kHz, which holds all that is measured, block by block.

    A windowed-sinc low-pass (Blackman, 48 periods of the new rate) goes before each whole-number reduction; the sound
    is taken as silent before its start.

    Parameters
    ----------
    rate_hz : float
        Samples per second of the blocks.
    """

    def __init__(self, rate_hz: float) -> None:
        self._factor = max(int(rate_hz // _ENOUGH_HZ), 1)
        self.rate_hz = rate_hz / self._factor
        self._half = 24 * self._factor
        place = np.arange(-self._half, self._half + 1)
        kernel = np.sinc(0.92 * place / self._factor) * np.blackman(2 * self._half + 1)
        self._kernel = kernel / kernel.sum()
        self._waiting = np.zeros(self._half)

    def push(self, block: SoundArray) -> SoundArray:
        """Return the thinned samples that are complete with a block; they lag by half the low-pass, 0.6 ms.

        Parameters
        ----------
        block : float array, shape (n,)
            The samples that follow those of the last call.

        Returns
        -------
        float array, shape (m,)
            About n over the reduction; the block itself where nothing is to be thinned.
        """
        if self._factor == 1:
            return block
        self._waiting = np.concatenate([self._waiting, block])
        count = max((len(self._waiting) - len(self._kernel)) // self._factor + 1, 0)
        thinned = np.empty(count)
        for start in range(0, count, _STEP):
            stop = min(start + _STEP, count)
            piece = self._waiting[start * self._factor : (stop - 1) * self._factor + len(self._kernel)]
            views = np.lib.stride_tricks.sliding_window_view(piece, len(self._kernel))
            thinned[start:stop] = views[:: self._factor] @ self._kernel
        self._waiting = self._waiting[count * self._factor :].copy()
        return thinned

    def flush(self) -> SoundArray:
        """Return what still waits as an array of shape (m,), as if silence followed, and begin anew."""
        if self._factor == 1:
            return np.empty(0)
        rest = self.push(np.zeros(self._half))
        self._waiting = np.zeros(self._half)
        return rest


def thin_out(sound: Sound) -> Sound:
    """Return a whole sound at a rate under 88.2 kHz; see `Thinner`.

    Parameters
    ----------
    sound : Sound

    Returns
    -------
    Sound
        The very one that was given where it is slow enough.
    """
    if sound.rate_hz < 2.0 * _ENOUGH_HZ:
        return sound
    thinner = Thinner(sound.rate_hz)
    parts = [thinner.push(sound.samples[at : at + _BLOCK]) for at in range(0, len(sound), _BLOCK)]
    return Sound(np.concatenate([*parts, thinner.flush()]), thinner.rate_hz)
