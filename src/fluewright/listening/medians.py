"""Medians of small arrays, without the checks that make NumPy's own slow on a handful of values."""

import numpy as np

from fluewright.arrays import FloatArray

__all__ = ["column_medians", "median", "running_median"]


def median(values: FloatArray) -> float:
    """Return the upper median of an array of any shape: of an even number, the larger of the two middle ones."""
    flat = values.reshape(-1)
    middle = len(flat) // 2
    return float(np.partition(flat, middle)[middle])


def column_medians(values: FloatArray) -> FloatArray:
    """Return the upper median of each column of an array of shape (rows, columns)."""
    middle = len(values) // 2
    return np.asarray(np.partition(values, middle, axis=0)[middle], dtype=np.float64)


def running_median(values: FloatArray, width: int) -> FloatArray:
    """Return the running median over `width` (odd) values of shape (n,), as many as were given; the ends are held."""
    if len(values) < 2:
        return values.copy()
    half = width // 2
    padded = np.concatenate([np.full(half, values[0]), values, np.full(half, values[-1])])
    views = np.lib.stride_tricks.sliding_window_view(padded, width)
    return np.asarray(np.partition(views, half, axis=1)[:, half], dtype=np.float64)
