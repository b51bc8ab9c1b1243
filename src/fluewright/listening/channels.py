"""What the channels of a file hold: power, likeness, flat tops, summed up block by block."""

import math

import numpy as np

from fluewright.arrays import BoolArray, Float32Array, FloatArray

__all__ = ["ChannelSums"]


_CLIP_RUN = 3


class ChannelSums:
    """Sums over a file's channels, block by block: power, likeness, flat tops."""

    def __init__(self) -> None:
        self.frames = 0
        self._total = np.zeros(0)
        self._products = np.zeros((0, 0))
        self._peak = np.zeros(0)
        self._flat = np.zeros(0, dtype=np.int64)
        self._tail: Float32Array | None = None
        self._counted = np.zeros((0, 0), dtype=bool)

    def add(self, block: Float32Array) -> None:
        """Take in a block of shape (n, channels)."""
        channels = block.shape[1]
        if self.frames == 0:
            self._total, self._products = np.zeros(channels), np.zeros((channels, channels))
            self._peak, self._flat = np.zeros(channels), np.zeros(channels, dtype=np.int64)
            self._counted = np.zeros((0, channels), dtype=bool)
        self.frames += len(block)
        exact = block.astype(np.float64)
        self._total += exact.sum(axis=0)
        # One channel without the matrix product, which would wake threads for a sum.
        self._products += np.sum(np.square(exact)) if channels == 1 else exact.T @ exact
        joined = block if self._tail is None else np.concatenate([self._tail, block])
        flat = np.zeros(joined.shape, dtype=bool)
        for index in range(channels):
            self._count_flat(index, np.abs(joined[:, index]), flat[:, index])
        self._tail, self._counted = joined[-(_CLIP_RUN - 1) :].copy(), flat[-(_CLIP_RUN - 1) :].copy()

    def _count_flat(self, index: int, size: Float32Array, flat: BoolArray) -> None:
        """Count and mark samples in runs of three or more at the channel's own peak, close to full scale."""
        peak = float(size.max())
        if peak > self._peak[index] + 2e-5:
            # What stood flat under a lower top was no clipping.
            if min(peak, 1.0) - 2e-5 > self._peak[index]:
                self._flat[index] = 0
                self._counted[:, index] = False
            self._peak[index] = peak
        top = float(self._peak[index])
        if top < 0.9 or peak < min(top, 1.0) - 2e-5:
            return
        at_top = size >= min(top, 1.0) - 2e-5
        triple = at_top[2:] & at_top[1:-1] & at_top[:-2]
        if not triple.any():
            return
        for shift in range(_CLIP_RUN):
            flat[shift : shift + len(triple)] |= triple
        # A run may go on from the block before: of its samples there those count that did not count yet.
        before = self._counted[:, index]
        self._flat[index] += int(np.count_nonzero(flat)) - int(np.count_nonzero(flat[: len(before)] & before))
        flat[: len(before)] |= before

    def clipping(self) -> list[str]:
        """Return a warning for every clipped channel."""
        warnings = []
        for index, flat in enumerate(self._flat):
            if flat == 0:
                continue
            name = "the sound" if len(self._flat) == 1 else f"channel {index + 1}"
            warnings.append(
                f"{name} is clipped: {100 * flat / self.frames:.3g} % of the samples stand in flat tops at"
                f" {self._peak[index]:.3g} of full scale; levels and harmonics are not to be trusted, record at a"
                " lower level"
            )
        return warnings

    def weights(self) -> tuple[FloatArray, list[str]]:
        """Return the share of every channel, shape (channels,), and what was odd about the channels."""
        channels = len(self._total)
        weights = np.ones(channels)
        warnings: list[str] = []
        covariance = self._products / self.frames - np.outer(self._total, self._total) / self.frames**2
        power = np.maximum(np.diag(covariance), 0.0)
        loudest = float(power.max())
        # 60 dB under the loudest channel is cross-talk or the hiss of an open input.
        dead = power < 1e-6 * loudest
        if loudest > 0.0 and dead.any():
            names = ", ".join(str(1 + i) for i in np.flatnonzero(dead))
            warnings.append(f"channel {names} of {channels} is dead (no sound); the others are used")
            weights[dead] = 0.0
        elif channels == 2 and loudest > 0.0:
            likeness = covariance[0, 1] / math.sqrt(power[0] * power[1])
            if likeness < -0.8:
                warnings.append(
                    f"channel 2 is inverted against channel 1 (correlation {likeness:.2f}); it was turned round"
                    " before mixing, check the cable or the microphone's polarity switch"
                )
                weights[1] = -1.0
        return weights / np.abs(weights).sum(), warnings

    def offset_and_loudness(self, weights: FloatArray) -> tuple[float, float]:
        """Return mean and root mean square of the sound mixed by `weights`, shape (channels,)."""
        offset = float(self._total @ weights) / self.frames
        return offset, math.sqrt(max(float(weights @ self._products @ weights) / self.frames, 0.0))
