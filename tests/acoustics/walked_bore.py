"""A second way to the field inside a bore, for the tests of the first: pressure and flow walked as linear forms.

They are carried from the foot to the window in the unknowns: the flow at the foot, and at every opening the pressure
that the other openings' flows put there. The openings' mutual impedances and one flow unit at the window then give the
unknowns by one linear system. Of the kernels only single pieces, closed forms of holes and coupling functions are used.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.kernels.chain import LONGEST_PIECE
from fluewright.acoustics.kernels.coupling import OWN_SWELL, inner_coupling, more_radiation, outer_coupling
from fluewright.acoustics.kernels.gas import Gas
from fluewright.acoustics.kernels.holes import CENTRE_SHIFT, CONSTANTS, SOLVED, Fingers, hole_constants
from fluewright.acoustics.kernels.losses import line
from fluewright.acoustics.kernels.radiation import end_impedance
from fluewright.acoustics.kernels.segments import piece, step_length

__all__ = ["hole_of", "walked", "walked_field"]


@dataclass(frozen=True)
class _Stretch:
    """One piece of duct between x1 and x2 (m, towards the foot).

    `wave` holds pressure and flow at its foot side, shape (2,), or (2, unknowns) before these are known.
    """

    x1: float
    x2: float
    r1: float
    r2: float
    gas: Gas
    wave: np.ndarray


@dataclass(frozen=True)
class Walked:
    """The solved inside at unit window flow: stretches from the foot up, where holes and steps are (m), the face.

    `face_pressure` is the pressure behind the window, of which `window_source` comes from the other openings.
    """

    stretches: list[_Stretch]
    jumps: list[float]
    face_pressure: complex
    window_source: complex


def _at(network, stretches, omega, x, head_side):
    """Return (p, U) at x; where stretches meet, on the head's side or on the foot's."""
    inside = [s for s in stretches if s.x1 - 1e-12 <= x <= s.x2 + 1e-12]
    chosen = inside[-1] if head_side else inside[0]
    # From the foot side of the stretch to x; a cone's radius grows straight.
    x = min(max(x, chosen.x1), chosen.x2)
    r = chosen.r1
    if x > chosen.x1:
        r += (chosen.r2 - chosen.r1) * (x - chosen.x1) / (chosen.x2 - chosen.x1)
    return _duct(network, omega, chosen.x2 - x, r, chosen.r2, chosen.gas) @ chosen.wave


def _duct(network, omega, length, r1, r2, gas):
    """Return the matrix of a piece of duct: (p, U) at the head side from (p, U) at the foot side."""
    if length <= 0.0:
        return np.eye(2, dtype=complex)
    return np.array(piece(omega, length, r1, r2, gas, _zeta(network))[:4], dtype=complex).reshape(2, 2)


def _zeta(network):
    return float(network.sizes[offsets.LOSS]) * float(network.rules.lossy)


def _gas(network, x):
    """Return (rho, c, mu) at x: breath-warmed air cools towards the foot; None is the outside at rest."""
    sizes, air = network.sizes, network.given().gas
    tau = 1.0
    if x is not None and sizes[offsets.WARM_SHARE] != 0.0:
        tau += float(sizes[offsets.WARM_SHARE]) * math.exp(-max(x, 0.0) / float(sizes[offsets.WARM_LENGTH]))
    scale = float(sizes[offsets.C_SCALE])
    return Gas(
        air.rho / (tau * scale * scale), air.c * math.sqrt(tau) * scale, air.mu * tau**0.7, air.gamma, air.prandtl
    )


def _profile(table, x):
    return float(np.interp(x, table[:, 0], table[:, 1]))


def _profile_above(table, x):
    """Return the radius on the head's side of x, which at a step is not that on the foot's."""
    return float(np.interp(-x, -table[::-1, 0], table[::-1, 1]))


def _tables(network):
    """Return (x, radius) of bore and outside, and one row a hole with its acoustic place, SI."""
    first_out = offsets.HEAD_SIZES + 2 * network.n_bore
    first_hole = first_out + 2 * network.n_out
    holes = network.sizes[first_hole:].reshape(network.n_holes, offsets.HOLE_SIZES).copy()
    if network.given().formulas.hole_rule == SOLVED:
        holes[:, 0] -= CENTRE_SHIFT * (holes[:, 5] - holes[:, 6])
    return (
        network.sizes[offsets.HEAD_SIZES : first_out].reshape(-1, 2),
        network.sizes[first_out:first_hole].reshape(-1, 2),
        holes,
    )


def walked(network, row, omega):
    """Solve the inside for unit flow through the window."""
    sizes, states = network.sizes, network.states[row]
    bore, outside, holes = _tables(network)
    formulas = network.given().formulas
    radiate = float(network.rules.radiate)
    n = network.n_holes
    start = max(float(sizes[offsets.BLOCK_DEPTH]), 0.0)
    nodes = [(start, -1)]
    nodes += [(float(x), -1) for x in bore[:, 0] if x > start]
    nodes += [(float(h[0]), j) for j, h in enumerate(holes)]
    # A hole right at a step is in the bore on the foot's side of it.
    nodes.sort(key=lambda node: (node[0], node[1] >= 0))
    steps = [float(x) for x in bore[:-1, 0][np.diff(bore[:, 0]) == 0.0] if x > start]
    foot = nodes[-1][0]
    gas = _gas(network, foot)
    # Unknowns: flow at the foot, pressure from outside at the foot, then at every hole.
    wave = np.zeros((2, n + 2), dtype=complex)
    wave[0, 0] = end_impedance(
        omega, _profile(bore, foot), _profile(outside, foot), gas, formulas.thick_foot, radiate
    ).z
    wave[0, 1] = 1.0
    wave[1, 0] = 1.0
    flows = np.zeros((n + 1, n + 2), dtype=complex)  # outward, of the holes and the foot
    flows[n, 0] = 1.0
    found = []
    for (x0, hole), (x1, below) in zip(nodes[-2::-1], nodes[:0:-1], strict=True):
        r0, r1 = _profile(bore, x0), _profile_above(bore, x1)
        if x0 == x1 in steps and hole < 0 and below < 0:
            narrow, wide = sorted((_profile_above(bore, x0), _profile(bore, x0)))
            inertance = _gas(network, x0).rho * step_length(narrow, wide)[0] / (math.pi * narrow**2)
            wave = np.array([wave[0] + 1j * omega * inertance * wave[1], wave[1]])
        # Cut as the kernels cut: losses of a cone are taken at one radius, warmed air at one temperature a piece.
        even = r0 == r1 and sizes[offsets.WARM_SHARE] == 0.0
        count = 0 if x1 <= x0 else 1 if even else math.ceil((x1 - x0) / LONGEST_PIECE - 1e-9)
        for j in range(count - 1, -1, -1):
            s0, s1 = j / count, (j + 1) / count
            ends = r0 + s0 * (r1 - r0), r0 + s1 * (r1 - r0)
            gas = _gas(network, x0 + 0.5 * (s0 + s1) * (x1 - x0))
            found.append(_Stretch(x0 + s0 * (x1 - x0), x0 + s1 * (x1 - x0), *ends, gas, wave))
            wave = _duct(network, omega, (x1 - x0) / count, *ends, gas) @ wave
        if hole >= 0:
            half, shunt, pass_on, leak = hole_of(network, omega, hole, int(states[hole]))
            node = wave[0] + half * wave[1]
            felt = np.zeros(n + 2, dtype=complex)
            felt[2 + hole] = pass_on
            into = (node - felt) / shunt
            flows[hole] = pass_on * into - leak * felt
            above = wave[1] + into
            wave = np.array([node + half * above, above])
    depth = float(sizes[offsets.BLOCK_DEPTH])
    stub = 0j
    r, gas = _profile(bore, start), _gas(network, start)
    if depth < 0.0:
        # The dead end between block face and exit plane: no flow at the block, the bore's pressure at the plane.
        g, zc = line(omega, r, gas, _zeta(network))[:2]
        stub = math.pi * r * r / zc * complex(np.tanh(-g * depth))
    # A flow unit enters at the window; what each opening feels is what the others' flows put there.
    mutual = _mutual(network, omega, states)
    system = np.zeros((n + 2, n + 2), dtype=complex)
    system[0] = wave[1] + stub * wave[0]
    of_opening = [2 + j for j in range(n)] + [1]
    right = np.zeros(n + 2, dtype=complex)
    right[0] = 1.0
    for i, unknown in enumerate(of_opening):
        system[1 + i] = -mutual[i, : n + 1] @ flows
        system[1 + i, unknown] += 1.0
        right[1 + i] = -mutual[i, n + 1]
    known = np.linalg.solve(system, right)
    solved = [replace(s, wave=s.wave @ known) for s in found]
    face = complex(wave[0] @ known)
    if depth < 0.0:
        solved.append(_Stretch(depth, start, r, r, gas, np.array([face, -stub * face])))
    source = complex(mutual[n + 1, : n + 1] @ (flows @ known))
    return Walked(solved, [*holes[:, 0].tolist(), *steps], face, source)


def hole_of(network, omega, hole, state):
    """Return half the series impedance, the shunt, what of a pressure outside reaches the bore, and the leak.

    `leak` is the flow into the rim for a unit of that pressure with the bore's side of the chimney held still.
    """
    bore, outside, holes = _tables(network)
    sizes, radiate = network.sizes, float(network.rules.radiate)
    x = float(holes[hole, 0])
    con = np.empty(CONSTANTS)
    hole_constants(
        _profile(bore, x), _profile(outside, x), holes[hole], state,
        Fingers(sizes[offsets.HALF], sizes[offsets.BULGE], sizes[offsets.HOLE_SCALE]),
        network.given().formulas.hole_rule, con,
    )  # fmt: skip
    gas = _gas(network, x)
    rho, c = gas.rho, gas.c
    # From the bore outward: matching length, horn of the undercut, straight part, rim.
    parts = (
        (con[9], con[8], con[8]), (con[7], con[8], con[4]), (con[6], con[4], con[4]), (con[3], con[4], con[5]),
    )  # fmt: skip
    chimney = np.eye(2, dtype=complex)
    for length, r1, r2 in parts:
        chimney = chimney @ _duct(network, omega, float(length), float(r1), float(r2), gas)
    a, b, c_, d = (complex(v) for v in chimney.reshape(-1))
    half = 0.5j * omega * rho * con[0]
    inner = 1j * omega * rho * con[1]
    if state == 0:
        return half, inner + a / c_, 0j, c_
    mouth = radiate * rho * omega * omega / (4.0 * math.pi * c) + 1j * omega * rho * con[2]
    pass_on = 1.0 / (c_ * mouth + d)
    return half, inner + (a * mouth + b) * pass_on, pass_on, c_


def _mutual(network, omega, states):
    """Return the mutual impedances of the openings: holes (with their own swell), foot, window; zeros when shut."""
    bore, outside, holes = _tables(network)
    n = network.n_holes
    found = np.zeros((n + 2, n + 2), dtype=complex)
    if not network.rules.coupled:
        return found
    sizes = network.sizes
    start = max(float(sizes[offsets.BLOCK_DEPTH]), 0.0)
    places = [*holes[:, 0].tolist(), float(bore[-1, 0]), 0.5 * float(sizes[offsets.WINDOW_LENGTH])]
    # The window is measured at the block face, every other opening where it is.
    at = [*places[: n + 1], start]
    angles = [*network.given().angles.tolist(), 0.0, 0.0]
    gas = _gas(network, None)
    rho, c = gas.rho, gas.c
    radiate = float(network.rules.radiate)
    for i in range(n + 2):
        if i < n and states[i] != 0:
            radius = _profile(outside, at[i])
            swell = (omega / c) ** 2 * OWN_SWELL * radius
            found[i, i] = 1j * omega * rho * (swell - 1j * radiate * more_radiation(omega / c, radius, 0.0)[0])
        for j in range(i):
            if any(k < n and states[k] == 0 for k in (i, j)):
                continue
            z = abs(places[i] - places[j])
            phase = complex(np.exp(-1j * omega / c * z))
            if not network.rules.radiate:
                phase = 1.0 + 0j
            if n in (i, j):
                # The foot's mouth is round the end of the body: free space.
                value = phase / (4.0 * math.pi * max(z, 1e-6))
            else:
                turn = angles[i] - angles[j]
                radius = 0.5 * (_profile(outside, at[i]) + _profile(outside, at[j]))
                shares = outer_coupling(z, radius, turn)
                value = shares[0] * phase + shares[3] + (omega / c) ** 2 * shares[6]
                value -= 1j * radiate * more_radiation(omega / c, radius, z)[0]
                if i < n and j < n:
                    value += inner_coupling(z, 0.5 * (_profile(bore, at[i]) + _profile(bore, at[j])), turn)[0]
            found[i, j] = found[j, i] = 1j * omega * rho * value
    return found


def walked_field(network, row, hz, places, head_side):
    """Return (p, U) at the places, m, over the largest p; on the head's side of a jump or on the foot's."""
    omega = 2.0 * math.pi * hz
    solved = walked(network, row, omega)
    waves = np.array([_at(network, solved.stretches, omega, x, up) for x, up in zip(places, head_side, strict=True)])
    largest = waves[np.argmax(np.abs(waves[:, 0])), 0]
    return waves[:, 0] / largest, waves[:, 1] / largest
