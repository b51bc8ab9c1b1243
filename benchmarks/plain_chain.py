"""The same chain in plain vectorised NumPy: all notes side by side, roots by the secant rule.

A twin of the kernels for uniform air, written once more from the formulas (Bessel functions from SciPy), so that it
serves both as the yardstick of speed and as a check of the compiled code. It goes another way than the kernels:
the unknowns are the flows through all open mouths; pressure and flow inside are carried from the foot to the block
face as linear forms in these unknowns, every open hole adds one equation, the block face the last one, and all notes'
systems are solved side by side.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ive, jnp_zeros

from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.kernels.nodes import constants_of_holes, lay_out
from fluewright.acoustics.kernels.window import window_solved
from fluewright.acoustics.network import Network, Rules

UNFLANGED = (0.5, 0.6133, 0.800, 0.266, 0.0263, 0.0599, 0.238, -0.0153, 0.00150)
FLANGED = (1.0, 0.8216, 0.730, 0.372, 0.0231, 0.244, 0.723, -0.0198, 0.00366)
LONGEST_M = 0.020
# Evanescent waves of a round duct: order and zero of J_m' of the six lowest, the plane wave's zero left out.
WAVES = sorted((float(zero), order) for order in range(6) for zero in jnp_zeros(order, 2))[:6]


def line(omega, a, air, zeta):
    """Return (Gamma, specific Zc) of a round duct; omega and a broadcast."""
    rho, c, mu, gamma, pr = air
    q = a * np.sqrt(rho * omega / mu) * np.exp(0.25j * np.pi)
    fv = 2 / q * ive(1, q) / ive(0, q)
    qt = q * math.sqrt(pr)
    ft = 2 / qt * ive(1, qt) / ive(0, qt)
    nt, nv = 1 + (gamma - 1) * ft, 1 - fv
    jk = 1j * omega / c
    return jk * (1 + zeta * (np.sqrt(nt / nv) - 1)), rho * c * (1 + zeta * (1 / np.sqrt(nt * nv) - 1))


def mean_radius(r1, r2):
    """Return the log-mean radius, where wall loss going as 1/r has its mean."""
    return r1 if r1 == r2 else (r2 - r1) / math.log(r2 / r1)


def tube(length, r1, r2, g, zc):
    """Return (A, B, C, D) of a cylinder or cone, (p, u) at r1 from (p, u) at r2; all arguments broadcast."""
    e = g * length
    ch, sh = np.cosh(e), np.sinh(e)
    ratio = r2 / r1
    m = (ratio - 1) / e
    front = math.pi * r1 * r1 / zc
    return (
        ratio * ch - m * sh,
        zc * sh / (math.pi * r1 * r2),
        front * ((ratio - m * m) * sh + e * m * m * ch),
        (ch + m * sh) / ratio,
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


def outside_share(z, body, angle):
    """Return (delayed, near, growing) shares of one mouth's flow at another through the air: the coupling's fit."""
    distance = np.hypot(z, 2 * body * np.sin(angle / 2))
    same = np.exp(-0.945 * (z / body) ** 0.72)
    behind = -0.49 * (1 + (z / body / 2.6) ** 2) ** -0.7
    facing = np.cos(angle / 2) ** 4
    free = 1 / (4 * np.pi * np.maximum(distance, 1e-6))
    growing = 0.744 * body**2 * np.exp(-z / body / 7.25) * free
    return free, free * (facing * same + (1 - facing) * behind), growing


def inside_share(z, a, angle):
    """Return what two mouths exchange by the bore's evanescent waves, 1/m: mode sum of a rigid round duct."""
    total = 0.0
    for zero, order in WAVES:
        twice = 1 if order == 0 else 2
        total += twice * np.cos(order * angle) * np.exp(-zero * z / a) / (zero * (1 - (order / zero) ** 2))
    return total / (2 * np.pi * a)


@dataclass(frozen=True)
class Plan:
    """What does not depend on frequency: the chain from the foot up, chimneys, openings, window."""

    air: tuple[float, ...]
    zeta: float
    radii: np.ndarray  # of the distinct lines, (lines, 1)
    steps: list[tuple[str, int]]  # "tube", "hole" or "step", and its row
    tubes: np.ndarray  # length, r1, r2, line
    jumps: np.ndarray  # inertance over density
    open_holes: np.ndarray  # (holes, notes)
    constants: np.ndarray  # (10, holes, notes)
    chimney: np.ndarray  # lines of the four parts, (holes, 4)
    foot: tuple[float, float]
    apart: np.ndarray  # distance along the body of every two openings: holes, foot, window
    outer: np.ndarray
    inner: np.ndarray
    growing: np.ndarray
    thick: np.ndarray
    window: tuple[float, float, float]  # inertance over density, kappa, bore radius
    recess: tuple[float, int]  # closed stub behind the exit plane: length (0: none) and line


def plan(network: Network) -> Plan:
    """Return the plan of a network; only what the twin was written for is accepted."""
    rules, sizes = network.rules, network.sizes
    if rules not in (Rules(), Rules(coupled=False), Rules(lossy=False), Rules(lossy=False, coupled=False)):
        raise ValueError("the twin knows the present formulas only, with or without losses and coupling")
    if sizes[offsets.WARM_SHARE] != 0:
        raise ValueError("the twin knows air of one temperature only")
    given = network.given()
    rho, c, mu, gamma, pr = given.gas
    scale = sizes[offsets.C_SCALE]
    air = (rho / scale**2, c * scale, mu, gamma, pr)
    n_bore, n_out, n_holes = network.n_bore, network.n_out, network.n_holes
    nodes = lay_out(given)
    kind, index, x, r = (nodes[name] for name in ("kind", "index", "x", "r"))
    con = constants_of_holes(given, nodes)
    body_x, body_r = sizes[offsets.HEAD_SIZES + 2 * n_bore :][: 2 * n_out].reshape(-1, 2).T
    radii: list[float] = []

    def line_of(r1, r2):
        radius = mean_radius(r1, r2)
        if radius not in radii:
            radii.append(radius)
        return radii.index(radius)

    steps, tubes, jumps = [], [], []
    chimney = np.full((n_holes, 4), -1)
    for i in range(kind.size - 2, -1, -1):
        length = x[i + 1] - x[i]
        if length > 0:
            pieces = 1 if r[i] == r[i + 1] else math.ceil(length / LONGEST_M - 1e-9)
            edges = np.linspace(r[i], r[i + 1], pieces + 1)
            for j in range(pieces - 1, -1, -1):
                steps.append(("tube", len(tubes)))
                tubes.append((length / pieces, edges[j], edges[j + 1], line_of(edges[j], edges[j + 1])))
        elif r[i] != r[i + 1]:
            narrow, wide = sorted((r[i], r[i + 1]))
            xi = narrow / wide
            steps.append(("step", len(jumps)))
            jumps.append(0.8216 * max(1 - 1.35 * xi + 0.31 * xi**3, 0) / (math.pi * narrow))
        if kind[i] == 2:
            h = index[i]
            steps.append(("hole", h))
            k = con[h, 1]
            for part, (long, r1, r2) in enumerate(((k[3], k[4], k[5]), (1, k[4], k[4]), (k[7], k[8], k[4]))):
                if long > 0:
                    chimney[h, part] = line_of(r1, r2)
            chimney[h, 3] = line_of(k[8], k[8])
    at_hole = np.argsort(index[kind == 2])
    places = np.concatenate([x[kind == 2][at_hole], [x[-1], sizes[offsets.WINDOW_LENGTH] / 2]])
    bores = np.concatenate([r[kind == 2][at_hole], [r[-1], r[0]]])
    start = max(sizes[offsets.BLOCK_DEPTH], 0)
    bodies = np.interp(np.concatenate([places[:-1], [start]]), body_x, body_r)
    angles = np.concatenate([given.angles, [0, 0]])
    apart = np.abs(places[:, None] - places)
    turned = angles[:, None] - angles
    outer, near, growing = outside_share(apart, (bodies[:, None] + bodies) / 2, turned)
    inner = inside_share(apart, (bores[:, None] + bores) / 2, turned)
    inner[n_holes:] = inner[:, n_holes:] = 0
    inner += near
    # The foot's mouth is round the end of the body: free space.
    outer[n_holes] = outer[:, n_holes] = 1 / (4 * np.pi * np.maximum(apart[n_holes], 1e-6))
    inner[n_holes] = inner[:, n_holes] = growing[n_holes] = growing[:, n_holes] = 0
    for table in (outer, inner, growing):
        np.fill_diagonal(table, 0)
        table *= rules.coupled
    holes_only = np.arange(n_holes)
    growing[holes_only, holes_only] = rules.coupled * 0.7 / (4 * np.pi) * bodies[:n_holes]
    thick = rules.coupled * (bodies[:, None] + bodies) / 2
    thick[n_holes] = thick[:, n_holes] = thick[-1, -1] = 0
    mass, kappa = window_solved(
        sizes[offsets.WINDOW_LENGTH], sizes[offsets.WINDOW_WIDTH], bodies[-1] - r[0], sizes[offsets.RAMP], r[0],
        sizes[offsets.EAR], sizes[offsets.EDGE_OFFSET], sizes[offsets.EDGE_THICKNESS], sizes[offsets.BLOCK_DEPTH],
        given.window_table,
    )  # fmt: skip
    recess = (max(-sizes[offsets.BLOCK_DEPTH], 0.0), line_of(r[0], r[0]))
    own = con[np.arange(n_holes)[:, None], network.states.T]
    return Plan(
        air, sizes[offsets.LOSS] * rules.lossy, np.array(radii)[:, None], steps, np.array(tubes), np.array(jumps),
        network.states.T != 0, np.moveaxis(own, -1, 0), chimney, (r[-1], bodies[-2]), apart, outer, inner, growing,
        thick,
        (sizes[offsets.WINDOW_SCALE] * mass, kappa, r[0]), recess,
    )  # fmt: skip


def tubes_of(omega, p: Plan):
    """Return (lines, bore): constants of every line, and (A, B, C, D) of every tube of the bore, (tubes, notes)."""
    g, zc = line(omega, p.radii, p.air, p.zeta)
    length, r1, r2 = p.tubes[:, :3].T[:, :, None]
    which = p.tubes[:, 3].astype(int)
    return (g, zc), tube(length, r1, r2, g[which], zc[which])


def chimneys_of(lines, p: Plan):
    """Return (A, B, C, D) of every chimney, bore side from the rim's side, (holes, notes)."""
    g, zc = lines
    shape = p.open_holes.shape
    a, b, c, d = np.ones(shape, complex), np.zeros(shape, complex), np.zeros(shape, complex), np.ones(shape, complex)
    k = p.constants
    for part, length, r1, r2 in (
        (0, k[3], k[4], k[5]),
        (1, k[6], k[4], k[4]),
        (2, k[7], k[8], k[4]),
        (3, k[9], k[8], k[8]),
    ):
        rows = np.flatnonzero(p.chimney[:, part] >= 0)
        if rows.size:
            which = p.chimney[rows, part]
            e, f, s, t = tube(length[rows], r1[rows], r2[rows], g[which], zc[which])
            a[rows], c[rows] = e * a[rows] + f * c[rows], s * a[rows] + t * c[rows]
            b[rows], d[rows] = e * b[rows] + f * d[rows], s * b[rows] + t * d[rows]
    return a, b, c, d


def impedance(omega, p: Plan):
    """Return the loop's impedance Z for every note at its own omega, shape (notes,)."""
    rho, c0 = p.air[:2]
    n_holes, n = p.open_holes.shape
    lines, (ta, tb, tc, td) = tubes_of(omega, p)
    ca, cb, cc, cd = chimneys_of(lines, p)
    jwr = 1j * omega * rho
    resist = rho * omega**2 / (4 * np.pi * c0)
    # Pressure at every mouth as a linear form in the flows outward: holes, foot, then the window's flow inward.
    k = (omega / c0)[:, None, None]
    y = (k * p.apart / 3.6) ** 2
    more = k * (k * p.thick) ** 3 / (4 * np.pi) / (1 + y + y**2 / 2 + y**3 / 6)
    far = jwr[:, None, None] * (p.outer * np.exp(-1j * k * p.apart) + p.inner + k**2 * p.growing - 1j * more)
    felt = far[:, :-1].copy()
    felt[:, :, -1] *= -1
    own = np.arange(n_holes)
    felt[:, own, own] += (resist + jwr * p.constants[2]).T
    felt[:, n_holes, n_holes] = foot(omega, *p.foot, p.air)
    unit = np.eye(n_holes + 2)
    pressure = felt[:, n_holes]
    flow = np.tile(unit[n_holes] + 0j, (n, 1))
    system = np.empty((n, n_holes + 1, n_holes + 2), complex)
    for what, i in p.steps:
        if what == "tube":
            a, b, c, d = ta[i][:, None], tb[i][:, None], tc[i][:, None], td[i][:, None]
            pressure, flow = a * pressure + b * flow, c * pressure + d * flow
            continue
        if what == "step":
            pressure = pressure + (jwr * p.jumps[i])[:, None] * flow
            continue
        half = (0.5 * jwr * p.constants[0, i])[:, None]
        mass = (jwr * p.constants[1, i])[:, None]
        a, b, c, d = ca[i][:, None], cb[i][:, None], cc[i][:, None], cd[i][:, None]
        opened = p.open_holes[i][:, None]
        node = pressure + half * flow
        into = np.where(opened, c * felt[:, i] + d * unit[i], node / (mass + a / c))
        system[:, i] = np.where(opened, node - mass * into - a * felt[:, i] - b * unit[i], unit[i])
        flow = flow + into
        pressure = node + half * flow
    g, zc = lines[0][p.recess[1]], lines[1][p.recess[1]]
    behind = np.pi * p.window[2] ** 2 * np.tanh(g * p.recess[0]) / zc
    system[:, n_holes] = flow + behind[:, None] * pressure - unit[n_holes + 1]
    flows = np.linalg.solve(system[:, :, :-1], -system[:, :, -1:])[:, :, 0]
    inertance, kappa, a = p.window
    window = resist + jwr * inertance * (1 + kappa * (omega / c0 * a) ** 2)
    return window + pressure[:, -1] + ((pressure[:, :-1] - far[:, -1, :-1]) * flows).sum(axis=1)


def roots(network: Network, start_hz):
    """Return the frequencies of all notes, Hz, to 0.001 cent, from a start within half a semitone."""
    p = plan(network)
    w0 = 2 * np.pi * np.asarray(start_hz)
    w1 = w0 * 1.002
    x0 = impedance(w0, p).imag
    for _ in range(20):
        x1 = impedance(w1, p).imag
        step = x1 * (w1 - w0) / (x1 - x0)
        w0, x0, w1 = w1, x1, w1 - step
        if np.abs(step / w1).max() < 5e-7:
            break
    return w1 / (2 * np.pi)
