"""What the window and the dead end behind it add to the sensitivities."""

import cmath
import math

from fluewright.acoustics.kernels.along_bore import warm_slope
from fluewright.acoustics.kernels.compiled import kernel, part
from fluewright.acoustics.kernels.losses import line_of_table
from fluewright.acoustics.kernels.offsets import (
    BLOCK_DEPTH,
    EAR,
    EDGE_OFFSET,
    EDGE_THICKNESS,
    HEAD_SIZES,
    LOSS,
    WARM_LENGTH,
    WINDOW_SCALE,
)
from fluewright.acoustics.kernels.plan import window_of_bore
from fluewright.acoustics.kernels.segments import wave_of
from fluewright.acoustics.kernels.slopes import AirSlopes, add_outside

__all__ = ["add_dead_end", "add_window", "put_window_by_size"]


@kernel
def put_window_by_size(head, moved, window, given, out):
    """Fill `out` (2, HEAD_SIZES + 2) with the slopes of the window's inertance/rho and kappa.

    By every head size, then by bore radius and by outside radius. Central differences of the closed form, once a
    model; it is smooth but for the places where a block or an edge meets its plane, where the outer side counts.
    moved: a copy of the head's sizes, to be moved to and fro.
    """
    a = window.bore
    outer = window.outer
    out[:, :] = 0.0
    for q in range(HEAD_SIZES):
        if LOSS <= q <= WARM_LENGTH or (q == EAR and head[EAR] < 0.0):
            continue
        if given.formulas.solved_window == 0 and q in (EDGE_OFFSET, EDGE_THICKNESS):
            continue
        h = 1e-5 * max(abs(head[q]), 1e-3)
        low = 0.0 if q == BLOCK_DEPTH and 0.0 <= head[q] < h else -h
        moved[q] = head[q] + h
        m1, k1 = window_of_bore(moved, a, outer, given)
        moved[q] = head[q] + low
        m0, k0 = window_of_bore(moved, a, outer, given)
        moved[q] = head[q]
        out[0, q] = (m1 - m0) / (h - low)
        out[1, q] = (k1 - k0) / (h - low)
    h = 1e-5 * a
    for q in range(2):
        by_a = h if q == 0 else 0.0
        by_outer = h if q == 1 else 0.0
        m1, k1 = window_of_bore(head, a + by_a, outer + by_outer, given)
        m0, k0 = window_of_bore(head, a - by_a, outer - by_outer, given)
        out[0, HEAD_SIZES + q] = (m1 - m0) / (2.0 * h)
        out[1, HEAD_SIZES + q] = (k1 - k0) / (2.0 * h)


@part
def add_window(omega, plan, frame, into):
    """Add the window's own reactance to the sensitivities; return what it adds to those to the air."""
    window = plan.window
    by = frame.by_window
    head = frame.sizes.head
    start = frame.nodes[0].x
    ka = omega / plan.gas.c * window.bore
    square = ka * ka
    rise = 1.0 + window.kappa * square
    front = omega * plan.at_face.rho
    for q in range(HEAD_SIZES):
        into.sizes.head[q] += front * (by[0, q] * rise + window.inertance * by[1, q] * square)
    by_bore = front * (by[0, HEAD_SIZES] * rise + window.inertance * by[1, HEAD_SIZES] * square)
    into.nodes[0].r += by_bore + front * window.inertance * 2.0 * window.kappa * square / window.bore
    by_outer = front * (by[0, HEAD_SIZES + 1] * rise + window.inertance * by[1, HEAD_SIZES + 1] * square)
    by_x = add_outside(start, by_outer, frame, into)
    if head[BLOCK_DEPTH] >= 0.0:
        # At exactly 0 the block can only come forward without opening a stub: that side's derivative is given.
        into.sizes.head[BLOCK_DEPTH] += by_x
    reactance = front * window.inertance * rise
    into.sizes.head[WINDOW_SCALE] += reactance / head[WINDOW_SCALE]
    # Temperature moves the window's air by rho alone; kappa's k is that of the room.
    into.nodes[0].x += warm_slope(into.sizes.head, start, head, 0.0, reactance, 0.0)
    return AirSlopes(-front * window.inertance * 2.0 * window.kappa * square, reactance)


@part
def add_dead_end(omega, plan, desk, frame, into):
    """Add the dead end behind the exit plane to the sensitivities; return what it adds to those to the air."""
    if plan.recess == 0.0:
        return AirSlopes(0.0, 0.0)
    head = frame.sizes.head
    p = desk.elements[desk.elements.size - 1].p
    line = line_of_table(omega, plan.window.bore, plan.at_face, plan.zeta, plan.wall_table)
    yc = wave_of(line).yc
    th = cmath.tanh(line.g * plan.recess)
    area = math.pi * plan.window.bore**2
    y = area * th * yc
    by_e = area * (1.0 - th * th) * yc
    w = -p * p
    into.sizes.head[BLOCK_DEPTH] -= (w * by_e * line.g).imag
    half = 0.5 * (by_e * line.g_by_a * plan.recess - y * line.zc_by_a * yc)
    into.nodes[0].r += (w * (2.0 * y + 2.0 * half) / plan.window.bore).imag
    by_zeta = w * (by_e * line.g_by_zeta * plan.recess - y * line.zc_by_zeta * yc)
    into.sizes.head[LOSS] += by_zeta.imag * plan.formulas.lossy
    by_c = (-w * (by_e * line.g * plan.recess + y)).imag
    by_rho = (w * (half - y)).imag
    into.nodes[0].x += warm_slope(into.sizes.head, frame.nodes[0].x, head, by_c, by_rho, -(w * half).imag)
    return AirSlopes(by_c, by_rho)
