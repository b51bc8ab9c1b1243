"""Flows through all openings at one frequency, from the pressures that they cause at each other's mouths."""

import numpy as np

from fluewright.acoustics.kernels.arithmetic import inverse
from fluewright.acoustics.kernels.compiled import fused_kernel, kernel

__all__ = ["all_flows", "sweep"]


@fused_kernel
def sweep(entering, source, el_i, tubes, up, holes, stub, z, flows):
    """Return (p, u) at the block face for a window flow and sources at the mouths; fill `flows`, and up[2].

    z is what the block face sees towards the foot; holes and foot get their flows outward, the window its own.
    """
    n_holes = holes.shape[0]
    n_el = el_i.shape[0]
    e_up = source[n_holes]
    for e in range(n_el):
        up[2, e] = e_up
        kind = el_i[e, 0]
        if kind <= 1:
            e_up = e_up * up[1, e]
        elif kind == 3:
            h = el_i[e, 3]
            e_up = (e_up * holes[h, 8] + source[h] * holes[h, 9] * (up[0, e] + tubes[e, 0])) * up[1, e]
    # The stub divides the window's flow.
    u = (entering - stub * e_up) * inverse(1.0 + stub * z)
    p_face = z * u + e_up
    u_face = u
    for e in range(n_el - 1, -1, -1):
        kind = el_i[e, 0]
        if kind <= 1:
            u = (u - tubes[e, 2] * up[2, e]) * up[1, e]
        elif kind == 3:
            h = el_i[e, 3]
            felt = source[h] * holes[h, 9]
            below = (holes[h, 8] * u + felt - up[2, e]) * up[1, e]
            flows[h] = holes[h, 9] * (u - below) - holes[h, 2] * felt
            u = below
    flows[n_holes] = u
    flows[n_holes + 1] = -entering
    return p_face, u_face


@kernel
def all_flows(states, source, el_i, tubes, up, holes, stub, z, flows, mutual):
    """Fill `source` with the pressures that all openings cause at each other at unit window flow, solved at once.

    Response of every flow to a source at every mouth, then one linear system.
    """
    n_holes = holes.shape[0]
    m = n_holes + 2
    number = np.empty(m, np.int64)
    n = 0
    for i in range(m - 1):
        if i == n_holes or states[i] != 0:
            number[n] = i
            n += 1
    for i in range(m):
        source[i] = 0.0
    sweep(1.0, source, el_i, tubes, up, holes, stub, z, flows)
    silent = flows.copy()
    response = np.empty((n, n), np.complex128)
    for j in range(n):
        source[number[j]] = 1.0
        sweep(0.0, source, el_i, tubes, up, holes, stub, z, flows)
        source[number[j]] = 0.0
        for i in range(n):
            response[i, j] = flows[number[i]]
    system = np.zeros((n, n + 1), np.complex128)
    for i in range(n):
        system[i, i] += 1.0
        system[i, n] = silent[number[i]]
        for j in range(n):
            for k in range(n):
                system[i, k] -= response[i, j] * mutual[0, number[j], number[k]]
            system[i, n] -= response[i, j] * mutual[0, number[j], m - 1]
    for i in range(n):
        best = i
        for j in range(i + 1, n):
            if abs(system[j, i]) > abs(system[best, i]):
                best = j
        for k in range(i, n + 1):
            system[i, k], system[best, k] = system[best, k], system[i, k]
        for j in range(i + 1, n):
            factor = system[j, i] / system[i, i]
            for k in range(i, n + 1):
                system[j, k] -= factor * system[i, k]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            system[i, n] -= system[i, k] * system[k, n]
        system[i, n] /= system[i, i]
    for i in range(m):
        if i < n_holes and states[i] == 0:
            continue
        total = -mutual[0, i, m - 1] if i != m - 1 else 0j
        for k in range(n):
            total += mutual[0, i, number[k]] * system[k, n]
        source[i] = total
