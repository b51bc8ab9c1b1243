"""How labels that want the same place move apart by the least amount."""

import math
from collections.abc import Sequence
from itertools import pairwise

__all__ = ["beside", "flowing", "in_rows", "spread_apart"]


def spread_apart(wanted_mm: Sequence[float], gap_mm: float, low_mm: float, high_mm: float) -> list[float]:
    """Return places at least ``gap_mm`` apart, in order, nearest to the wanted ones in least squares.

    Parameters
    ----------
    wanted_mm : sequence of float, shape (n,)
        Wanted places, not falling.
    gap_mm : float
        Least distance of neighbours.
    low_mm, high_mm : float
        Ends of the allowed range. When the labels do not fit, they are spaced evenly over it.

    Returns
    -------
    list of float, shape (n,)

    Notes
    -----
    With ``y_i = place_i - i gap`` the task is isotonic regression, solved by pooling adjacent violators; the
    bounded solution is the clipped one.

    References
    ----------
    .. [1] R. E. Barlow, D. J. Bartholomew, J. M. Bremner, H. D. Brunk, Statistical Inference under Order
       Restrictions, Wiley, 1972, chapter 1.
    """
    count = len(wanted_mm)
    if count == 0:
        return []
    room = high_mm - low_mm
    gap = min(gap_mm, room / (count - 1)) if count > 1 else gap_mm
    pools: list[tuple[float, int]] = []
    for index, wanted in enumerate(wanted_mm):
        mean, size = wanted - index * gap, 1
        while pools and pools[-1][0] > mean:
            other, other_size = pools.pop()
            mean = (mean * size + other * other_size) / (size + other_size)
            size += other_size
        pools.append((mean, size))
    flat = [mean for mean, size in pools for _ in range(size)]
    last = max(low_mm, high_mm - (count - 1) * gap)
    return [min(max(value, low_mm), last) + index * gap for index, value in enumerate(flat)]


def beside(wanted_mm: Sequence[float], widths_mm: Sequence[float], low_mm: float, high_mm: float) -> list[float]:
    """Return centres of words of different widths beside each other, nearest to the wanted ones in least squares.

    Parameters
    ----------
    wanted_mm, widths_mm : sequence of float, shape (n,)
        Wanted centres, not falling, and the widths with the gap to the next word.
    low_mm, high_mm : float
        Ends of the range that the words may take up.

    Returns
    -------
    list of float, shape (n,)
    """
    if not widths_mm:
        return []
    # Less what the words before take up, each may come as near as the next.
    before = [0.0]
    for a, b in pairwise(widths_mm):
        before.append(before[-1] + 0.5 * (a + b))
    low, high = low_mm + 0.5 * widths_mm[0], high_mm - 0.5 * widths_mm[-1]
    shifted = [x - b for x, b in zip(wanted_mm, before, strict=True)]
    return [x + b for x, b in zip(spread_apart(shifted, 0.0, low, high - before[-1]), before, strict=True)]


def in_rows(
    wanted_mm: Sequence[float], widths_mm: Sequence[float], low_mm: float, high_mm: float, *, most_moved_mm: float
) -> list[list[tuple[int, float]]]:
    """Return rows of (index, centre): as few rows as hold all words, none further than allowed from its wanted centre.

    The words go round the rows, so that neighbours stand under each other. Where even a row a word is too narrow for
    one, that word is as near as the range allows.

    Parameters
    ----------
    wanted_mm, widths_mm : sequence of float, shape (n,)
        As of `beside`, in any order.
    low_mm, high_mm : float
        Ends of the range that the words may take up.
    most_moved_mm : float
        How far a word may stand from its wanted centre before one more row is taken.

    Returns
    -------
    list of list of (int, float)
        From the first row; indices into the words.
    """
    order = sorted(range(len(wanted_mm)), key=lambda i: (wanted_mm[i], i))
    rows: list[list[tuple[int, float]]] = []
    for count in range(1, len(order) + 1):
        rows = []
        for first in range(count):
            own = order[first::count]
            places = beside([wanted_mm[i] for i in own], [widths_mm[i] for i in own], low_mm, high_mm)
            rows.append(list(zip(own, places, strict=True)))
        fits = all(math.fsum(widths_mm[i] for i, _ in row) <= high_mm - low_mm for row in rows)
        if fits and all(abs(x - wanted_mm[i]) <= most_moved_mm for row in rows for i, x in row):
            break
    return rows


def flowing(widths_mm: Sequence[float], low_mm: float, high_mm: float, gap_mm: float) -> list[tuple[int, float]]:
    """Return (line, left end) of words that follow each other and go on in the next line where one is full.

    Parameters
    ----------
    widths_mm : sequence of float, shape (n,)
    low_mm, high_mm : float
        Ends of a line.
    gap_mm : float
        Between two words.

    Returns
    -------
    list of (int, float), shape (n,)
    """
    places = []
    line, x = 0, low_mm
    for wide in widths_mm:
        if x + wide > high_mm and x > low_mm:
            line, x = line + 1, low_mm
        places.append((line, x))
        x += wide + gap_mm
    return places
