"""Where the openings of an instrument are, and what every two of them do to each other, free of frequency.

Openings are numbered: the holes in their order, then the foot, then the window.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluewright.acoustics.kernels.along_bore import interpolate
from fluewright.acoustics.kernels.compiled import kernel, maker
from fluewright.acoustics.kernels.coupling import OWN_SWELL, inner_coupling, outer_coupling
from fluewright.acoustics.kernels.given import split
from fluewright.acoustics.kernels.nodes import HOLE_NODE
from fluewright.acoustics.kernels.offsets import WINDOW_LENGTH

__all__ = ["OPENING", "PAIR", "Openings", "make_openings"]

# Place, m; radius of body and bore there, m; angle round the body, rad.
OPENING = np.dtype([(name, np.float64) for name in ("x", "body", "bore", "angle")], align=True)
# Of two openings, SI: delayed: the part felt with a delay; near: felt at once, through the air by the body and through
# the bore; swell: the part that grows with k**2; each with its slopes by their distance z along the body, mean body
# radius and mean bore radius; body: that mean radius, 0 where the body adds nothing to their radiation.
PAIR = np.dtype(
    [
        (name, np.float64)
        for name in (
            "delayed", "delayed_by_z", "delayed_by_body", "near", "near_by_z", "near_by_body", "near_by_bore", "swell",
            "swell_by_z", "swell_by_body", "body",
        )
    ],
    align=True,
)  # fmt: skip


class Openings(NamedTuple):
    """places: records OPENING, shape (openings,); pairs: records PAIR, (openings, openings), lower half alone."""

    places: NDArray[np.void]
    pairs: NDArray[np.void]


@kernel
def _put_places(sizes, angles, nodes, outer_at_window, places):
    """Fill where the openings are."""
    for i in range(nodes.size):
        node = nodes[i]
        if node.kind == HOLE_NODE:
            hole = places[node.index]
            hole.x = node.x
            hole.bore = node.r
            hole.body = interpolate(node.x, sizes.outside).value
            hole.angle = angles[node.index]
    last = nodes[nodes.size - 1]
    foot = places[angles.size]
    foot.x = last.x
    foot.bore = last.r
    foot.body = interpolate(last.x, sizes.outside).value
    foot.angle = 0.0
    window = places[angles.size + 1]
    window.x = 0.5 * sizes.head[WINDOW_LENGTH]
    window.bore = nodes[0].r
    window.body = outer_at_window
    window.angle = 0.0


@kernel
def _put_on_body(pair, one, other, inside):
    """Fill the constants of two openings beside or behind each other on the body; `inside`: both are holes."""
    z = abs(one.x - other.x)
    angle = one.angle - other.angle
    pair.body = 0.5 * (one.body + other.body)
    outer = outer_coupling(z, pair.body, angle)
    pair.delayed = outer.free
    pair.delayed_by_z = outer.free_by_z
    pair.delayed_by_body = outer.free_by_r
    pair.near = outer.body
    pair.near_by_z = outer.body_by_z
    pair.near_by_body = outer.body_by_r
    pair.swell = outer.swell
    pair.swell_by_z = outer.swell_by_z
    pair.swell_by_body = outer.swell_by_r
    if inside:
        inner, by_z, by_a = inner_coupling(z, 0.5 * (one.bore + other.bore), angle)
        pair.near += inner
        pair.near_by_z += by_z
        pair.near_by_bore = by_a


@kernel
def _put_pairs(n_holes, places, pairs):
    """Fill the constants of all pairs of openings; those of foot and window with themselves are in their formulas."""
    foot = n_holes
    for i in range(places.size):
        if i < n_holes:
            # A hole feels its own field off the body too.
            own = pairs[i, i]
            own.swell = OWN_SWELL * places[i].body
            own.swell_by_body = OWN_SWELL
            own.body = places[i].body
        for j in range(i):
            pair = pairs[i, j]
            if foot in (i, j):
                # The foot's mouth is round the end of the body: free space.
                z = max(abs(places[i].x - places[j].x), 1e-6)
                pair.delayed = 1.0 / (4.0 * math.pi * z)
                pair.delayed_by_z = -pair.delayed / z
            else:
                _put_on_body(pair, places[i], places[j], i < n_holes and j < n_holes)


@maker
def make_openings(given, nodes, outer_at_window):
    """Return the openings of a model; outer_at_window: the body's radius there, m."""
    m = given.n_holes + 2
    openings = Openings(np.empty(m, OPENING), np.zeros((m, m), PAIR))
    _put_places(
        split(given.sizes, given.n_bore, given.n_out), given.angles, nodes, outer_at_window, openings.places
    )  # fmt: skip
    if given.formulas.coupled != 0:
        _put_pairs(given.n_holes, openings.places, openings.pairs)
    return openings
