"""Inertance of the window: the opening between windway exit and edge, seen from the block face."""

import math

from numba import njit

__all__ = ["ear_share", "window_inertance"]


@njit(cache=True)
def ear_share(ear_over_a):
    """Return the share of the window's length correction left when the side walls are cut to this height.

    Four finite-element points at one shape (W/a 0.6, H/a 1.2, wall 0.35 a, ramp 20 deg; physics notes 5.2);
    heights above 0.35 a count as full walls, below 0.03 a the last slope goes on.
    """
    if ear_over_a >= 0.2:
        return 0.99832 + (1.0 - 0.99832) * min((ear_over_a - 0.2) / 0.15, 1.0)
    if ear_over_a >= 0.1:
        return 0.96050 + (0.99832 - 0.96050) * (ear_over_a - 0.1) / 0.1
    return 0.92857 + (0.96050 - 0.92857) * (ear_over_a - 0.03) / 0.07


@njit(cache=True)
def window_inertance(length, width, wall, ramp, a, ear):
    """Return inertance/rho = M/sqrt(W H), 1/m, from the potential-flow fit of the physics notes, 5.2.

    length W, width H, wall e and bore radius a in m, ramp in rad; ear < 0 means side walls of full height.
    Fitted for 0.3 <= W/a <= 1, 0.6 <= H/a <= 1.5, 0.1 <= e/a <= 0.6, 12 to 80 deg; worst error 3.2 % of M.
    """
    w = length / a
    h = width / a
    e = wall / a
    tau = min(max((math.degrees(ramp) - 20.0) / 25.0, -1.0), 1.0)
    slope = math.tan(max(ramp, math.radians(45.0)))
    m = 1.014 - 0.2956 * w - 0.1047 * h - 0.1109 * w * h + 0.0427 * tau
    m += math.sqrt(w / h) * slope * math.log(1.0 + e / (w * slope))
    if ear >= 0.0 and ear < wall:
        m *= ear_share(ear / a) / ear_share(max(wall / a, ear / a))
    return m / math.sqrt(length * width)
