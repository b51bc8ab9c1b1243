"""Tells which fingering was meant by each note that was heard."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.units import CENTS_PER_RELATIVE

__all__ = ["LEAST_CHANCE", "SLIP_SHARE", "Match", "chance_of_strays", "match_notes"]

# Share of the notes in an honest recording that fit no fingering: a squeak, a leaking finger, a note of another
# fingering, one misheard (our estimate, no source; simulated pieces gave none).
SLIP_SHARE = 0.05
# A recording with so many strays that fewer than one honest recording in a hundred has as many is not believed: to
# play again costs a minute, to cut by the wrong recording a piece.
LEAST_CHANCE = 0.01
# Strays nearer than this count as one note heard again.
_SAME_NOTE_CENTS = 50.0


@dataclass(frozen=True)
class Match:
    """`by_fingering[i]` lists the heard notes taken for fingering i; `extra` fit none; `missing` were not heard."""

    by_fingering: dict[int, tuple[int, ...]]
    extra: tuple[int, ...]
    missing: tuple[int, ...]


def match_notes(heard_hz: Sequence[float], expected_hz: FloatArray, *, widest_cents: float = 90.0) -> Match:
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


def chance_of_strays(
    heard_hz: Sequence[float], match: Match, *, slips: int = 0, slip_share: float = SLIP_SHARE
) -> float:
    """Return the chance that a recording of this piece has at least as many notes that fit no fingering.

    Two well-tuned instruments share most of their notes, so that what does fit says little of which one was played;
    the notes that this one cannot give do. Each pitch is a slip by the same chance, independently of the others, so
    their number is binomial. Repeats count once, in the fingerings as among the strays: a recording with everything
    played three times tells no more of this than one with everything played once.

    Parameters
    ----------
    heard_hz : sequence of float
        The notes that were matched.
    match : Match
    slips : int
        Matched notes that the calibration takes for slips.
    slip_share : float
        Chance of a slip, 0 to 1.

    Returns
    -------
    float
        1 without strays; compare it with `LEAST_CHANCE`.
    """
    strays = np.sort(np.asarray(heard_hz, dtype=float)[list(match.extra)])
    if strays.size + slips == 0:
        return 1.0
    distinct = slips
    if strays.size:
        distinct += 1 + int((CENTS_PER_RELATIVE * np.diff(np.log(strays)) > _SAME_NOTE_CENTS).sum())
    n = len(match.by_fingering) - slips + distinct
    fewer = sum(math.comb(n, i) * slip_share**i * (1.0 - slip_share) ** (n - i) for i in range(distinct))
    return max(1.0 - fewer, 0.0)
