"""The chain of a bore: its elements from the foot up, and the lines that sound travels along in them.

Between nodes the bore is conical; long stretches are cut into pieces.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluewright.acoustics.kernels.along_bore import warm
from fluewright.acoustics.kernels.compiled import kernel, maker, part
from fluewright.acoustics.kernels.holes import HORN, MATCHING, OPEN, PARTS, RIM, chimney_part, is_plain
from fluewright.acoustics.kernels.nodes import HOLE_NODE
from fluewright.acoustics.kernels.offsets import WARM_SHARE
from fluewright.acoustics.kernels.segments import log_mean_radius
from fluewright.arrays import IntArray

__all__ = ["CONE", "CYLINDER", "ELEMENT", "HOLE", "LINE", "LONGEST_PIECE", "STEP", "Chain", "make_chain"]

LONGEST_PIECE = 0.020  # m; longer lossy cones and pieces with a temperature gradient are divided

CYLINDER = 0
CONE = 1
STEP = 2
HOLE = 3

# kind: CYLINDER, CONE, STEP or HOLE; line: of a cylinder or cone; node: at its upper end; hole: which one; length, m;
# upper, lower: radius at either end, m; from_share, to_share: where its ends lie in the stretch between two nodes, 0 to
# 1; tau: absolute temperature over the room's.
ELEMENT = np.dtype(
    [(name, np.int64) for name in ("kind", "line", "node", "hole")]
    + [(name, np.float64) for name in ("length", "upper", "lower", "from_share", "to_share", "tau")],
    align=True,
)
# Radius, m, and absolute temperature over the room's.
LINE = np.dtype([("radius", np.float64), ("tau", np.float64)], align=True)


class Chain(NamedTuple):
    """A bore cut into elements.

    elements: records ELEMENT from the foot up, shape (elements,); lines: every distinct one, records LINE, (lines,);
    of_hole: line of each part of a chimney, (holes, PARTS); -1 where there is no such part.
    """

    elements: NDArray[np.void]
    lines: NDArray[np.void]
    of_hole: IntArray


@kernel
def _pieces(length, r1, r2, head, fine):
    """Return how many pieces a stretch is cut into; `fine` cuts cylinders too, as sensitivities to taper need."""
    if length <= 0.0:
        # Two holes abreast: sensitivities still need the piece between them, however short.
        return 1 if fine and r1 == r2 else 0
    if r1 == r2 and head[WARM_SHARE] == 0.0 and not fine:
        return 1
    return math.ceil(length / LONGEST_PIECE - 1e-9)


@kernel
def _most_elements(head, nodes, n_holes, fine):
    """Return how many elements there can be."""
    most = 2 * nodes.size + n_holes
    for i in range(nodes.size - 1):
        most += _pieces(nodes[i + 1].x - nodes[i].x, nodes[i].r, nodes[i + 1].r, head, fine)
    return most


@kernel
def _line_number(lines, count, radius, tau):
    """Return (number, count) of the line of this radius and temperature, a new one where there is none yet."""
    for i in range(count):
        if lines[i].radius == radius and lines[i].tau == tau:
            return i, count
    lines[count].radius = radius
    lines[count].tau = tau
    return count, count + 1


@part
def _mean_radius(r1, r2):
    """Return the radius whose wall loss a piece has."""
    return r1 if r1 == r2 else log_mean_radius(r1, r2)[0]


@kernel
def _put_piece(element, i, j, pieces, upper, lower, head, lines, n_lines):
    """Fill piece j of the stretch below node i, between two nodes; return how many lines there are then."""
    length = lower.x - upper.x
    s1 = j / pieces
    s2 = (j + 1) / pieces
    r1 = upper.r + s1 * (lower.r - upper.r)
    r2 = upper.r + s2 * (lower.r - upper.r) if j + 1 < pieces else lower.r
    tau = warm(upper.x + 0.5 * (s1 + s2) * length, head)
    number, n_lines = _line_number(lines, n_lines, _mean_radius(r1, r2), tau)
    element.kind = CYLINDER if r1 == r2 else CONE
    element.line = number
    element.node = i
    element.length = max(length / pieces, 1e-9)
    element.upper = r1
    element.lower = r2
    element.from_share = s1
    element.to_share = s2
    element.tau = tau
    return n_lines


@kernel
def _put_step(element, i, upper, lower, head):
    """Fill the step in diameter between two nodes at one place."""
    element.kind = STEP
    element.node = i
    element.upper = upper.r
    element.lower = lower.r
    element.tau = warm(upper.x, head)


@kernel
def _put_hole(element, i, node, con, head, chain, n_lines):
    """Fill the element of a hole and the lines of its chimney; return how many lines there are then.

    con: its constants when open; the finger does not change the radii.
    """
    element.kind = HOLE
    element.node = i
    element.hole = node.index
    element.tau = warm(node.x, head)
    plain = is_plain(con)
    for k in range(PARTS):
        of = chimney_part(k, con)
        if (k in (RIM, HORN) and of.length <= 0.0) or (k == MATCHING and plain):
            chain.of_hole[node.index, k] = -1
            continue
        number, n_lines = _line_number(chain.lines, n_lines, _mean_radius(of.inner, of.outer), element.tau)
        chain.of_hole[node.index, k] = number
    return n_lines


@kernel
def _put_elements(head, nodes, con, fine, chain):
    """Fill a chain; return how many elements and lines there are."""
    count = 0
    n_lines = 0
    for i in range(nodes.size - 2, -1, -1):
        upper = nodes[i]
        lower = nodes[i + 1]
        length = lower.x - upper.x
        if length <= 0.0 and upper.r != lower.r:
            _put_step(chain.elements[count], i, upper, lower, head)
            count += 1
        pieces = _pieces(length, upper.r, lower.r, head, fine)
        for j in range(pieces - 1, -1, -1):
            n_lines = _put_piece(chain.elements[count], i, j, pieces, upper, lower, head, chain.lines, n_lines)
            count += 1
        if upper.kind == HOLE_NODE:
            n_lines = _put_hole(chain.elements[count], i, upper, con[upper.index, OPEN], head, chain, n_lines)
            count += 1
    return count, n_lines


@maker
def make_chain(head, nodes, con, fine):
    """Return the chain of a bore; see `_pieces` for `fine`.

    head: sizes of the head, shape (HEAD_SIZES,); nodes: records, (nodes,); con: constants of the holes, (holes, STATES,
    CONSTANTS).
    """
    n_holes = con.shape[0]
    most = _most_elements(head, nodes, n_holes, fine)
    chain = Chain(
        np.empty(most, ELEMENT), np.empty(most + PARTS * n_holes, LINE), np.empty((n_holes, PARTS), np.int64)
    )  # fmt: skip
    count, n_lines = _put_elements(head, nodes, con, fine, chain)
    return Chain(chain.elements[:count], chain.lines[:n_lines], chain.of_hole)
