"""What the sizes say at one place along the bore: radius and temperature there.

Each with what it does to the gradient by the sizes.
"""

import math
from typing import NamedTuple

from fluewright.acoustics.kernels.compiled import kernel
from fluewright.acoustics.kernels.offsets import PLACE, RADIUS, WARM_LENGTH, WARM_SHARE

__all__ = ["Along", "interpolate", "spread", "warm", "warm_slope"]


class Along(NamedTuple):
    """A radius between stations: its value and slope along the bore, the station before it, the next one's weight."""

    value: float
    slope: float
    station: int
    weight: float


@kernel
def interpolate(x, stations):
    """Return the radius at x, see `Along`, between stations, shape (n, 2); the ends are held."""
    count = stations.shape[0]
    if x <= stations[0, PLACE]:
        return Along(stations[0, RADIUS], 0.0, 0, 0.0)
    for i in range(count - 1):
        x1 = stations[i + 1, PLACE]
        if x < x1 or (i == count - 2 and x <= x1):
            x0 = stations[i, PLACE]
            r0 = stations[i, RADIUS]
            r1 = stations[i + 1, RADIUS]
            slope = (r1 - r0) / (x1 - x0)
            return Along(r0 + slope * (x - x0), slope, i, (x - x0) / (x1 - x0))
    return Along(stations[count - 1, RADIUS], 0.0, count - 1, 0.0)


@kernel
def spread(by_stations, amount, at):
    """Add d/d(station sizes) of an interpolated radius to the gradient's stations, shape (n, 2)."""
    by_stations[at.station, RADIUS] += amount * (1.0 - at.weight)
    if at.station + 1 < by_stations.shape[0] and at.weight > 0.0:
        by_stations[at.station + 1, RADIUS] += amount * at.weight
        by_stations[at.station, PLACE] -= amount * at.slope * (1.0 - at.weight)
        by_stations[at.station + 1, PLACE] -= amount * at.slope * at.weight


@kernel
def warm(x, head):
    """Return the absolute temperature at x over that of the room; breath cools on its way, but not before the exit.

    head: sizes of the head, shape (HEAD_SIZES,).
    """
    if head[WARM_SHARE] == 0.0:
        return 1.0
    return 1.0 + head[WARM_SHARE] * math.exp(-max(x, 0.0) / head[WARM_LENGTH])


@kernel
def warm_slope(by_head, x, head, by_c, by_rho, by_mu):
    """Add what the local temperature does to the gradient; return the derivative by x.

    by_head, head: slopes by the head's sizes and these, shape (HEAD_SIZES,); by_c, by_rho, by_mu: slopes by the
    logarithms of the local air, which temperature moves as `gas.warmed` says.
    """
    decay = math.exp(-max(x, 0.0) / head[WARM_LENGTH])
    tau = 1.0 + head[WARM_SHARE] * decay
    by_tau = (0.5 * by_c - by_rho + 0.7 * by_mu) / tau
    by_head[WARM_SHARE] += by_tau * decay
    if head[WARM_SHARE] == 0.0 or x <= 0.0:
        return 0.0
    by_head[WARM_LENGTH] += by_tau * head[WARM_SHARE] * decay * x / head[WARM_LENGTH] ** 2
    return -by_tau * head[WARM_SHARE] * decay / head[WARM_LENGTH]
