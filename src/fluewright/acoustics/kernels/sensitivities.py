"""What every size does to a resonance, from the stored states of one solution.

All elements are reciprocal, so that with the flows u at unit window flow every derivative of Z is u . dZ_parts . u
(Tellegen's theorem). Each element adds its own; places and radii of the nodes then lead back to the sizes.
"""

import numpy as np

from fluewright.acoustics.kernels.along_bore import interpolate, spread, warm_slope
from fluewright.acoustics.kernels.compiled import fused_kernel, maker, part
from fluewright.acoustics.kernels.given import split
from fluewright.acoustics.kernels.holes import CENTRE_SHIFT, CONSTANTS, SOLVED
from fluewright.acoustics.kernels.nodes import HOLE_NODE, STATION
from fluewright.acoustics.kernels.offsets import BLOCK_DEPTH, C_SCALE, DOWNSTREAM, HEAD_SIZES, PLACE, RADIUS, UPSTREAM
from fluewright.acoustics.kernels.radiation import end_impedance
from fluewright.acoustics.kernels.slopes import AirSlopes, Frame, add_outside, gather, put_line_slopes
from fluewright.acoustics.kernels.slopes_of_bore import add_bore
from fluewright.acoustics.kernels.slopes_of_coupling import add_coupling
from fluewright.acoustics.kernels.slopes_of_holes import add_holes, constants_by_size
from fluewright.acoustics.kernels.slopes_of_window import add_dead_end, add_window, put_window_by_size

__all__ = ["make_frame", "sensitivity"]


@maker
def make_frame(given, nodes, window, states):
    """Return what sensitivities need beside plan and solution; states: all that occur, shape (rows, holes)."""
    sizes = split(given.sizes, given.n_bore, given.n_out)
    by_window = np.zeros((2, HEAD_SIZES + 2))
    put_window_by_size(sizes.head, sizes.head.copy(), window, given, by_window)
    by_hole = constants_by_size(sizes, nodes, given.formulas.hole_rule, states)
    return Frame(sizes, nodes, given.formulas.hole_rule, by_hole, by_window)


@part
def _add_foot(omega, plan, desk, frame, into):
    """Add the open end to the sensitivities; return what it adds to those to the air."""
    foot = plan.foot
    last = frame.nodes.size - 1
    x = frame.nodes[last].x
    end = end_impedance(omega, foot.bore, foot.outer, foot.gas, plan.formulas.thick_foot, plan.formulas.radiate)
    square = desk.elements[0].u * desk.elements[0].u
    by_node = into.nodes[last]
    by_node.r += (square * end.by_a).imag
    if plan.formulas.thick_foot == 1:
        by_node.x += add_outside(x, (square * end.by_b).imag, frame, into)
    by_c = (square * end.by_ln_c).imag
    by_rho = (square * end.by_ln_rho).imag
    by_node.x += warm_slope(into.sizes.head, x, frame.sizes.head, by_c, by_rho, 0.0)
    return AirSlopes(by_c, by_rho)


@part
def _lead_back(frame, into):
    """Turn the slopes by place and radius of the nodes into those by the sizes that put them there."""
    head = frame.sizes.head
    for i in range(frame.nodes.size):
        node = frame.nodes[i]
        by = into.nodes[i]
        if node.kind == STATION:
            into.sizes.bore[node.index, PLACE] += by.x
            into.sizes.bore[node.index, RADIUS] += by.r
            continue
        at = interpolate(node.x, frame.sizes.bore)
        by_x = by.x + by.r * at.slope
        if node.kind == HOLE_NODE:
            hole = into.sizes.holes[node.index]
            hole[PLACE] += by_x
            if frame.hole_rule == SOLVED:
                hole[UPSTREAM] -= CENTRE_SHIFT * by_x
                hole[DOWNSTREAM] += CENTRE_SHIFT * by_x
        elif head[BLOCK_DEPTH] >= 0.0:
            into.sizes.head[BLOCK_DEPTH] += by_x
        spread(into.sizes.bore, by.r, at)


@fused_kernel
def _put_slopes(omega, states, plan, desk, frame, into, by_con):
    """Fill the slopes of the loop's reactance; by_con: scratch, shape (CONSTANTS,)."""
    put_line_slopes(omega, plan, into.lines)
    window = add_window(omega, plan, frame, into)
    recess = add_dead_end(omega, plan, desk, frame, into)
    bore = add_bore(omega, plan, desk, frame, into)
    holes = add_holes(omega, states, plan, desk, frame, into, by_con)
    foot = _add_foot(omega, plan, desk, frame, into)
    coupling = add_coupling(omega, states, plan, desk, frame, into)
    by_c = window.c + recess.c + bore.c + holes.c + foot.c + coupling.c
    by_rho = window.rho + recess.rho + bore.rho + holes.rho + foot.rho + coupling.rho
    # The calibration factor on c leaves rho c**2 alone.
    into.sizes.head[C_SCALE] += (by_c - 2.0 * by_rho) / frame.sizes.head[C_SCALE]
    _lead_back(frame, into)


@part
def sensitivity(omega, slope, states, plan, desk, frame, grad):
    """Fill `grad`, shape (sizes,), with domega/d(size) / omega, from the solution that `evaluate` left on the desk.

    Every element adds u . dZ . u of its own states. Implicit rule: domega/dq = -(dX/dq)/(dX/domega), the last of which
    is `slope`.
    """
    _put_slopes(omega, states, plan, desk, frame, gather(grad, frame, plan), np.empty(CONSTANTS))
    for q in range(grad.size):
        grad[q] = -grad[q] / (slope * omega)
