"""What the vector of sizes says at one place along the bore: radius, temperature and air there.

Each with what it does to the gradient by the sizes.
"""

import math

from fluewright.acoustics.kernels.compiled import kernel
from fluewright.acoustics.kernels.offsets import C_SCALE, WARM_LENGTH, WARM_SHARE

__all__ = ["interpolate", "local_air", "spread", "warm", "warm_slope"]


@kernel
def interpolate(x, dims, first, count):
    """Return (value, slope, station, weight) of a station table at x; the ends are held."""
    if x <= dims[first]:
        return dims[first + 1], 0.0, 0, 0.0
    for i in range(count - 1):
        x1 = dims[first + 2 * i + 2]
        if x < x1 or (i == count - 2 and x <= x1):
            x0 = dims[first + 2 * i]
            v0 = dims[first + 2 * i + 1]
            v1 = dims[first + 2 * i + 3]
            slope = (v1 - v0) / (x1 - x0)
            return v0 + slope * (x - x0), slope, i, (x - x0) / (x1 - x0)
    return dims[first + 2 * count - 1], 0.0, count - 1, 0.0


@kernel
def spread(grad, amount, first, station, weight, slope, count):
    """Add d/d(station sizes) of an interpolated value to the gradient."""
    grad[first + 2 * station + 1] += amount * (1.0 - weight)
    if station + 1 < count and weight > 0.0:
        grad[first + 2 * station + 3] += amount * weight
        grad[first + 2 * station] -= amount * slope * (1.0 - weight)
        grad[first + 2 * station + 2] -= amount * slope * weight


@kernel
def warm(x, dims):
    """Return the absolute temperature at x over the temperature that the air vector was made for."""
    if dims[WARM_SHARE] == 0.0:
        return 1.0
    return 1.0 + dims[WARM_SHARE] * math.exp(-max(x, 0.0) / dims[WARM_LENGTH])


@kernel
def warm_slope(grad, x, dims, by_c, by_rho, by_mu):
    """Add what the local temperature does to the gradient; return the derivative by x.

    tau scales c as its root, rho as its inverse, mu as its power 0.7; see `local_air`.
    """
    decay = math.exp(-max(x, 0.0) / dims[WARM_LENGTH])
    tau = 1.0 + dims[WARM_SHARE] * decay
    by_tau = (0.5 * by_c - by_rho + 0.7 * by_mu) / tau
    grad[WARM_SHARE] += by_tau * decay
    if dims[WARM_SHARE] == 0.0 or x <= 0.0:
        return 0.0
    grad[WARM_LENGTH] += by_tau * dims[WARM_SHARE] * decay * x / dims[WARM_LENGTH] ** 2
    return -by_tau * dims[WARM_SHARE] * decay / dims[WARM_LENGTH]


@kernel
def local_air(air, tau, dims):
    """Return (rho, c, mu) of the local air: temperature ratio tau, and the calibration factor on c."""
    scale = dims[C_SCALE]
    if tau == 1.0:
        return air[0] / (scale * scale), air[1] * scale, air[2]
    return air[0] / (tau * scale * scale), air[1] * math.sqrt(tau) * scale, air[2] * tau**0.7
