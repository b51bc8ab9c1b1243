"""What a model is before any frequency: nodes and elements of the bore, openings, window.

Nodes are the block face, the bore stations and the holes, ordered along the bore; between nodes the bore is conical.

========  =============================================================================================
array     meaning
========  =============================================================================================
el_i      elements from the foot up: kind (0 cylinder, 1 cone, 2 step, 3 hole), line, upper node, hole
el_f      length, radius at the upper and at the lower end, the ends' shares of the stretch, temperature ratio
lines     radius and temperature ratio of every distinct line
hole_i    line of each part of a chimney, rim to bore (-1: no such part)
pairs     by pair of openings (holes, foot, window): delayed part, its slopes by distance and body radius, part
          without delay, its slopes by distance, bore radius and body radius, part that grows with
          k**2, its slopes, mean body radius
places    x of every opening
mouth     window's inertance/rho, kappa, bore radius and wall there
========  =============================================================================================
"""

import math

import numpy as np

from fluewright.acoustics.kernels.along_bore import interpolate, warm
from fluewright.acoustics.kernels.compiled import kernel
from fluewright.acoustics.kernels.coupling import OWN_SWELL, inner_coupling, outer_coupling
from fluewright.acoustics.kernels.holes import CENTRE_SHIFT, HOLE_SIZES, SOLVED, hole_constants
from fluewright.acoustics.kernels.offsets import (
    BLOCK_DEPTH,
    BULGE,
    EAR,
    EDGE_OFFSET,
    EDGE_THICKNESS,
    HALF,
    HEAD_SIZES,
    HOLE_SCALE,
    RAMP,
    WARM_SHARE,
    WINDOW_LENGTH,
    WINDOW_SCALE,
    WINDOW_WIDTH,
)
from fluewright.acoustics.kernels.segments import log_mean_radius
from fluewright.acoustics.kernels.window import window_inertance, window_solved

__all__ = ["LONGEST_PIECE", "elements", "lay_out", "make_plan", "window_constants", "window_of_bore"]

LONGEST_PIECE = 0.020  # m; longer lossy cones and pieces with a temperature gradient are divided


@kernel
def lay_out(dims, n_bore, n_out, n_holes, rules):
    """Return nodes ordered along the bore, and every hole's constants.

    Nodes: kind (0 block face, 1 station, 2 hole), index, x and radius; constants: (hole, state, CONSTANTS).
    """
    size = n_bore + n_holes + 1
    kind = np.empty(size, np.int64)
    index = np.empty(size, np.int64)
    x = np.empty(size)
    r = np.empty(size)
    start = max(dims[BLOCK_DEPTH], 0.0)
    kind[0] = 0
    index[0] = 0
    x[0] = start
    r[0] = interpolate(start, dims, HEAD_SIZES, n_bore)[0]
    n = 1
    hole = 0
    first_hole = HEAD_SIZES + 2 * n_bore + 2 * n_out
    place = np.empty(n_holes)
    # Insertion sort: a handful of holes, mostly in order already.
    order = np.empty(n_holes, np.int64)
    for i in range(n_holes):
        at = first_hole + HOLE_SIZES * i
        place[i] = dims[at]
        if rules[1] == SOLVED:
            # Widened to one side, a hole acts a little off its middle.
            place[i] -= CENTRE_SHIFT * (dims[at + 5] - dims[at + 6])
        j = i
        while j > 0 and place[order[j - 1]] > place[i]:
            order[j] = order[j - 1]
            j -= 1
        order[j] = i
    for i in range(n_bore):
        xs = dims[HEAD_SIZES + 2 * i]
        while hole < n_holes and place[order[hole]] < xs:
            kind[n] = 2
            index[n] = order[hole]
            x[n] = place[order[hole]]
            r[n] = interpolate(x[n], dims, HEAD_SIZES, n_bore)[0]
            n += 1
            hole += 1
        if xs <= start:
            continue
        kind[n] = 1
        index[n] = i
        x[n] = xs
        r[n] = dims[HEAD_SIZES + 2 * i + 1]
        n += 1
    con = np.empty((n_holes, 3, 10))
    for i in range(n):
        if kind[i] == 2:
            at = first_hole + HOLE_SIZES * index[i]
            outer = interpolate(x[i], dims, HEAD_SIZES + 2 * n_bore, n_out)[0]
            for state in range(3):
                hole_constants(
                    r[i], outer, dims[at : at + HOLE_SIZES], state, dims[HALF], dims[BULGE], dims[HOLE_SCALE], rules[1],
                    con[index[i], state],
                )  # fmt: skip
    return kind[:n], index[:n], x[:n], r[:n], con


@kernel
def window_constants(dims, n_bore, n_out, rules, table):
    """Return (inertance/rho, kappa, bore radius, outside radius) of the window as it stands."""
    start = max(dims[BLOCK_DEPTH], 0.0)
    a = interpolate(start, dims, HEAD_SIZES, n_bore)[0]
    outer = interpolate(start, dims, HEAD_SIZES + 2 * n_bore, n_out)[0]
    m, kappa = window_of_bore(dims, a, outer, rules, table)
    return m, kappa, a, outer


@kernel
def window_of_bore(dims, a, outer, rules, table):
    """Return (inertance/rho, kappa) of the window for a given bore and body."""
    if rules[4] == 0:
        start = max(dims[BLOCK_DEPTH], 0.0)
        m = window_inertance(dims[WINDOW_LENGTH] - start, dims[WINDOW_WIDTH], outer - a, dims[RAMP], a, dims[EAR])
        return dims[WINDOW_SCALE] * m, 0.0
    m, kappa = window_solved(
        dims[WINDOW_LENGTH], dims[WINDOW_WIDTH], outer - a, dims[RAMP], a, dims[EAR], dims[EDGE_OFFSET],
        dims[EDGE_THICKNESS], dims[BLOCK_DEPTH], table,
    )  # fmt: skip
    return dims[WINDOW_SCALE] * m, kappa


@kernel
def _pieces(length, r1, r2, dims, fine):
    """Return how many pieces a stretch is cut into; `fine` cuts cylinders too, as sensitivities to taper need."""
    if length <= 0.0:
        # Two holes abreast: sensitivities still need the piece between them, however short.
        return 1 if fine and r1 == r2 else 0
    if r1 == r2 and dims[WARM_SHARE] == 0.0 and not fine:
        return 1
    return math.ceil(length / LONGEST_PIECE - 1e-9)


@kernel
def _line_number(lines, count, radius, tau):
    """Return (number, count) of the line of this radius and temperature, a new one where there is none yet."""
    for i in range(count):
        if lines[i, 0] == radius and lines[i, 1] == tau:
            return i, count
    lines[count, 0] = radius
    lines[count, 1] = tau
    return count, count + 1


@kernel
def elements(dims, kind, index, x, r, con, fine):
    """Return (el_i, el_f, lines, hole_i): the chain's elements from the foot up, see the module's table."""
    n = kind.size
    n_holes = con.shape[0]
    most = 2 * n + n_holes
    for i in range(n - 1):
        most += _pieces(x[i + 1] - x[i], r[i], r[i + 1], dims, fine)
    el_i = np.empty((most, 4), np.int64)
    el_f = np.empty((most, 6))
    lines = np.empty((most + 4 * n_holes, 2))
    hole_i = np.full((n_holes, 4), -1)
    count = 0
    n_lines = 0
    for i in range(n - 2, -1, -1):
        if x[i + 1] - x[i] <= 0.0 and r[i] != r[i + 1]:
            el_i[count, 0] = 2
            el_i[count, 1] = 0
            el_i[count, 2] = i
            el_f[count, 0] = 0.0
            el_f[count, 1] = r[i]
            el_f[count, 2] = r[i + 1]
            el_f[count, 5] = warm(x[i], dims)
            count += 1
        pieces = _pieces(x[i + 1] - x[i], r[i], r[i + 1], dims, fine)
        for j in range(pieces - 1, -1, -1):
            s1 = j / pieces
            s2 = (j + 1) / pieces
            r1 = r[i] + s1 * (r[i + 1] - r[i])
            r2 = r[i] + s2 * (r[i + 1] - r[i]) if j + 1 < pieces else r[i + 1]
            tau = warm(x[i] + 0.5 * (s1 + s2) * (x[i + 1] - x[i]), dims)
            radius = r1 if r1 == r2 else log_mean_radius(r1, r2)[0]
            number, n_lines = _line_number(lines, n_lines, radius, tau)
            el_i[count, 0] = 0 if r1 == r2 else 1
            el_i[count, 1] = number
            el_i[count, 2] = i
            el_f[count, 0] = max((x[i + 1] - x[i]) / pieces, 1e-9)
            el_f[count, 1] = r1
            el_f[count, 2] = r2
            el_f[count, 3] = s1
            el_f[count, 4] = s2
            el_f[count, 5] = tau
            count += 1
        if kind[i] == 2:
            h = index[i]
            tau = warm(x[i], dims)
            el_i[count, 0] = 3
            el_i[count, 1] = 0
            el_i[count, 2] = i
            el_i[count, 3] = h
            el_f[count, 5] = tau
            count += 1
            # Radii of the chimney do not depend on the finger.
            own = con[h, 1]
            plain = own[7] == 0.0 and own[8] == own[4]
            if own[3] > 0.0:
                radius = own[4] if own[4] == own[5] else log_mean_radius(own[4], own[5])[0]
                hole_i[h, 0], n_lines = _line_number(lines, n_lines, radius, tau)
            hole_i[h, 1], n_lines = _line_number(lines, n_lines, own[4], tau)
            if not plain:
                if own[7] > 0.0:
                    radius = own[4] if own[4] == own[8] else log_mean_radius(own[8], own[4])[0]
                    hole_i[h, 2], n_lines = _line_number(lines, n_lines, radius, tau)
                hole_i[h, 3], n_lines = _line_number(lines, n_lines, own[8], tau)
    return el_i[:count], el_f[:count], lines[:n_lines], hole_i


@kernel
def _openings(dims, n_bore, n_out, n_holes, angles, kind, index, x, r, outer_at_mouth, rules):
    """Return (places, pairs): x of every opening, and the coupling constants of every pair; see the module's table."""
    m = n_holes + 2
    places = np.empty(m)
    radius = np.empty(m)
    bore = np.empty(m)
    for i in range(kind.size):
        if kind[i] == 2:
            places[index[i]] = x[i]
            bore[index[i]] = r[i]
            radius[index[i]] = interpolate(x[i], dims, HEAD_SIZES + 2 * n_bore, n_out)[0]
    last = kind.size - 1
    places[n_holes] = x[last]
    bore[n_holes] = r[last]
    radius[n_holes] = interpolate(x[last], dims, HEAD_SIZES + 2 * n_bore, n_out)[0]
    places[n_holes + 1] = 0.5 * dims[WINDOW_LENGTH]
    bore[n_holes + 1] = r[0]
    radius[n_holes + 1] = outer_at_mouth
    pairs = np.zeros((m, m, 11))
    if rules[5] == 0:
        return places, pairs
    for i in range(m):
        if i < n_holes:
            # A hole feels its own field off the body too; that of foot and window is in their formulas.
            pairs[i, i, 7] = OWN_SWELL * radius[i]
            pairs[i, i, 9] = OWN_SWELL
            pairs[i, i, 10] = radius[i]
        for j in range(i):
            z = abs(places[i] - places[j])
            out = pairs[i, j]
            if i == n_holes or j == n_holes:
                # The foot's mouth is round the end of the body: free space.
                out[0] = 1.0 / (4.0 * math.pi * max(z, 1e-6))
                out[1] = -out[0] / max(z, 1e-6)
            else:
                angle = (angles[i] if i < n_holes else 0.0) - (angles[j] if j < n_holes else 0.0)
                out[0], out[1], out[2], out[3], out[4], out[6], out[7], out[8], out[9] = outer_coupling(
                    z, 0.5 * (radius[i] + radius[j]), angle
                )
                out[10] = 0.5 * (radius[i] + radius[j])
                if i < n_holes and j < n_holes:
                    inner, by_z, by_a = inner_coupling(z, 0.5 * (bore[i] + bore[j]), angle)
                    out[3] += inner
                    out[4] += by_z
                    out[5] = by_a
            for k in range(11):
                pairs[j, i, k] = out[k]
    return places, pairs


@kernel
def make_plan(dims, n_bore, n_out, n_holes, angles, rules, table, kind, index, x, r, con, fine):
    """Return what `evaluate` needs beside air and fingers, all free of frequency."""
    el_i, el_f, lines, hole_i = elements(dims, kind, index, x, r, con, fine)
    m, kappa, a, outer = window_constants(dims, n_bore, n_out, rules, table)
    mouth = np.array((m, kappa, a, outer - a))
    places, pairs = _openings(dims, n_bore, n_out, n_holes, angles, kind, index, x, r, outer, rules)
    outer_foot = interpolate(x[x.size - 1], dims, HEAD_SIZES + 2 * n_bore, n_out)[0]
    return outer_foot, x, r, con, el_i, el_f, lines, hole_i, places, pairs, mouth
