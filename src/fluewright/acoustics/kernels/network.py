"""The whole instrument as one network from the foot to the window: impedance, resonances, sensitivities.

A model is one vector of sizes (SI); which holes are closed comes beside it. The window closes the loop: resonances are
where the imaginary part X of Z = Z_window + p/U at the block face passes zero upward. Openings feel each other: their
flows solve one linear system.

All elements are reciprocal, so that with the flows u at unit window flow every derivative of Z is u . dZ_parts . u:
slope in frequency and all sensitivities come from the stored states of one solution (Tellegen's theorem).

========================  =====================================================================================
file                      what it holds
========================  =====================================================================================
`given.py`                what is given of a model; `offsets.py`: where every size stands in its vector
`gas.py`                  air at one place
`along_bore.py`           radius and temperature at one place of the bore
`nodes.py`                nodes of the bore in their order, constants of the holes
`chain.py`                elements from the foot up, lines that sound travels along
`openings.py`             places of all openings, coupling constants of their pairs
`plan.py`                 all of that, with window and foot: a model before any frequency
`desk.py`                 work arrays of one solution
`solution.py`             one solution at one frequency: impedance, slope, pressures and flows
`chimneys.py`             its tone holes
`mutual.py`               its mutual impedances
`flows.py`                its flows through all openings from the pressures at their mouths
`field.py`                its pressure and flow at any place inside
`roots.py`                resonances by their number: the count, Newton's steps
`sensitivities.py`        what every size does to a resonance; gathered in `slopes.py`
`slopes_of_bore.py`       the bore's share, `slopes_of_holes.py`, `slopes_of_window.py`, `slopes_of_coupling.py`
`segments.py`             two-ports of cylinders and cones, steps
`losses.py`               propagation along a wall
`holes.py`                constants of a hole from its sizes, and their slopes
`radiation.py`            ends and outside impedances
`coupling.py`             what two openings do to each other
`window.py`               the window's inertance
========================  =====================================================================================
"""

import math

import numpy as np

from fluewright.acoustics.kernels.chain import make_chain
from fluewright.acoustics.kernels.compiled import maker, part
from fluewright.acoustics.kernels.desk import keep_sources, make_desk, silence, take_sources
from fluewright.acoustics.kernels.field import put_field
from fluewright.acoustics.kernels.mutual import is_shut
from fluewright.acoustics.kernels.nodes import constants_of_holes, lay_out
from fluewright.acoustics.kernels.plan import make_plan, plan_with_chain
from fluewright.acoustics.kernels.roots import resonance, standing_angle
from fluewright.acoustics.kernels.sensitivities import make_frame, sensitivity
from fluewright.acoustics.kernels.solution import EXACT, TIGHT, evaluate

__all__ = ["curve", "field", "mouths", "solve"]


@part
def _begin(given):
    """Return (nodes, plan, desk) of a model: what every solution of it begins with."""
    nodes = lay_out(given)
    plan = make_plan(given, nodes, constants_of_holes(given, nodes))
    return nodes, plan, make_desk(plan)


@maker
def solve(given, modes, guesses, states, omegas, slopes, resistances, grads):
    """Solve every (fingering, mode) row; NaN where a row has no root.

    modes, guesses: number of the resonance and omega to begin at, shape (rows,); states: of the holes, (rows, holes).
    Fills omegas, slopes dX/domega and resistances, (rows,), and, when it has rows, grads (rows, sizes): relative change
    of omega by every size.
    """
    nodes, plan, desk = _begin(given)
    sources = np.empty((grads.shape[0], desk.openings.size), np.complex128)
    for i in range(modes.size):
        silence(desk)
        root = resonance(modes[i], guesses[i], states[i], plan, desk)
        omegas[i] = root.omega
        slopes[i] = root.slope
        resistances[i] = root.resistance
        if grads.shape[0] > 0:
            keep_sources(desk, sources[i])
    if grads.shape[0] > 0:
        _fill_grads(given, nodes, plan, omegas, states, sources, grads)


@part
def _fill_grads(given, nodes, plan, omegas, states, sources, grads):
    """Fill the relative change of every root by every size; NaN where there is no root.

    sources: pressures at the openings in the roots, where the flows begin, shape (rows, openings). Cylinders are cut as
    cones are here, since a size may make a cone of them.
    """
    frame = make_frame(given, nodes, plan.window, states)
    fine = plan_with_chain(plan, make_chain(frame.sizes.head, nodes, plan.con, True))
    desk = make_desk(fine)
    for i in range(omegas.size):
        if math.isnan(omegas[i]):
            grads[i, :] = math.nan
            continue
        take_sources(desk, sources[i])
        loop = evaluate(omegas[i], 1.0, EXACT, states[i], fine, desk)
        sensitivity(omegas[i], loop.slope.imag, states[i], fine, desk, frame, grads[i])


@maker
def curve(given, states, omegas, loop, slope, window, angle):
    """Fill, at every omega: loop impedance, its slope, the window's own impedance, and the lossless angle.

    states: of the holes, shape (holes,); all others (omegas,). Coupling between the openings is in `loop`.
    """
    _, plan, desk = _begin(given)
    for i in range(omegas.size):
        silence(desk)
        loop[i], slope[i], window[i] = evaluate(omegas[i], 1.0, TIGHT, states, plan, desk)
        angle[i] = standing_angle(omegas[i], states, plan)


@maker
def mouths(given, states, omegas, flows, places):
    """Fill the outward flow of every opening at unit flow into the window, one row an (omega, fingering); and places.

    states: (rows, holes); omegas: (rows,); flows: (rows, openings), openings being the holes in their order (closed
    ones 0), foot, window (-1: what flows in does not flow out); places: their x, (openings,).
    """
    _, plan, desk = _begin(given)
    for j in range(places.size):
        places[j] = plan.openings.places[j].x
    for i in range(omegas.size):
        silence(desk)
        evaluate(omegas[i], 1.0, TIGHT, states[i], plan, desk)
        for j in range(places.size):
            flows[i, j] = 0j if is_shut(j, states[i]) else desk.openings[j].flow


@maker
def field(given, states, omega, x, head_side, p, u):
    """Fill pressure and flow inside the bore at the places x at unit flow into the window, see `field.put_field`.

    states: of the holes, shape (holes,); all other arrays (places,).
    """
    nodes, plan, desk = _begin(given)
    evaluate(omega, 1.0, EXACT, states, plan, desk)
    put_field(x, head_side, omega, nodes, plan, desk, p, u)
