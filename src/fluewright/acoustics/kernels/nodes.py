"""The nodes of a bore: block face, stations and holes, in their order; and the constants of every hole."""

import numpy as np

from fluewright.acoustics.kernels.along_bore import interpolate
from fluewright.acoustics.kernels.compiled import kernel, maker, part
from fluewright.acoustics.kernels.given import split
from fluewright.acoustics.kernels.holes import CONSTANTS, Fingers, acoustic_centre, hole_constants
from fluewright.acoustics.kernels.offsets import BLOCK_DEPTH, BULGE, HALF, HOLE_SCALE, PLACE, RADIUS

__all__ = ["FACE", "HOLE_NODE", "NODE", "STATES", "STATION", "constants_of_holes", "fingers_of", "lay_out"]

FACE = 0
STATION = 1
HOLE_NODE = 2
STATES = 3  # of a hole: closed, open, partly open

# kind: FACE, STATION or HOLE_NODE; index: of the station or hole; x: place, m; r: bore radius there, m.
NODE = np.dtype([("kind", np.int64), ("index", np.int64), ("x", np.float64), ("r", np.float64)], align=True)


@kernel
def _put_order(places, order):
    """Fill the holes' numbers in the order of their places, by insertion: a handful, mostly in order already."""
    for i in range(places.size):
        j = i
        while j > 0 and places[order[j - 1]] > places[i]:
            order[j] = order[j - 1]
            j -= 1
        order[j] = i


@part
def _put_node(node, kind, index, x, r):
    """Fill a node."""
    node.kind = kind
    node.index = index
    node.x = x
    node.r = r


@kernel
def _put_nodes(sizes, rule, places, order, nodes):
    """Fill the nodes; return how many there are."""
    start = max(sizes.head[BLOCK_DEPTH], 0.0)
    for h in range(places.size):
        places[h] = acoustic_centre(sizes.holes[h], rule)
    _put_order(places, order)
    _put_node(nodes[0], FACE, 0, start, interpolate(start, sizes.bore).value)
    n = 1
    hole = 0
    for i in range(sizes.bore.shape[0]):
        x = sizes.bore[i, PLACE]
        while hole < places.size and places[order[hole]] < x:
            at = places[order[hole]]
            _put_node(nodes[n], HOLE_NODE, order[hole], at, interpolate(at, sizes.bore).value)
            n += 1
            hole += 1
        if x > start:
            _put_node(nodes[n], STATION, i, x, sizes.bore[i, RADIUS])
            n += 1
    return n


@maker
def lay_out(given):
    """Return the nodes of a model, records NODE of shape (nodes,).

    A hole right at a station stands behind it; stations behind the block are none.
    """
    sizes = split(given.sizes, given.n_bore, given.n_out)
    nodes = np.empty(given.n_bore + given.n_holes + 1, NODE)
    n = _put_nodes(
        sizes, given.formulas.hole_rule, np.empty(given.n_holes), np.empty(given.n_holes, np.int64), nodes
    )  # fmt: skip
    return nodes[:n]


@part
def fingers_of(head):
    """Return what decides the ends of a model's holes; head: sizes of the head, shape (HEAD_SIZES,)."""
    return Fingers(head[HALF], head[BULGE], head[HOLE_SCALE])


@kernel
def _put_constants(sizes, rule, nodes, con):
    """Fill the constants of every hole in every state."""
    fingers = fingers_of(sizes.head)
    for i in range(nodes.size):
        node = nodes[i]
        if node.kind == HOLE_NODE:
            outer = interpolate(node.x, sizes.outside).value
            for state in range(STATES):
                hole_constants(
                    node.r, outer, sizes.holes[node.index], state, fingers, rule, con[node.index, state]
                )  # fmt: skip


@maker
def constants_of_holes(given, nodes):
    """Return the constants of every hole in every state, shape (holes, STATES, CONSTANTS)."""
    con = np.empty((given.n_holes, STATES, CONSTANTS))
    _put_constants(split(given.sizes, given.n_bore, given.n_out), given.formulas.hole_rule, nodes, con)
    return con
