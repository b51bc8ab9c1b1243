"""Several playings of one note in one trial become one figure."""

from collections.abc import Sequence

import numpy as np

from fluewright.units import CENTS_PER_RELATIVE

__all__ = ["SAME_CENTS", "of_repeats"]

SAME_CENTS = 12.0
"""A playing further than this from the median of three or more is a slip (common practice, no source)."""

_BLOWING_CENTS = 1.5


def of_repeats(frequencies_hz: Sequence[float], sigmas_hz: Sequence[float]) -> tuple[float, float, int]:
    """Return (Hz, its standard uncertainty of listening, playings counted) of one note.

    The mean, weighted by the uncertainties; of three and more, those far from the median are left out first. Where an
    even number of them lies so far apart that none is near the median, there is no telling which are right: the median
    itself counts, as one playing, unsure by half of what lies between the two beside it.

    Parameters
    ----------
    frequencies_hz, sigmas_hz : sequence of float
        Of the same length, at least one.
    """
    hz = np.asarray(frequencies_hz, dtype=float)
    sigma = np.maximum(np.asarray(sigmas_hz, dtype=float), 1e-4)
    if hz.size >= 3:
        near = np.abs(CENTS_PER_RELATIVE * np.log(hz / np.median(hz))) <= SAME_CENTS
        if not near.any():
            low, high = np.sort(hz)[[hz.size // 2 - 1, hz.size // 2]]
            return float(np.median(hz)), float(np.hypot(0.5 * (high - low), sigma.max())), 1
        hz, sigma = hz[near], sigma[near]
    # Playings differ by more than listening is unsure of them, so that none may count for much more than the others.
    weight = 1.0 / (sigma**2 + (_BLOWING_CENTS / CENTS_PER_RELATIVE * hz) ** 2)
    return float((weight * hz).sum() / weight.sum()), float(1.0 / np.sqrt((1.0 / sigma**2).sum())), int(hz.size)
