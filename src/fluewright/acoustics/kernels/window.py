"""Inertance of the window: the opening between windway exit and edge, seen from the block face.

Two formulas: `window_inertance` (docs/physics/window.md#plain-window), and `window_solved`, fitted to our own
finite-element study of whole heads (research/window), which also knows edge, ears and block; its numbers come as a
table.
"""

import math

from fluewright.acoustics.kernels.compiled import kernel

__all__ = ["SOLVED_TERMS", "ear_share", "window_inertance", "window_solved"]

SOLVED_TERMS = 30  # length of the table of `window_solved`: 27 of M, 3 of its rise with frequency


@kernel
def ear_share(ear_over_a):
    """Return the share of the window's length correction left when the side walls are cut to this height.

    Four finite-element points at one shape (W/a 0.6, H/a 1.2, wall 0.35 a, ramp 20 deg;
    docs/physics/window.md#ears); heights above 0.35 a count as full walls, below 0.03 a the last slope goes on.
    """
    if ear_over_a >= 0.2:
        return 0.99832 + (1.0 - 0.99832) * min((ear_over_a - 0.2) / 0.15, 1.0)
    if ear_over_a >= 0.1:
        return 0.96050 + (0.99832 - 0.96050) * (ear_over_a - 0.1) / 0.1
    return 0.92857 + (0.96050 - 0.92857) * (ear_over_a - 0.03) / 0.07


@kernel
def window_inertance(length, width, wall, ramp, a, ear):
    """Return inertance/rho = M/sqrt(W H), 1/m, from the fit of docs/physics/window.md#plain-window.

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


@kernel
def _channel(w, h, height, slope):
    """Return the wall's share of M: a channel of this height whose back opens with the ramp."""
    return math.sqrt(w / h) * slope * math.log(1.0 + max(height, 0.0) / (w * slope))


@kernel
def window_solved(length, width, wall, ramp, a, ear, offset, thickness, face, table):
    """Return (inertance/rho, kappa): 1/m at low frequency and its rise 1 + kappa (k a)**2.

    Lengths in m: window length and width, wall and bore radius a, ear height over the edge (< 0 means full), underside
    of the edge over the bore line, thickness of the edge, block face (> 0 reaches under the window). ramp in rad. The
    plane of reference is the block face where it reaches under the window, otherwise the windway exit; a bore behind
    that plane is not part of it. Terms and coefficients: research/window/fit.py, in its order; table: shape
    (SOLVED_TERMS,).
    """
    ws = length / a
    h = width / a
    off = offset / a
    thick = thickness / a
    advance = max(face / a, 0.0)
    recess = max(-face / a, 0.0)
    over = max(off, 0.0)
    w = math.sqrt(ws * ws + over * over)
    root = math.sqrt(w / h)
    slope = math.tan(max(ramp, math.radians(45.0)))
    height = wall / a - off - thick
    lost = 0.0
    if ear >= 0.0:
        outer = 1.0 + wall / a
        full = math.sqrt(max(outer * outer - 0.25 * h * h, 0.0)) - 1.0 - off - thick
        lost = max(full - ear / a, 0.0)
    channel = _channel(w, h, height, slope)
    ears = channel - _channel(w, h, height - lost, slope)
    covered = advance / (w - advance)
    tilt = (math.degrees(ramp) - 20.0) / 25.0
    m = (
        table[0]
        + table[1] * w
        + table[2] * h
        + table[3] * w * h
        + table[4] * w * w
        + table[5] * tilt
        + channel * (table[6] + table[7] * h + table[8] * tilt)
        + off * (table[9] + table[10] * root / w)
        + table[11] * max(-off, 0.0) * h / w
        + thick * (table[12] + table[13] * root / w + table[14] * lost / w)
        + covered * (table[15] + table[16] * root + table[17] * w)
        + recess / w * (table[18] + table[19] * off)
        + ears * (table[20] + table[21] * root + table[22] * lost)
        + wall / a * (table[23] * wall / a + table[24] / w)
        + table[25] * h / w
        + table[26] * tilt * root
    )
    m *= math.sqrt(ws / w)
    kappa = table[27] + table[28] * math.sqrt(ws * h) + table[29] * (advance - recess)
    return m / math.sqrt(length * width), kappa
