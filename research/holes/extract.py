"""Which shunt, series and mutual inertances of holes explain a two-port matrix?

Network: port - bore - series half - node 1 - series half - bore - series half - node 2 - ... - port.  Lengths in bore
radii; "inertance lengths" are inertances over rho / a times pi, static unless k is given (then complex).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["SingleHole", "at_frequency", "chain", "pair", "single"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SingleHole:
    """Shunt inertance length and series length (absolute, negative) of one hole by itself."""

    shunt: float
    series: float


def single(lengths: Array, bore_length: float) -> tuple[SingleHole, float]:
    """Shunt, series and the shift of the acoustic centre downstream; ports must stand evenly about the hole's x."""
    shunt = 0.5 * (lengths[0, 1] + lengths[1, 0])
    series = lengths[0, 0] + lengths[1, 1] - 2.0 * shunt - bore_length
    return SingleHole(float(shunt), float(series)), float(lengths[0, 0] - lengths[1, 1]) / 2.0


def _webs(places: list[float], series: list[float]) -> list[float]:
    return [places[i + 1] - places[i] + 0.5 * (series[i] + series[i + 1]) for i in range(len(places) - 1)]


def _web_admittance(webs: list[float]) -> Array:
    n = len(webs) + 1
    y = np.zeros((n, n))
    for i, web in enumerate(webs):
        y[i : i + 2, i : i + 2] += np.array([[1.0, -1.0], [-1.0, 1.0]]) / web
    return y


def chain(holes: list[SingleHole], places: list[float], ports: tuple[float, float], mutual: Array) -> Array:
    """Two-port lengths of a row of holes; `mutual` (n, n) are inertance lengths between them, diagonal unused."""
    series = [h.series for h in holes]
    shunt = np.array(mutual, dtype=float)
    np.fill_diagonal(shunt, [h.shunt for h in holes])
    y = _web_admittance(_webs(places, series)) if len(holes) > 1 else np.zeros((1, 1))
    nodes = np.linalg.inv(y + np.linalg.inv(shunt))
    ends = nodes[np.ix_([0, -1], [0, -1])]
    ends[0, 0] += places[0] - ports[0] + 0.5 * series[0]
    ends[1, 1] += ports[1] - places[-1] + 0.5 * series[-1]
    return np.asarray(ends)


def pair(
    lengths: Array, flows: Array, holes: list[SingleHole], places: list[float], ports: tuple[float, float]
) -> dict[str, Any]:
    """Mutual inertances (over rho / a) of a pair, read in three ways.

    `mutual_even`: from both ports driven alike (first-order sensitive to nothing else), self inertances and series
    lengths those of the single holes.  `flow_matrix`: node pressures over hole flows, series lengths of the single
    holes, self inertances free.  `port_matrix`: the same without the flows, the web between the holes taken from the
    single holes.
    """
    ends = [places[0] - ports[0] + 0.5 * holes[0].series, ports[1] - places[1] + 0.5 * holes[1].series]
    nodes = lengths - np.diag(ends)
    target = float(nodes.sum())

    def even(mutual: float) -> float:
        matrix = np.full((2, 2), mutual)
        return float((chain(holes, places, ports, matrix) - np.diag(ends)).sum())

    # secant on a nearly linear function
    x0, x1 = 0.0, 0.3
    f0, f1 = even(x0) - target, even(x1) - target
    for _ in range(30):
        if abs(f1 - f0) < 1e-14:
            break
        x0, f0, x1 = x1, f1, x1 - f1 * (x1 - x0) / (f1 - f0)
        f1 = even(x1) - target
        if abs(f1) < 1e-12:
            break
    web = _webs(places, [h.series for h in holes])
    from_flows = nodes @ np.linalg.inv(flows)
    from_ports = np.linalg.inv(np.linalg.inv(nodes) - _web_admittance(web))
    # flow in the web: what port 0 sends in less what hole 0 lets out; driven by port 0 and by port 1
    sent = np.array([1.0, 0.0]) - flows[0]
    odd_web = (nodes[0] - nodes[1]) @ np.array([1.0, -1.0]) / (sent @ np.array([1.0, -1.0]))
    return {
        "mutual_even": x1 / np.pi,
        "flow_matrix": (from_flows / np.pi).tolist(),
        "mutual_flow": 0.5 * float(from_flows[0, 1] + from_flows[1, 0]) / np.pi,
        "self_change_flow": [float(from_flows[i, i] - holes[i].shunt) / np.pi for i in range(2)],
        "port_matrix": (from_ports / np.pi).tolist(),
        "mutual_port": 0.5 * float(from_ports[0, 1] + from_ports[1, 0]) / np.pi,
        "web_length_odd": float(odd_web),
        "web_length_singles": web[0],
    }


def at_frequency(
    s: NDArray[np.complex128], k: float, holes: list[SingleHole], places: list[float], ports: tuple[float, float]
) -> NDArray[np.complex128]:
    """Impedances (2, 2) over j k rho c / S between hole flows of a pair, series lengths static."""
    unit = np.eye(2)
    z = (unit + s) @ np.linalg.inv(unit - s)
    pressure, flow = z.copy(), np.eye(2, dtype=complex)
    for i, length in enumerate((places[0] - ports[0], ports[1] - places[1])):
        c, sn = np.cos(k * length), np.sin(k * length)
        p = c * pressure[i] - 1j * sn * flow[i]
        u = c * flow[i] - 1j * sn * pressure[i]
        pressure[i] = p - 0.5j * k * holes[i].series * u
        flow[i] = u
    nodes = pressure @ np.linalg.inv(flow)
    d = places[1] - places[0]
    line = np.array([[np.cos(k * d), 1j * np.sin(k * d)], [1j * np.sin(k * d), np.cos(k * d)]])
    for i, place in ((0, 0), (1, 1)):
        half = np.array([[1.0, 0.5j * k * holes[i].series], [0.0, 1.0]])
        line = half @ line if place == 0 else line @ half
    a, b, dd = line[0, 0], line[0, 1], line[1, 1]
    web = np.array([[dd, -1.0], [-1.0, a]]) / b
    return np.asarray(np.linalg.inv(np.linalg.inv(nodes) - web) / (1j * k))
