"""Flows through all openings at one frequency, from the pressures that they cause at each other's mouths."""

import numpy as np

from fluewright.acoustics.kernels.arithmetic import inverse
from fluewright.acoustics.kernels.chain import HOLE, STEP
from fluewright.acoustics.kernels.compiled import kernel, maker, part
from fluewright.acoustics.kernels.mutual import is_shut

__all__ = ["settle"]

_MOST_TURNS = 12


@part
def _sweep(entering, stub, z, chain, desk):
    """Return (p, u) at the block face for a window flow and the desk's sources; fill its flows and what drives them.

    z is what the block face sees towards the foot, stub the admittance of the dead end behind the exit plane; holes and
    foot get their flows outward, the window its own.
    """
    openings = desk.openings
    n = chain.elements.size
    foot = openings.size - 2
    rising = openings[foot].source
    for e in range(n):
        element = chain.elements[e]
        work = desk.elements[e]
        work.driven = rising
        if element.kind == HOLE:
            hole = desk.holes[element.hole]
            by_mouth = openings[element.hole].source * hole.passed * (work.below + hole.half)
            rising = (rising * hole.shunt + by_mouth) * work.passed
        elif element.kind != STEP:
            rising = rising * work.passed
    # The stub divides the window's flow.
    u = (entering - stub * rising) * inverse(1.0 + stub * z)
    p_face = z * u + rising
    u_face = u
    for e in range(n - 1, -1, -1):
        element = chain.elements[e]
        work = desk.elements[e]
        if element.kind == HOLE:
            hole = desk.holes[element.hole]
            opening = openings[element.hole]
            felt = opening.source * hole.passed
            below = (hole.shunt * u + felt - work.driven) * work.passed
            opening.flow = hole.passed * (u - below) - hole.c * felt
            u = below
        elif element.kind != STEP:
            u = (u - work.c * work.driven) * work.passed
    openings[foot].flow = u
    openings[foot + 1].flow = -entering
    return p_face, u_face


@part
def _felt(i, states, desk):
    """Return the pressure at an opening by the flows of all."""
    total = 0j
    for j in range(desk.openings.size):
        if not is_shut(j, states):
            total += desk.mutual[i, j].impedance * desk.openings[j].flow
    return total


@part
def settle(loose, states, stub, z, plan, desk):
    """Return (p, u) at the block face for unit window flow, and a correction of the loop's impedance.

    states: of the holes, shape (holes,). The pressures at the mouths follow from the flows of the turn before, until
    they agree to the share `loose` of their square. What they still disagree by enters Z only squared, since Z is
    stationary in the flows: the correction is its first order.
    """
    openings = desk.openings
    turns = 0
    while True:
        p, u = _sweep(1.0, stub, z, plan.chain, desk)
        if plan.formulas.coupled == 0:
            return p, u, 0j
        change = 0.0
        largest = 0.0
        correction = 0j
        for i in range(openings.size):
            if is_shut(i, states):
                continue
            opening = openings[i]
            total = _felt(i, states, desk)
            moved = total - opening.source
            change += moved.real * moved.real + moved.imag * moved.imag
            largest += total.real * total.real + total.imag * total.imag
            correction += opening.flow * moved
            opening.felt = total
        turns += 1
        if change <= loose * largest:
            return p, u, correction
        if turns == _MOST_TURNS:
            # Near a resonance of the inside the turns run apart.
            p, u = _at_once(states, stub, z, plan.chain, desk)
            return p, u, 0j
        for i in range(openings.size):
            openings[i].source = openings[i].felt


@kernel
def _sweep_alone(entering, stub, z, chain, desk):
    """Return what `_sweep` does; the same code once more, for callers that are not in a hurry."""
    return _sweep(entering, stub, z, chain, desk)


@kernel
def _eliminate(system):
    """Solve n equations, the right side in the last column, which becomes the solution; rows change places."""
    n = system.shape[0]
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


@kernel
def _put_system(number, stub, z, chain, desk, response, system):
    """Fill the equations of all flows: every one's response to a source at every mouth, and the mutual impedances."""
    openings = desk.openings
    window = openings.size - 1
    n = number.size
    for i in range(openings.size):
        openings[i].source = 0.0
    _sweep_alone(1.0, stub, z, chain, desk)
    for i in range(n):
        system[i, n] = openings[number[i]].flow
    for j in range(n):
        openings[number[j]].source = 1.0
        _sweep_alone(0.0, stub, z, chain, desk)
        openings[number[j]].source = 0.0
        for i in range(n):
            response[i, j] = openings[number[i]].flow
    for i in range(n):
        system[i, i] += 1.0
        for j in range(n):
            for k in range(n):
                system[i, k] -= response[i, j] * desk.mutual[number[j], number[k]].impedance
            system[i, n] -= response[i, j] * desk.mutual[number[j], window].impedance


@kernel
def _put_sources(states, number, system, desk):
    """Fill the sources that belong to the flows in the last column of a solved system."""
    window = desk.openings.size - 1
    n = number.size
    for i in range(desk.openings.size):
        if is_shut(i, states):
            continue
        total = -desk.mutual[i, window].impedance if i != window else 0j
        for k in range(n):
            total += desk.mutual[i, number[k]].impedance * system[k, n]
        desk.openings[i].source = total


@maker
def _at_once(states, stub, z, chain, desk):
    """Solve for all flows at once, leave the sources that belong to them, and return (p, u) at the block face."""
    most = desk.openings.size - 1
    number = np.empty(most, np.int64)
    n = 0
    for i in range(most):
        if not is_shut(i, states):
            number[n] = i
            n += 1
    number = number[:n]
    system = np.zeros((n, n + 1), np.complex128)
    _put_system(number, stub, z, chain, desk, np.empty((n, n), np.complex128), system)
    _eliminate(system)
    _put_sources(states, number, system, desk)
    return _sweep_alone(1.0, stub, z, chain, desk)
