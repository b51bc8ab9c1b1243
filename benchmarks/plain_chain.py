"""The same chain in plain vectorised NumPy: all notes side by side, roots by the secant rule.

A twin of the kernels for uniform air, written once more from the formulas (Bessel functions from SciPy), so that it
serves both as the yardstick of speed and as a check of the compiled code.
"""

import math

import numpy as np
from scipy.special import ive

from fluewright.acoustics.kernels import network as kernel
from fluewright.acoustics.kernels.window import window_inertance
from fluewright.acoustics.network import Network

UNFLANGED = (0.5, 0.6133, 0.800, 0.266, 0.0263, 0.0599, 0.238, -0.0153, 0.00150)
FLANGED = (1.0, 0.8216, 0.730, 0.372, 0.0231, 0.244, 0.723, -0.0198, 0.00366)


def line(omega, a, air, zeta):
    """Return (Gamma, specific Zc) of a round duct, arrays like omega."""
    rho, c, mu, gamma, pr = air
    q = a * np.sqrt(rho * omega / mu) * np.exp(1j * np.pi / 4)
    fv = 2 / q * ive(1, q) / ive(0, q)
    qt = q * math.sqrt(pr)
    ft = 2 / qt * ive(1, qt) / ive(0, qt)
    nt, nv = 1 + (gamma - 1) * ft, 1 - fv
    jk = 1j * omega / c
    return jk * (1 + zeta * (np.sqrt(nt / nv) - 1)), rho * c * (1 + zeta * (1 / np.sqrt(nt * nv) - 1))


def through(omega, length, r1, r2, air, zeta, p, u):
    """Return (p, u) at the window side of a cylinder or cone."""
    a = r1 if r1 == r2 else (r2 - r1) / math.log(r2 / r1)
    g, zc = line(omega, a, air, zeta)
    e = g * length
    ch, sh = np.cosh(e), np.sinh(e)
    ratio = r2 / r1
    m = (ratio - 1) / e
    front = math.pi * r1 * r1 / zc
    return (
        (ratio * ch - m * sh) * p + zc * sh / (math.pi * r1 * r2) * u,
        front * ((ratio - m * m) * sh + e * m * m * ch) * p + (ch + m * sh) / ratio * u,
    )


def foot(omega, a, b, air):
    """Return the impedance of the open foot with a wall, after Dalmont, Nederveen & Joly (2001)."""
    rho, c = air[:2]
    ka = omega / c * a
    x = ka * ka

    def fit(t):
        r = (1 + t[2] * x) / (1 + (t[0] + t[2]) * x + t[3] * x * x + t[4] * x**3)
        return t[1] * (1 + t[5] * x) / (1 + t[6] * x + t[7] * x * x + t[8] * x**3) * ka + 0.5j * np.log(r)

    s = a / b
    kd = fit(FLANGED) + s * (fit(UNFLANGED) - fit(FLANGED)) + 0.057 * s * (1 - s**5) * ka
    kb = ka / s
    edge = -0.43 * (1 - s) * s * np.sin(kb / (1.85 - s)) ** 2 * np.exp(-1j * kb * (1 + s * (2.3 - s - 0.3 * x)))
    refl = -np.exp(-2j * kd) + edge
    return rho * c / (math.pi * a * a) * (1 + refl) / (1 - refl)


def reactance(omega, network: Network):
    """Return Im Z of the loop for every fingering at its own omega, shape (n,)."""
    sizes, air = network.sizes, network.air_vector()
    rho, c = air[:2]
    zeta = sizes[kernel.LOSS]
    n_bore, n_out = network.n_bore, network.n_out
    kind, index, x, r, con = kernel.lay_out(sizes, n_bore, n_out, network.n_holes, network.rules.vector())
    outside = sizes[kernel.HEAD_SIZES + 2 * n_bore :][: 2 * n_out].reshape(-1, 2)
    p = foot(omega, r[-1], np.interp(x[-1], *outside.T), air)
    u = np.ones_like(p)
    for i in range(kind.size - 2, -1, -1):
        length = x[i + 1] - x[i]
        if length > 0:
            pieces = 1 if r[i] == r[i + 1] else math.ceil(length / 0.020 - 1e-9)
            edges = np.linspace(r[i], r[i + 1], pieces + 1)
            for j in range(pieces - 1, -1, -1):
                p, u = through(omega, length / pieces, edges[j], edges[j + 1], air, zeta, p, u)
        if kind[i] == 2:
            opened = network.states[:, index[i]] != 0
            za = np.empty_like(p)
            zs = np.empty_like(p)
            for state in (0, 1, 2):
                rows = network.states[:, index[i]] == state
                if not rows.any():
                    continue
                w = omega[rows]
                k = con[index[i], state]
                hp = np.ones_like(w) + 0j if state == 0 else rho * w * w / (4 * np.pi * c) + 1j * w * rho * k[2]
                hu = np.zeros_like(w) + 0j if state == 0 else np.ones_like(w) + 0j
                for length, r1, r2 in ((k[3], k[4], k[5]), (k[6], k[4], k[4]), (k[7], k[8], k[4]), (k[9], k[8], k[8])):
                    if length > 0:
                        hp, hu = through(w, length, r1, r2, air, zeta, hp, hu)
                za[rows] = 1j * w * rho * k[0]
                zs[rows] = 1j * w * rho * k[1] + hp / hu
            assert opened.size == p.size
            p = p + 0.5 * za * u
            u = u + p / zs
            p = p + 0.5 * za * u
    start = max(sizes[kernel.BLOCK_DEPTH], 0.0)
    wall = np.interp(start, *outside.T) - r[0]
    m = window_inertance(
        sizes[kernel.WINDOW_LENGTH] - start, sizes[kernel.WINDOW_WIDTH], wall, sizes[kernel.RAMP], r[0],
        sizes[kernel.EAR],
    )  # fmt: skip
    return omega * rho * sizes[kernel.WINDOW_SCALE] * m + (p / u).imag


def roots(network: Network, start_hz):
    """Return the frequencies of all notes, Hz, to 0.001 cent, from a start within half a semitone."""
    w0 = 2 * np.pi * np.asarray(start_hz)
    w1 = w0 * 1.002
    x0 = reactance(w0, network)
    for _ in range(20):
        x1 = reactance(w1, network)
        step = x1 * (w1 - w0) / (x1 - x0)
        w0, x0, w1 = w1, x1, w1 - step
        if np.abs(step / w1).max() < 5e-7:
            break
    return w1 / (2 * np.pi)
