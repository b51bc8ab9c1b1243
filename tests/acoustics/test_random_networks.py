"""The whole chain of 200 random instruments against scikit-rf, a general network library.

Elements are put together here from the formulas of docs/physics/ducts.md, docs/physics/ends.md, docs/physics/holes.md
and docs/physics/air.md#wall-losses, with SciPy's Bessel functions and the apex form of the cone, and not from the
program's kernels; scikit-rf multiplies them, as scattering matrices. The 200 networks lie side by side along its
frequency axis, shorter ones filled up with plain through connections.
"""

import cmath
import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import skrf
from scipy import special
from skrf.network import a2s, cascade_list
from test_random_models import published_rules, random_model

from fluewright.acoustics.impedance import impedance_curve
from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.kernels.offsets import HOLE_SIZES
from fluewright.acoustics.network import build_network
from fluewright.air import REF_AIR

COUNT = 200
UNFLANGED = (0.5, 0.6133, 0.800, 0.266, 0.0263, 0.0599, 0.238, -0.0153, 0.00150)
FLANGED = (1.0, 0.8216, 0.730, 0.372, 0.0231, 0.244, 0.723, -0.0198, 0.00366)
PORT = 3e6  # Pa s/m3, the reference of the scattering matrices: about that of the bores
STEP_AT = 2  # the second station moves to the place of the third where a step in diameter is wanted


def series(z):
    return np.array([[1.0, z], [0.0, 1.0]], complex)


def shunt(y):
    return np.array([[1.0, 0.0], [y, 1.0]], complex)


class Duct:
    """Lossy ducts of one air, one angular frequency and one loss factor."""

    def __init__(self, air, omega, zeta):
        self.rho, self.c, self.gamma = air.density, air.sound_speed, air.gamma
        self.mu, self.prandtl, self.omega, self.zeta = air.viscosity, air.prandtl, omega, zeta
        self.k = omega / air.sound_speed

    def line(self, a):
        """Return (Gamma, specific Zc): Zwikker & Kosten 1949, loss factor after docs/physics/air.md#real-walls."""
        q = a * math.sqrt(self.rho * self.omega / self.mu) * cmath.exp(0.25j * math.pi)
        qt = q * math.sqrt(self.prandtl)
        fv = 2.0 / q * special.ive(1, q) / special.ive(0, q)
        ft = 2.0 / qt * special.ive(1, qt) / special.ive(0, qt)
        z = 1j * self.omega * self.rho / (1.0 - fv)
        y = 1j * self.omega / (self.rho * self.c**2) * (1.0 + (self.gamma - 1.0) * ft)
        plain, smooth = 1j * self.k, self.rho * self.c
        return plain + self.zeta * (cmath.sqrt(z * y) - plain), smooth + self.zeta * (cmath.sqrt(z / y) - smooth)

    def cylinder(self, length, a):
        g, zc = self.line(a)
        zc /= math.pi * a * a
        return np.array(
            [[cmath.cosh(g * length), zc * cmath.sinh(g * length)],
             [cmath.sinh(g * length) / zc, cmath.cosh(g * length)]]
        )  # fmt: skip

    def cone(self, length, r1, r2):
        """Return the spherical-wave two-port by distances from the apex; losses at the log-mean radius."""
        if r1 == r2:
            return self.cylinder(length, r1)
        g, zc = self.line((r2 - r1) / math.log(r2 / r1))
        x1 = r1 * length / (r2 - r1)
        x2 = x1 + length
        z1 = zc / (math.pi * r1 * r1)
        ch, sh = cmath.cosh(g * length), cmath.sinh(g * length)
        gx = g * x1
        return np.array(
            [[x2 / x1 * ch - sh / gx, x1 / x2 * z1 * sh],
             [((x2 / x1 - 1.0 / gx**2) * sh + g * length / gx**2 * ch) / z1, x1 / x2 * (ch + sh / gx)]]
        )  # fmt: skip

    def stretch(self, length, r1, r2):
        """Return the pieces of one stretch between neighbours; lossy cones in pieces of 20 mm at most."""
        if r1 == r2:
            return [self.cylinder(length, r1)]
        pieces = math.ceil(length / 0.020)
        edges = np.linspace(r1, r2, pieces + 1)
        return [self.cone(length / pieces, a, b) for a, b in pairwise(edges)]

    def step(self, r1, r2):
        """Return a step in diameter as a length of its narrow side."""
        narrow, xi = min(r1, r2), min(r1, r2) / max(r1, r2)
        length = max(0.8216 * narrow * (1.0 - 1.35 * xi + 0.31 * xi**3), 0.0)
        return series(1j * self.omega * self.rho * length / (math.pi * narrow**2))

    def foot(self, a, b):
        """Return the impedance of the open foot: Silva et al. 2009 in Dalmont, Nederveen & Joly 2001 (3.2, 3.4)."""
        ka = self.k * a
        x = ka * ka

        def complex_length(fit):
            b_, h, a1, a2, a3, b1, b2, b3, b4 = fit
            modulus = (1 + a1 * x) / (1 + (b_ + a1) * x + a2 * x**2 + a3 * x**3)
            length = a * h * (1 + b1 * x) / (1 + b2 * x + b3 * x**2 + b4 * x**3)
            return length + 1j * math.log(modulus) / (2.0 * self.k)

        r = a / b
        d0, d1 = complex_length(UNFLANGED), complex_length(FLANGED)
        d = d1 + r * (d0 - d1) + 0.057 * r * (1.0 - r**5) * a
        turn = cmath.exp(-1j * self.k * b * (1.0 + r * (2.3 - r - 0.3 * ka**2)))
        edge = -0.43 * (b - a) * a / b**2 * math.sin(self.k * b / (1.85 - r)) ** 2 * turn
        reflection = -cmath.exp(-2j * self.k * d) + edge
        return self.rho * self.c / (math.pi * a * a) * (1.0 + reflection) / (1.0 - reflection)

    def hole(self, a, t, hole, state, player, rule):
        """Return the two-port of one hole (4.1 to 4.5, 4.8, 4.9); a and t in m, the hole in mm."""
        b = 0.5e-3 * hole.diameter_mm
        cut = 1e-3 * hole.undercut.all_round_mm
        inner, height = b + cut, cut / math.tan(math.radians(hole.undercut.angle_deg))
        d = inner / a
        if d <= 0.85:
            t_i = 0.82 - 0.193 * d - 1.09 * d**2 + 1.27 * d**3 - 0.71 * d**4
        else:
            t_i = 0.822 - 0.095 * d - 1.566 * d**2 + 2.138 * d**3 - 1.640 * d**4 + 0.502 * d**5
        ratio = t / inner
        if rule == "dubos":
            th = math.tanh(1.84 * ratio)
            t_a = -d * d / (1.78 * (th if state else 1.0 / th) + 0.940 + 0.540 * d + 0.285 * d * d)
        elif state:
            t_a = d * d * (-0.35 + 0.06 * math.tanh(2.7 * ratio))
        else:
            t_a = d * d * (-0.12 - 0.17 * math.tanh(2.4 * ratio))
        plug = 1j * self.omega * self.rho
        straight = t - height
        if state == 0:
            matrix = self.cylinder(straight - player.finger_bulge * b, b)
            end_p, end_u = 1.0, 0.0
        else:
            matrix = self.cylinder(straight, b)
            if state == 1:
                outer = plug * (0.822 - 0.47 * (b / (a + t)) ** 0.8) * b / (math.pi * b * b)
            else:
                xi = math.sqrt(player.half_open_fraction)
                outer = plug * (0.8216 * (1.0 - 1.35 * xi + 0.31 * xi**3) + 0.82) / (math.pi * b * xi)
            end_p, end_u = outer + self.rho * self.omega**2 / (4.0 * math.pi * self.c), 1.0
        if cut > 0.0:
            patched = height * (1.0 + 0.4 * (inner / b - 1.0) ** 2)
            matrix = self.cone(patched, inner, b) @ matrix
        matrix = self.cylinder(inner * d / 8.0 * (1.0 + 0.207 * d**3), inner) @ matrix
        p, u = matrix @ np.array([end_p, end_u])
        zs = plug * t_i * inner / (math.pi * inner**2) + p / u
        half = 0.5 * plug * t_a * inner / (math.pi * a * a)
        return series(half) @ shunt(1.0 / zs) @ series(half)


def elements_of(network, omega, row):
    """Return (two-ports from the block face down, impedance of the foot) of one fingering."""
    model, sizes = network.model, network.sizes
    duct = Duct(network.air, omega, model.bore.wall_loss_factor)
    bore = sizes[offsets.HEAD_SIZES :][: 2 * network.n_bore].reshape(-1, 2)
    outside = sizes[offsets.HEAD_SIZES + 2 * network.n_bore :][: 2 * network.n_out].reshape(-1, 2)
    depth = 1e-3 * model.head.block_depth_mm
    start = max(depth, 0.0)

    nodes = [(x, r, None) for x, r in bore if x > start]
    for i, hole in enumerate(model.holes):
        x = 1e-3 * hole.position_mm
        nodes.append((x, float(np.interp(x, *bore.T)), i))
    nodes.sort(key=lambda node: node[0])
    x, r = start, float(np.interp(start, *bore.T))
    chain = []
    if depth < 0.0:
        # A recess behind the window is a stopped cylinder beside the bore.
        stub = duct.cylinder(-depth, r)
        chain.append(shunt(stub[1, 0] / stub[0, 0]))
    for x_next, r_next, i in nodes:
        if x_next > x:
            chain += duct.stretch(x_next - x, r, r_next)
        else:
            chain.append(duct.step(r, r_next))
        x, r = x_next, r_next
        if i is not None:
            wall = float(np.interp(x, *outside.T)) - r
            rule = network.rules.hole_rule
            chain.append(duct.hole(r, wall, model.holes[i], network.states[row, i], model.player, rule))
    return chain, duct.foot(r, float(np.interp(x, *outside.T)))


def with_step(network, rng):
    """Return the network with two of its stations at one place, away from holes; None where that cannot be."""
    sizes = network.sizes.copy()
    stations = sizes[offsets.HEAD_SIZES :][: 2 * network.n_bore].reshape(-1, 2)
    holes = np.array([1e-3 * h.position_mm for h in network.model.holes])
    if len(stations) < 4:
        return None
    here = stations[STEP_AT, 0]
    if np.any((holes > stations[STEP_AT - 1, 0] - 1e-3) & (holes < here + 1e-3)):
        return None
    stations[STEP_AT - 1, 0] = here
    stations[STEP_AT, 1] *= rng.uniform(0.8, 1.2)
    outer = 0.5e-3 * min(d for _, d in network.model.bore.outside_mm)
    stations[STEP_AT, 1] = min(stations[STEP_AT, 1], outer - 1.5e-3)
    return replace(network, sizes=sizes)


def random_case(seed):
    """Return (network, fingering, Hz) of one random instrument in random air."""
    rng = np.random.default_rng(seed)
    model = random_model(rng, plain=True, warm=False)
    air = replace(
        REF_AIR,
        density=rng.uniform(1.0, 1.3),
        sound_speed=rng.uniform(335.0, 355.0),
        viscosity=rng.uniform(1.7e-5, 1.95e-5),
        gamma=rng.uniform(1.385, 1.402),
        prandtl=rng.uniform(0.68, 0.73),
    )
    rule = "dubos" if rng.random() < 0.5 else "lefebvre"
    network = build_network(model, air=air, rules=replace(published_rules(), hole_rule=rule))
    stepped = with_step(network, rng) if rng.random() < 0.6 else None
    return stepped or network, int(rng.integers(2)), float(rng.uniform(120.0, 4000.0)), stepped is not None


def by_scikit_rf(chains, loads):
    """Return the input impedances of all chains, each ended by its load."""
    count = max(len(chain) for chain in chains)
    tables = np.tile(np.eye(2, dtype=complex), (count, len(chains), 1, 1))
    for i, chain in enumerate(chains):
        tables[: len(chain), i] = chain
    axis = skrf.Frequency.from_f(np.arange(1.0, len(chains) + 1.0), unit="Hz")
    port = np.full((len(chains), 2), PORT, complex)
    parts = [skrf.Network(frequency=axis, s=a2s(table, port), z0=PORT) for table in tables]
    ends = np.array(loads)
    reflection = ((ends - PORT) / (ends + PORT)).reshape(-1, 1, 1)
    parts.append(skrf.Network(frequency=axis, s=reflection, z0=PORT))
    s = cascade_list(parts).s[:, 0, 0]
    return PORT * (1.0 + s) / (1.0 - s)


def test_200_random_instruments_agree_with_scikit_rf():
    """Bores of 2 to 5 stations with cones and steps, 0 to 8 holes, any state, losses on: impedance to 1e-9."""
    cases = [random_case(seed) for seed in range(COUNT)]
    assert sum(stepped for *_, stepped in cases) >= 30
    assert {len(network.model.holes) for network, *_ in cases} == set(range(9))
    used = np.concatenate([network.states[row] for network, row, *_ in cases])
    assert all((used == state).sum() >= 50 for state in (0, 1, 2))
    ours, chains, loads = [], [], []
    for network, row, f_hz, _ in cases:
        ours.append(impedance_curve(network, row, np.array([f_hz])).bore[0])
        chain, load = elements_of(network, 2.0 * math.pi * f_hz, row)
        chains.append(chain)
        loads.append(load)
    theirs = by_scikit_rf(chains, loads)
    error = np.abs(np.array(ours) / theirs - 1.0)
    assert error.max() < 1e-9, (int(error.argmax()), error.max())


def test_a_wrong_hole_would_be_seen():
    """A ten-thousandth of a millimetre in the diameter of one hole is well above the tolerance."""
    network, row, f_hz, _ = next(case for case in map(random_case, range(50)) if 1 in case[0].states[case[1]])
    chain, load = elements_of(network, 2.0 * math.pi * f_hz, row)
    theirs = by_scikit_rf([chain], [load])[0]
    sizes = network.sizes.copy()
    first = offsets.HEAD_SIZES + 2 * network.n_bore + 2 * network.n_out
    sizes[first + HOLE_SIZES * int(np.flatnonzero(network.states[row] == 1)[0]) + 1] += 0.5e-7
    moved = impedance_curve(replace(network, sizes=sizes), row, np.array([f_hz])).bore[0]
    assert moved != pytest.approx(theirs, rel=1e-8)
