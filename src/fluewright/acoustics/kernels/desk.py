"""The work arrays of one solution; they hold the whole of it when it is done."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluewright.acoustics.kernels.compiled import kernel, maker, part

__all__ = ["Desk", "keep_sources", "make_desk", "put_port", "silence", "take_sources"]

_PORT = ("a", "b", "c", "d", "da", "db", "dc", "dd")
# How sound travels along a line, see `segments.Wave`.
_WAVE = np.dtype([(name, np.complex128) for name in ("g", "zc", "yc", "dg", "dzc")], align=True)
# Of an element: its two-port, see `segments.TwoPort` (of a cylinder without slopes, of a step its impedance b); below:
# impedance towards the foot under it; passed: share of the flow that it passes on; driven: pressure that the openings
# cause under it; p, u: pressure and flow under it.
_ELEMENT = np.dtype(
    [(name, np.complex128) for name in (*_PORT, "below", "passed", "driven", "p", "u")], align=True
)  # fmt: skip
# Of a hole: two-port of its chimney, bore side from the rim's side; half: half its series impedance; shunt: what the
# bore sees of it; passed: what reaches the bore of a pressure at the mouth; load: what the rim sees outside; into: flow
# from the bore into the chimney; flow, pressure: at the rim.
_HOLE = np.dtype(
    [
        (name, np.complex128)
        for name in (*_PORT, "half", "shunt", "passed", "load", "into", "flow", "pressure")
    ],
    align=True,
)  # fmt: skip
# Of an opening: source: pressure there by the flows of the others; flow: out of it (-1: into the window); turned, felt:
# scratch.
_OPENING = np.dtype([(name, np.complex128) for name in ("source", "flow", "turned", "felt")], align=True)
# Of two openings: impedance: pressure at one by the flow out of the other; swing: omega times its slope in omega;
# phase: of the delay between them; more, share: see `coupling.More`.
_MUTUAL = np.dtype(
    [(name, np.complex128) for name in ("impedance", "swing", "phase")]
    + [(name, np.float64) for name in ("more", "share")],
    align=True,
)


class Desk(NamedTuple):
    """One solution at unit window flow, records as above.

    waves: of every line; elements: of the chain, and last the block face, of which only p and u count; holes; openings;
    mutual: shape (openings, openings), the lower half, and the upper half's impedance.
    """

    waves: NDArray[np.void]
    elements: NDArray[np.void]
    holes: NDArray[np.void]
    openings: NDArray[np.void]
    mutual: NDArray[np.void]


@maker
def make_desk(plan):
    """Return the work arrays for a plan; its openings are silent."""
    n_holes = plan.con.shape[0]
    m = n_holes + 2
    return Desk(
        np.empty(plan.chain.lines.size, _WAVE),
        np.empty(plan.chain.elements.size + 1, _ELEMENT),
        np.zeros(n_holes, _HOLE),
        np.zeros(m, _OPENING),
        np.zeros((m, m), _MUTUAL),
    )


@kernel
def silence(desk):
    """Let the next solution begin with silent openings."""
    for i in range(desk.openings.size):
        desk.openings[i].source = 0.0


@kernel
def keep_sources(desk, kept):
    """Copy the pressures at the openings by each other's flows, shape (openings,)."""
    for i in range(kept.size):
        kept[i] = desk.openings[i].source


@kernel
def take_sources(desk, kept):
    """Let the next solution begin with pressures at the openings that were kept, shape (openings,)."""
    for i in range(kept.size):
        desk.openings[i].source = kept[i]


@part
def put_port(work, port):
    """Keep a two-port."""
    work.a = port.a
    work.b = port.b
    work.c = port.c
    work.d = port.d
    work.da = port.da
    work.db = port.db
    work.dc = port.dc
    work.dd = port.dd
