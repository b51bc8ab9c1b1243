"""What sensitivities are gathered in, and what a place along the bore adds to them."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluewright.acoustics.kernels.along_bore import interpolate, spread
from fluewright.acoustics.kernels.compiled import fused_kernel, maker, part
from fluewright.acoustics.kernels.gas import warmed
from fluewright.acoustics.kernels.given import Sizes, split
from fluewright.acoustics.kernels.losses import line_of_table
from fluewright.arrays import FloatArray

__all__ = ["AirSlopes", "Frame", "Gathered", "add_outside", "gather", "put_line_slopes"]

# By place and radius of a node.
_BY_NODE = np.dtype([("x", np.float64), ("r", np.float64)], align=True)
# By place of an opening, by radius of body and bore there.
_BY_OPENING = np.dtype([("x", np.float64), ("body", np.float64), ("bore", np.float64)], align=True)
# Of a line's G and zc, by ln a and by zeta.
_BY_LINE = np.dtype(
    [(name, np.complex128) for name in ("g_by_a", "zc_by_a", "g_by_zeta", "zc_by_zeta")], align=True
)  # fmt: skip


class Frame(NamedTuple):
    """What sensitivities lead back to, and the slopes that are free of frequency.

    sizes; nodes: records NODE, shape (nodes,); hole_rule: see `given.Formulas`; by_hole: slopes of the holes'
    constants, (holes, states, BY_SIZE + HOLE_SIZES, CONSTANTS); by_window: of the window's inertance and kappa,
    (2, HEAD_SIZES + 2).
    """

    sizes: Sizes
    nodes: NDArray[np.void]
    hole_rule: int
    by_hole: FloatArray
    by_window: FloatArray


class Gathered(NamedTuple):
    """Slopes of the loop's reactance.

    sizes: by the sizes, parts of one gradient; records as above: nodes, shape (nodes,): by place and radius of each;
    openings, shape (openings,): by those of each; lines, shape (lines,): slopes of the lines.
    """

    sizes: Sizes
    nodes: NDArray[np.void]
    openings: NDArray[np.void]
    lines: NDArray[np.void]


class AirSlopes(NamedTuple):
    """Slopes of the loop's reactance by the logarithms of the speed of sound and of the density."""

    c: float
    rho: float


@maker
def gather(grad, frame, plan):
    """Return where the slopes of one solution are gathered, all zero; grad, shape (sizes,), becomes those by size."""
    grad[:] = 0.0
    return Gathered(
        split(grad, frame.sizes.bore.shape[0], frame.sizes.outside.shape[0]),
        np.zeros(frame.nodes.size, _BY_NODE),
        np.zeros(plan.con.shape[0] + 2, _BY_OPENING),
        np.empty(plan.chain.lines.size, _BY_LINE),
    )


@fused_kernel
def put_line_slopes(omega, plan, lines):
    """Fill the slopes of all lines of a plan, records of shape (lines,)."""
    for i in range(lines.size):
        of = plan.chain.lines[i]
        line = line_of_table(omega, of.radius, warmed(plan.gas, of.tau), plan.zeta, plan.wall_table)
        by = lines[i]
        by.g_by_a = line.g_by_a
        by.zc_by_a = line.zc_by_a
        by.g_by_zeta = line.g_by_zeta
        by.zc_by_zeta = line.zc_by_zeta


@part
def add_outside(x, amount, frame, into):
    """Add a slope by the outside radius at x to the body's stations; return the slope by x."""
    at = interpolate(x, frame.sizes.outside)
    spread(into.sizes.outside, amount, at)
    return amount * at.slope
