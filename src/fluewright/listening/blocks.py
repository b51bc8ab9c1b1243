"""Blocks of sound as they come from a microphone or a caller: checked before anything is measured in them."""

import numpy as np
from numpy.typing import ArrayLike

from fluewright.arrays import FloatArray
from fluewright.errors import RecordingError

__all__ = ["channels_of", "one_channel"]


def one_channel(samples: ArrayLike) -> FloatArray:
    """Return a block of one channel as an array of shape (n,).

    Raises
    ------
    RecordingError
        It has another shape, or samples that are not numbers.
    """
    block = np.asarray(samples, dtype=np.float64)
    if block.ndim != 1:
        raise RecordingError(f"a block has the shape {block.shape}; one channel (n,) is needed")
    return _numbers(block)


def channels_of(samples: ArrayLike) -> FloatArray:
    """Return a block of one or more channels as an array of shape (n, channels).

    Raises
    ------
    RecordingError
        It has another shape than (n,) or (n, channels), or samples that are not numbers.
    """
    block = np.asarray(samples, dtype=np.float64)
    block = block[:, None] if block.ndim == 1 else block
    if block.ndim != 2 or block.shape[1] == 0:
        raise RecordingError(f"a block has the shape {np.shape(samples)}; (n,) or (n, channels) is needed")
    return _numbers(block)


def _numbers(block: FloatArray) -> FloatArray:
    if not np.isfinite(block).all():
        raise RecordingError("a block holds samples that are not numbers; check the sound input")
    return block
