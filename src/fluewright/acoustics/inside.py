"""Says what pressure and flow stand inside the bore at one frequency: the standing wave, place by place.

Pressure and flow are carried from the foot to the window as linear forms in the unknowns: the flow at the foot, and
at every opening the pressure that the other openings' flows put there. The openings' mutual impedances and one flow
unit at the window then give the unknowns by one linear system.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.kernels.coupling import OWN_SWELL, inner_coupling, more_radiation, outer_coupling
from fluewright.acoustics.kernels.holes import CENTRE_SHIFT, CONSTANTS, HOLE_SIZES, SOLVED, hole_constants
from fluewright.acoustics.kernels.losses import line
from fluewright.acoustics.kernels.plan import LONGEST_PIECE
from fluewright.acoustics.kernels.radiation import end_impedance
from fluewright.acoustics.kernels.segments import piece, step_length
from fluewright.acoustics.network import Network
from fluewright.arrays import ComplexArray, FloatArray
from fluewright.errors import InputError
from fluewright.instrument.fingering import parse_holes

__all__ = ["field_along_bore", "with_fingering"]


def with_fingering(network: Network, text: str) -> Network:
    """Return the network with one fingering only, in register 1, that need not be one of the model's.

    Parameters
    ----------
    network : Network
    text : str
        c, h or o for each hole, for example ``"ccc ooo"``.

    Raises
    ------
    ModelError
        A letter is none of these, or there is not one for every hole.
    """
    holes = parse_holes(text, network.n_holes)
    first = replace(network.fingerings[0], register=1, holes=holes, text=text, alternative=0)
    states = np.array([holes], dtype=np.int8).reshape(1, network.n_holes)
    return replace(network, states=states, fingerings=(first,), modes=np.array([1], dtype=np.int64))


Gas = tuple[float, float, float]


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
    wave: ComplexArray


@dataclass(frozen=True)
class _Inside:
    """The solved inside at unit window flow: stretches from the foot up, where holes and steps are (m), the face.

    `face_pressure` is the pressure behind the window, of which `window_source` comes from the other openings.
    """

    stretches: list[_Stretch]
    jumps: list[float]
    face_pressure: complex
    window_source: complex


def field_along_bore(
    network: Network, fingering_index: int, frequency_hz: float, points: int | Sequence[float] | FloatArray = 400
) -> tuple[FloatArray, ComplexArray, ComplexArray]:
    """Return places in the bore with the sound pressure and the volume flow there.

    Parameters
    ----------
    network : Network
    fingering_index : int
        Row of the network's fingerings; see `with_fingering` for one that the model does not have.
    frequency_hz : float
        Above 0, at most 20 kHz.
    points : int or sequence of float
        How many places, evenly spread from the block face to the foot, with every hole and every step of the bore
        twice (head side, then foot side, for flow or pressure jumps there); or the places themselves, m from the
        windway exit plane. At a hole or step a place given has the foot side's values, in the exit plane the bore's.

    Returns
    -------
    x_m : array, shape (n,)
    pressure : complex array, shape (n,)
        Over the largest of them, which is 1 (real).
    flow : complex array, shape (n,)
        Towards the foot, in m3/s for a largest pressure of 1 Pa. With the block face behind the exit plane the dead
        end there is part of the bore, and the window drives both sides: flow jumps in the exit plane too.

    Raises
    ------
    InputError
        No such fingering, an impossible frequency, fewer than two points, or a place outside the bore.

    References
    ----------
    .. [1] The chain of docs/physics/network.md#chain, walked from the foot: Zwikker & Kosten (1949) pieces, holes as
       T-networks (docs/physics/holes.md#t-network), the foot of docs/physics/ends.md#thick-wall, openings coupled
       (docs/physics/network.md#coupling) where the network's rules say so. Time runs as exp(+j omega t).
    """
    if not 0 <= fingering_index < len(network.fingerings):
        raise InputError(
            f"inside: fingering {fingering_index} is asked for, the model has {len(network.fingerings)}, from 0"
        )
    if not 0.0 < frequency_hz <= 20000.0:
        raise InputError(f"inside: the frequency is {frequency_hz} Hz; it must be above 0 and at most 20000 Hz")
    omega = 2.0 * math.pi * frequency_hz
    solved = _solve_inside(network, fingering_index, omega)
    stretches = solved.stretches
    low, high = stretches[-1].x1, stretches[0].x2
    if isinstance(points, int):
        if not 2 <= points <= 100_000:
            raise InputError(f"inside: {points} points are asked for; give 2 to 100000")
        doubled = sorted({x for x in (*solved.jumps, 0.0) if low < x < high})
        even = np.setdiff1d(np.linspace(low, high, points), doubled)
        x = np.sort(np.concatenate([even, doubled, doubled]), kind="stable")
        upper = np.concatenate([x[:-1] == x[1:], [False]])
    else:
        x = np.asarray(points, dtype=float)
        if x.ndim != 1 or x.size < 1 or not np.isfinite(x).all() or x.min() < low - 1e-12 or x.max() > high + 1e-12:
            raise InputError(f"inside: give places in a list, in m, between {low:.6g} and {high:.6g}")
        upper = np.zeros(x.size, dtype=bool)
    waves = np.array(
        [_at(network, stretches, omega, place, head) for place, head in zip(x.tolist(), upper.tolist(), strict=True)]
    )
    largest = waves[np.argmax(np.abs(waves[:, 0])), 0]
    return x, waves[:, 0] / largest, waves[:, 1] / largest


def _at(network: Network, stretches: list[_Stretch], omega: float, x: float, head_side: bool) -> ComplexArray:
    """Return (p, U) at x; where stretches meet, on the head's side or on the foot's."""
    inside = [s for s in stretches if s.x1 - 1e-12 <= x <= s.x2 + 1e-12]
    chosen = inside[-1] if head_side else inside[0]
    # From the foot side of the stretch to x; a cone's radius grows straight.
    x = min(max(x, chosen.x1), chosen.x2)
    r = chosen.r1
    if x > chosen.x1:
        r += (chosen.r2 - chosen.r1) * (x - chosen.x1) / (chosen.x2 - chosen.x1)
    return _duct(network, omega, chosen.x2 - x, r, chosen.r2, chosen.gas) @ chosen.wave


def _duct(network: Network, omega: float, length: float, r1: float, r2: float, gas: Gas) -> ComplexArray:
    """Return the matrix of a piece of duct: (p, U) at the head side from (p, U) at the foot side."""
    if length <= 0.0:
        return np.eye(2, dtype=complex)
    air = network.air_vector()
    found: ComplexArray = np.array(
        piece(omega, length, r1, r2, *gas, air[3], air[4], _zeta(network))[:4], dtype=complex
    ).reshape(2, 2)
    return found


def _zeta(network: Network) -> float:
    return float(network.sizes[offsets.LOSS]) * float(network.rules.lossy)


def _gas(network: Network, x: float | None) -> Gas:
    """Return (rho, c, mu) at x: breath-warmed air cools towards the foot; None is the outside at rest."""
    sizes, air = network.sizes, network.air_vector()
    tau = 1.0
    if x is not None and sizes[offsets.WARM_SHARE] != 0.0:
        tau += float(sizes[offsets.WARM_SHARE]) * math.exp(-max(x, 0.0) / float(sizes[offsets.WARM_LENGTH]))
    scale = float(sizes[offsets.C_SCALE])
    return float(air[0]) / (tau * scale * scale), float(air[1]) * math.sqrt(tau) * scale, float(air[2]) * tau**0.7


def _profile(table: FloatArray, x: float) -> float:
    return float(np.interp(x, table[:, 0], table[:, 1]))


def _profile_above(table: FloatArray, x: float) -> float:
    """Return the radius on the head's side of x, which at a step is not that on the foot's."""
    return float(np.interp(-x, -table[::-1, 0], table[::-1, 1]))


def _tables(network: Network) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (x, radius) of bore and outside, and one row a hole with its acoustic place, SI."""
    first_out = offsets.HEAD_SIZES + 2 * network.n_bore
    first_hole = first_out + 2 * network.n_out
    holes = network.sizes[first_hole:].reshape(network.n_holes, HOLE_SIZES).copy()
    if network.rules_vector()[1] == SOLVED:
        holes[:, 0] -= CENTRE_SHIFT * (holes[:, 5] - holes[:, 6])
    return (
        network.sizes[offsets.HEAD_SIZES : first_out].reshape(-1, 2),
        network.sizes[first_out:first_hole].reshape(-1, 2),
        holes,
    )


def _solve_inside(network: Network, row: int, omega: float) -> _Inside:
    """Solve the inside for unit flow through the window."""
    sizes, states = network.sizes, network.states[row]
    bore, outside, holes = _tables(network)
    rules = network.rules_vector()
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
    rho, c, _ = _gas(network, foot)
    # Unknowns: flow at the foot, pressure from outside at the foot, then at every hole.
    wave = np.zeros((2, n + 2), dtype=complex)
    wave[0, 0] = end_impedance(omega, _profile(bore, foot), _profile(outside, foot), rho, c, int(rules[0]), radiate)[0]
    wave[0, 1] = 1.0
    wave[1, 0] = 1.0
    flows = np.zeros((n + 1, n + 2), dtype=complex)  # outward, of the holes and the foot
    flows[n, 0] = 1.0
    found: list[_Stretch] = []
    for (x0, hole), (x1, below) in zip(nodes[-2::-1], nodes[:0:-1], strict=True):
        r0, r1 = _profile(bore, x0), _profile_above(bore, x1)
        if x0 == x1 in steps and hole < 0 and below < 0:
            narrow, wide = sorted((_profile_above(bore, x0), _profile(bore, x0)))
            inertance = _gas(network, x0)[0] * step_length(narrow, wide)[0] / (math.pi * narrow**2)
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
            half, shunt, pass_on, leak = _hole(network, omega, hole, int(states[hole]))
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
        air = network.air_vector()
        g, zc = (complex(v) for v in line(omega, r, *gas, air[3], air[4], _zeta(network))[:2])
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
    return _Inside(solved, [*holes[:, 0].tolist(), *steps], face, source)


def _hole(network: Network, omega: float, hole: int, state: int) -> tuple[complex, complex, complex, complex]:
    """Return half the series impedance, the shunt, what of a pressure outside reaches the bore, and the leak.

    `leak` is the flow into the rim for a unit of that pressure with the bore's side of the chimney held still.
    """
    bore, outside, holes = _tables(network)
    sizes, radiate = network.sizes, float(network.rules.radiate)
    x = float(holes[hole, 0])
    con = np.empty(CONSTANTS)
    hole_constants(
        _profile(bore, x), _profile(outside, x), holes[hole], state, sizes[offsets.HALF], sizes[offsets.BULGE],
        sizes[offsets.HOLE_SCALE], int(network.rules_vector()[1]), con,
    )  # fmt: skip
    gas = _gas(network, x)
    rho, c, _ = gas
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


def _mutual(network: Network, omega: float, states: NDArray[np.int8]) -> ComplexArray:
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
    angles = [*network.angles().tolist(), 0.0, 0.0]
    rho, c, _ = _gas(network, None)
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
