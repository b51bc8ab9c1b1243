"""Says what pressure and flow stand inside the bore at one frequency: the standing wave, place by place."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fluewright.acoustics.impedance import HIGHEST_HZ, LOWEST_HZ
from fluewright.acoustics.kernels import network as kernel
from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.kernels.nodes import HOLE_NODE, STATION, lay_out
from fluewright.acoustics.network import Network
from fluewright.arrays import BoolArray, ComplexArray, FloatArray
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
        1 Hz to 20 kHz.
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
    .. [1] The chain of docs/physics/network.md#chain: Zwikker & Kosten (1949) pieces, holes as
       T-networks (docs/physics/holes.md#t-network), the foot of docs/physics/ends.md#thick-wall, openings coupled
       (docs/physics/network.md#coupling) where the network's rules say so. Time runs as exp(+j omega t).
    """
    if not 0 <= fingering_index < len(network.fingerings):
        raise InputError(
            f"inside: fingering {fingering_index} is asked for, the model has {len(network.fingerings)}, from 0"
        )
    if not LOWEST_HZ <= frequency_hz <= HIGHEST_HZ:
        raise InputError(f"inside: the frequency is {frequency_hz:g} Hz; it can be {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz")
    x, head_side = _places(network, points)
    p, u = np.empty(x.size, complex), np.empty(x.size, complex)
    kernel.field(
        network.given(), network.states[fingering_index], 2.0 * math.pi * frequency_hz, x, head_side, p, u
    )  # fmt: skip
    largest = p[np.argmax(np.abs(p))]
    return x, p / largest, u / largest


def _places(network: Network, points: int | Sequence[float] | FloatArray) -> tuple[FloatArray, BoolArray]:
    """Return the places asked for, m, and which of them are on the head's side of a jump, each of shape (n,)."""
    nodes = lay_out(network.given())
    low, high = min(float(network.sizes[offsets.BLOCK_DEPTH]), float(nodes["x"][0])), float(nodes["x"][-1])
    if isinstance(points, int):
        if not 2 <= points <= 100_000:
            raise InputError(f"inside: {points} points are asked for; give 2 to 100000")
        stations = nodes["x"][nodes["kind"] == STATION]
        steps = stations[1:][np.diff(stations) == 0.0]
        jumps = [*nodes["x"][nodes["kind"] == HOLE_NODE], *steps, 0.0]
        doubled = np.unique([x for x in jumps if low < x < high])
        even = np.setdiff1d(np.linspace(low, high, points), doubled)
        x = np.sort(np.concatenate([even, doubled, doubled]), kind="stable")
        return x, np.concatenate([x[:-1] == x[1:], [False]])
    x = np.ascontiguousarray(points, dtype=float)
    if x.ndim != 1 or x.size < 1 or not np.isfinite(x).all() or x.min() < low - 1e-12 or x.max() > high + 1e-12:
        raise InputError(f"inside: give places in a list, in m, between {low:.6g} and {high:.6g}")
    return x, np.zeros(x.size, dtype=bool)
