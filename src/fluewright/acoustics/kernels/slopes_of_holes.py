"""What the tone holes add to the sensitivities."""

import math

import numpy as np

from fluewright.acoustics.kernels.along_bore import interpolate, warm_slope
from fluewright.acoustics.kernels.chain import HOLE
from fluewright.acoustics.kernels.chimneys import gas_of_hole, mouth_radiation
from fluewright.acoustics.kernels.compiled import kernel, maker, part
from fluewright.acoustics.kernels.holes import (
    BY_BORE,
    BY_BULGE,
    BY_HALF,
    BY_OUTER,
    BY_SCALE,
    BY_SIZE,
    CLOSED,
    CONSTANTS,
    HORN,
    HORN_LENGTH,
    INNER,
    INNER_RADIUS,
    MATCHING_LENGTH,
    OUTSIDE,
    PARTS,
    RIM,
    RIM_LENGTH,
    RIM_RADIUS,
    SERIES,
    STRAIGHT,
    STRAIGHT_LENGTH,
    STRAIGHT_RADIUS,
    chimney_part,
    hole_constants_by_size,
)
from fluewright.acoustics.kernels.nodes import HOLE_NODE, STATES, fingers_of
from fluewright.acoustics.kernels.offsets import BULGE, HALF, HOLE_SCALE, HOLE_SIZES, LOSS
from fluewright.acoustics.kernels.segments import cone, tube
from fluewright.acoustics.kernels.slopes import AirSlopes, add_outside
from fluewright.acoustics.kernels.slopes_of_bore import Ends, duct_of, duct_slopes

__all__ = ["add_holes", "constants_by_size"]


@kernel
def _put_by_size(sizes, nodes, rule, used, by_size):
    """Fill the slopes of every hole's constants in the states that are used."""
    fingers = fingers_of(sizes.head)
    for i in range(nodes.size):
        node = nodes[i]
        if node.kind != HOLE_NODE:
            continue
        outer = interpolate(node.x, sizes.outside).value
        for state in range(STATES):
            if used[state]:
                hole_constants_by_size(
                    node.r, outer, sizes.holes[node.index], state, fingers, rule, by_size[node.index, state]
                )


@maker
def constants_by_size(sizes, nodes, rule, states):
    """Return the slopes of every hole's constants, see `slopes.Frame`, where they occur in states, (rows, holes)."""
    used = np.zeros(STATES, np.bool_)
    for i in range(states.shape[0]):
        for h in range(states.shape[1]):
            used[states[i, h]] = True
    found = np.zeros((sizes.holes.shape[0], STATES, BY_SIZE + HOLE_SIZES, CONSTANTS))
    _put_by_size(sizes, nodes, rule, used, found)
    return found


@part
def _through(of, wave, p, u):
    """Return (p, u) at the bore's end of one part of a chimney from those at its rim's end."""
    if of.inner == of.outer:
        ch, b, c = tube(of.length, math.pi * of.inner * of.inner, wave)
        return ch * p + b * u, c * p + ch * u
    port = cone(of.length, of.inner, of.outer, wave)
    return port.a * p + port.b * u, port.c * p + port.d * u


@part
def _part_to_come(of, wave, p, u):
    """Return the slope by the length of a rim or horn that is not there yet but may still grow."""
    wide = math.pi * (of.inner * of.inner + of.inner * of.outer + of.outer * of.outer) / 3.0
    gain = u * u * wave.zc / (math.pi * of.inner * of.outer) - p * p * wide * wave.yc
    return (gain * wave.g).imag


@part
def _add_part(k, found, by_con):
    """Add the slopes of one part of a chimney to those by the hole's constants."""
    if k == RIM:
        by_con[RIM_LENGTH] += found.length.imag
        by_con[STRAIGHT_RADIUS] += found.r1.imag
        by_con[RIM_RADIUS] += found.r2.imag
    elif k == STRAIGHT:
        by_con[STRAIGHT_LENGTH] += found.length.imag
        by_con[STRAIGHT_RADIUS] += found.r1.imag + found.r2.imag
    elif k == HORN:
        by_con[HORN_LENGTH] += found.length.imag
        by_con[INNER_RADIUS] += found.r1.imag
        by_con[STRAIGHT_RADIUS] += found.r2.imag
    else:
        by_con[MATCHING_LENGTH] += found.length.imag
        by_con[INNER_RADIUS] += found.r1.imag + found.r2.imag


@part
def _add_chimney(con, of_hole, hole, waves, lossy, into, by_con):
    """Add the parts of a chimney to the slopes by its constants; return (by ln c, by ln rho, by ln mu)."""
    by_c = 0.0
    by_rho = 0.0
    by_mu = 0.0
    p = hole.pressure
    u = hole.flow
    for k in range(PARTS):
        of = chimney_part(k, con)
        number = of_hole[k]
        if number < 0:
            number = of_hole[STRAIGHT]  # a plain chimney's matching length; a rim or horn to come
        wave = waves[number]
        if of.length <= 0.0:
            by_con[RIM_LENGTH if k == RIM else HORN_LENGTH] += _part_to_come(of, wave, p, u)
            continue
        up_p, up_u = _through(of, wave, p, u)
        found = duct_slopes(duct_of(of.length, of.inner, of.outer), wave, into.lines[number], Ends(up_u, -up_p, p, u))
        p = up_p
        u = up_u
        into.sizes.head[LOSS] += found.zeta.imag * lossy
        by_c += found.c.imag
        by_rho += found.rho.imag
        by_mu += found.mu.imag
        _add_part(k, found, by_con)
    return by_c, by_rho, by_mu


@part
def _add_constants(by_con, by_size, x, frame, into, by_node, by_hole):
    """Turn the slopes by a hole's constants into those by its sizes, by the bore and by the body.

    by_size: slopes of the constants in its state; by_node, by_hole: where those to the hole's place and sizes go.
    """
    head = into.sizes.head
    for row in range(BY_SIZE + HOLE_SIZES):
        amount = 0.0
        for j in range(CONSTANTS):
            amount += by_con[j] * by_size[row, j]
        if row == BY_BORE:
            by_node.r += amount
        elif row == BY_OUTER:
            by_node.x += add_outside(x, amount, frame, into)
        elif row == BY_HALF:
            head[HALF] += amount
        elif row == BY_BULGE:
            head[BULGE] += amount
        elif row == BY_SCALE:
            head[HOLE_SCALE] += amount
        else:
            by_hole[row - BY_SIZE] += amount


@part
def _add_hole(omega, state, con, gas, radiate, below, above, hole, by_con):
    """Fill the slopes by the T-network's constants, and return what they add to those by ln c and ln rho.

    below, above: flow in the bore under and over the hole.
    """
    j_omega_rho = complex(0.0, omega * gas.rho)
    series = 0.5 * j_omega_rho * (above * above + below * below)
    inner = j_omega_rho * hole.into * hole.into
    by_con[:] = 0.0
    by_con[SERIES] = series.imag
    by_con[INNER] = inner.imag
    by_c = 0.0
    by_rho = (series * con[SERIES] + inner * con[INNER]).imag
    if state != CLOSED:
        square = hole.flow * hole.flow
        by_con[OUTSIDE] = (j_omega_rho * square).imag
        resistance = mouth_radiation(omega, gas, radiate)
        by_c -= (square * resistance).imag
        by_rho += (square * complex(resistance, omega * gas.rho * con[OUTSIDE])).imag
    return AirSlopes(by_c, by_rho)


@part
def add_holes(omega, states, plan, desk, frame, into, by_con):
    """Add all holes to the sensitivities; return what they add to those to the air.

    states: of the holes, shape (holes,); by_con: scratch, (CONSTANTS,).
    """
    total_c = 0.0
    total_rho = 0.0
    for e in range(plan.chain.elements.size):
        element = plan.chain.elements[e]
        if element.kind != HOLE:
            continue
        h = element.hole
        con = plan.con[h, states[h]]
        hole = desk.holes[h]
        own = _add_hole(
            omega, states[h], con, gas_of_hole(plan, h), plan.formulas.radiate, desk.elements[e].u,
            desk.elements[e + 1].u, hole, by_con,
        )  # fmt: skip
        by_c, by_rho, by_mu = _add_chimney(
            con, plan.chain.of_hole[h], hole, desk.waves, plan.formulas.lossy, into, by_con
        )
        by_c += own.c
        by_rho += own.rho
        x = frame.nodes[element.node].x
        by_node = into.nodes[element.node]
        by_node.x += warm_slope(into.sizes.head, x, frame.sizes.head, by_c, by_rho, by_mu)
        _add_constants(by_con, frame.by_hole[h, states[h]], x, frame, into, by_node, into.sizes.holes[h])
        total_c += by_c
        total_rho += by_rho
    return AirSlopes(total_c, total_rho)
