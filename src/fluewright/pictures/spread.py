"""How labels that want the same place move apart by the least amount."""

from collections.abc import Sequence

__all__ = ["spread_apart"]


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
