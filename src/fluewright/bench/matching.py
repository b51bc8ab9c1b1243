"""Tells which fingering was meant by each note that was heard."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluewright.acoustics.resonance import CENTS_PER_RELATIVE

__all__ = ["Match", "match_notes"]


@dataclass(frozen=True)
class Match:
    """`by_fingering[i]` lists the heard notes taken for fingering i; `extra` fit none; `missing` were not heard."""

    by_fingering: dict[int, tuple[int, ...]]
    extra: tuple[int, ...]
    missing: tuple[int, ...]


def match_notes(heard_hz: Sequence[float], expected_hz: NDArray[np.float64], *, widest_cents: float = 90.0) -> Match:
    """Match heard frequencies to expected ones: the shift common to all is removed first, then the nearest is taken.

    Parameters
    ----------
    heard_hz : sequence of float
    expected_hz : array, shape (n,)
        What every fingering should sound now, for instance the calibrated forecast.
    widest_cents : float
        A note further than this from every expectation is extra. Keep it under a semitone.
    """
    heard = np.asarray(heard_hz, dtype=float)
    if heard.size == 0:
        return Match({}, (), tuple(range(expected_hz.size)))
    gap = CENTS_PER_RELATIVE * np.log(heard[:, None] / expected_hz[None, :])
    nearest = gap[np.arange(heard.size), np.abs(gap).argmin(axis=1)]
    common = float(np.median(nearest)) if heard.size >= 3 else 0.0
    gap = gap - common
    best = np.abs(gap).argmin(axis=1)
    taken: dict[int, list[int]] = {}
    extra = []
    for i, j in enumerate(best):
        if abs(gap[i, j]) <= widest_cents:
            taken.setdefault(int(j), []).append(i)
        else:
            extra.append(i)
    missing = tuple(j for j in range(expected_hz.size) if j not in taken)
    return Match({j: tuple(v) for j, v in sorted(taken.items())}, tuple(extra), missing)
