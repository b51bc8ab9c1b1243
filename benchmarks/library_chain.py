"""The same chain through a general network library (scikit-rf): impedance on a grid of frequencies, then its zeros.

What one would do without these kernels: scattering matrices of every element on a grid, cascaded once a fingering,
and the zero crossings of Im Z between the grid's points. The library has no cheap way to let the openings feel each
other, so the chain is the uncoupled one, which is less work than the kernels do.
"""

import time

import numpy as np
import skrf
from skrf.network import a2s, cascade_list

from fluewright.acoustics.impedance import impedance_curve
from fluewright.acoustics.network import Network
from fluewright.acoustics.resonance import resonances
from plain_chain import Plan, chimneys_of, foot, plan, tubes_of

WANTED_CENTS = 0.001
SEMITONE = 2.0 ** (1 / 12)
PORT = 1e7  # Pa s/m3, of the same size as the duct's own


def crossing(f, x, nearest, points):
    """Return the upward zero of x(f) next to `nearest`, by a polynomial through 2 or 4 neighbouring points."""
    up = np.flatnonzero((x[:-1] < 0) & (x[1:] >= 0))
    if up.size == 0:
        return np.nan
    at = up[np.argmin(np.abs(f[up] - nearest))]
    first = min(max(at - points // 2 + 1, 0), f.size - points)
    own = slice(first, first + points)
    step = f[1] - f[0]
    along = (f[own] - f[at]) / step
    poly = np.polynomial.Polynomial(np.linalg.solve(np.vander(along, increasing=True), x[own]))
    slope = poly.deriv()
    t = x[at] / (x[at] - x[at + 1])
    for _ in range(5):
        t -= poly(t) / slope(t)
    return f[at] + t * step


def grid(found_hz, step_hz, share=0.0):
    """Return the grid over both registers, a semitone beyond the lowest and the highest note."""
    return np.arange(found_hz.min() / SEMITONE + share * step_hz, found_hz.max() * SEMITONE + step_hz, step_hz)


def widest_step_hz(network: Network, points: int) -> tuple[float, float]:
    """Return (step, worst error in cents): the widest step whose zeros are good to WANTED_CENTS for every note.

    Measured on the kernels' own curve for all fingerings and five positions of the grid; steps fall by 2**0.25.
    """
    found = resonances(network).frequencies_hz
    step = 32.0
    while step > 0.02:
        worst = 0.0
        for share in (0.0, 0.2, 0.4, 0.6, 0.8):
            f = grid(found, step, share)
            for row, true in enumerate(found):
                zero = crossing(f, impedance_curve(network, row, f).loop.imag, true, points)
                worst = max(worst, abs(1200 * np.log2(zero / true))) if np.isfinite(zero) else np.inf
            if worst > WANTED_CENTS:
                break
        if worst <= WANTED_CENTS:
            return step, worst
        step *= 2**-0.25
    raise RuntimeError("no grid is fine enough")


def _network(axis, a, b, c, d):
    full = np.empty((axis.npoints, 2, 2), complex)
    full[:, 0, 0], full[:, 0, 1], full[:, 1, 0], full[:, 1, 1] = a, b, c, d
    return skrf.Network(frequency=axis, s=a2s(full, PORT), z0=PORT)


def curves(network: Network, f_hz, rows=None):
    """Return Z of the loop on the grid for the fingerings `rows`, shape (rows, points); elements are made once."""
    p: Plan = plan(network)
    rho, c0 = p.air[:2]
    w = 2 * np.pi * np.asarray(f_hz)
    axis = skrf.Frequency.from_f(f_hz, unit="Hz")
    lines, tubes = tubes_of(w, p)
    bore = [_network(axis, *(part[i] for part in tubes)) for i in range(p.tubes.shape[0])]
    z = foot(w, *p.foot, p.air)
    end = skrf.Network(frequency=axis, s=((z - PORT) / (z + PORT))[:, None, None], z0=PORT)
    resist = rho * w**2 / (4 * np.pi * c0)
    holes = {}
    for row in range(len(network.fingerings)) if rows is None else rows:
        for h, state in enumerate(network.states[row]):
            if (h, state) in holes:
                continue
            # One hole at a time: the plan's columns are fingerings there, points of the grid here.
            wide = np.repeat(p.constants[:, :, [row]], w.size, axis=2)
            own = Plan(**{**vars(p), "constants": wide, "open_holes": np.repeat(p.open_holes[:, [row]], w.size, 1)})
            a, b, c, d = (part[h] for part in chimneys_of(lines, own))
            jwr = 1j * w * rho
            out = resist + jwr * p.constants[2, h, row]
            shunt = jwr * p.constants[1, h, row] + ((a * out + b) / (c * out + d) if state else a / c)
            series = jwr * p.constants[0, h, row]
            side = 1 + 0.5 * series / shunt
            holes[h, state] = _network(axis, side, series * (1 + 0.25 * series / shunt), 1 / shunt, side)
    inertance, kappa, radius = p.window
    window = resist + 1j * w * rho * inertance * (1 + kappa * (w / c0 * radius) ** 2)
    found = []
    for row in range(len(network.fingerings)) if rows is None else rows:
        chain = [bore[i] if what == "tube" else holes[i, network.states[row, i]] for what, i in reversed(p.steps)]
        s = cascade_list([*chain, end]).s[:, 0, 0]
        found.append(window + PORT * (1 + s) / (1 - s))
    return np.array(found)


def library_time_s(network: Network, step_hz: float, limit_s: float = 20.0) -> tuple[float, int]:
    """Return (time for all fingerings, number of fingerings really done); the rest is extrapolated."""
    f = grid(resonances(network).frequencies_hz, step_hz)
    n = len(network.fingerings)

    def taken(count):
        begin = time.perf_counter()
        curves(network, f, range(count))
        return time.perf_counter() - begin

    # The elements are shared: what each further fingering costs is the difference of the two.
    taken(1)
    one, two = taken(1), taken(2)
    each = max(two - one, 0.0)
    if one + (n - 1) * each <= limit_s:
        return min(taken(n) for _ in range(2)), n
    count = max(int((limit_s - one) / each), 2)
    some = taken(count)
    return one + (some - one) / (count - 1) * (n - 1), count
