"""Between the points that a curve is known at: where its top lies, and where it crosses a level."""

from typing import TypeVar

import numpy as np

from fluewright.arrays import Float32Array, FloatArray

__all__ = ["crossing", "top_between"]

_LEAST_BEND = 1e-6

_Values = TypeVar("_Values", FloatArray, Float32Array)


def crossing(places: FloatArray, values: FloatArray, first: int, level: float) -> float:
    """Return where a curve crosses a level by a straight line from one point to the next.

    Parameters
    ----------
    places, values : float array, shape (n,)
    first : int
        Number of the point before the crossing.
    level : float

    Returns
    -------
    float
        Between places[first] and places[first + 1], half-way where both values are the same.
    """
    a, b = float(values[first]), float(values[first + 1])
    part = min(max((level - a) / (b - a), 0.0), 1.0) if b != a else 0.5
    return float(places[first]) + part * float(places[first + 1] - places[first])


def top_between(left: _Values, middle: _Values, right: _Values) -> _Values:
    """Return how far the top of a parabola through three neighbouring values lies from the middle one, in places.

    Parameters
    ----------
    left, middle, right : float array, shapes alike, or scalar
        Through the logarithms of a line's powers the parabola is exact for a Gaussian window, and close for others.

    Returns
    -------
    array of the same shape
        Positive towards `right`; 0 where the three do not bend down. Where the middle is the largest it lies between
        -0.5 and 0.5.
    """
    bend = left - 2.0 * middle + right
    return np.where(bend < -_LEAST_BEND, 0.5 * (left - right) / np.minimum(bend, -_LEAST_BEND), 0.0)
