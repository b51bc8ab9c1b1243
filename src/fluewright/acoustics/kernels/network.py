"""The whole instrument as one network from the foot to the window: impedance, resonances, sensitivities.

A model is one vector of sizes (SI); which holes are closed comes beside it. The window closes the loop: resonances are
where the imaginary part X of Z = Z_window + p/U at the block face passes zero upward. Openings feel each other: their
flows solve one linear system.

All elements are reciprocal, so that with the flows u at unit window flow every derivative of Z is u . dZ_parts . u:
slope in frequency and all sensitivities come from the stored states of one solution (Tellegen's theorem).

====================  =========================================================================================
file                  what it holds
====================  =========================================================================================
`offsets.py`          where every size stands in the vector
`along_bore.py`       radius, temperature and air at one place
`plan.py`             nodes, elements, openings, window: all that is free of frequency
`solution.py`         one solution at one frequency: impedance, slope, pressures and flows
`flows.py`            flows through all openings from the pressures at their mouths
`roots.py`            resonances by their number: the count, Newton's steps
`sensitivities.py`    what every size does to a resonance
`segments.py`         two-ports of cylinders and cones, steps
`losses.py`           propagation along a wall
`holes.py`            constants of a hole from its sizes, and their slopes
`radiation.py`        ends and outside impedances
`coupling.py`         what two openings do to each other
`window.py`           the window's inertance
====================  =========================================================================================
"""

import math

import numpy as np

from fluewright.acoustics.kernels.compiled import kernel
from fluewright.acoustics.kernels.holes import HOLE_SIZES
from fluewright.acoustics.kernels.losses import wide_table
from fluewright.acoustics.kernels.offsets import HEAD_SIZES
from fluewright.acoustics.kernels.plan import elements, lay_out, make_plan
from fluewright.acoustics.kernels.roots import resonance, standing_angle
from fluewright.acoustics.kernels.sensitivities import hole_slopes, sensitivity, window_slopes
from fluewright.acoustics.kernels.solution import EXACT, TIGHT, evaluate, make_desk

__all__ = ["curve", "mouths", "solve"]


@kernel
def solve(
    modes, guesses, dims, n_bore, n_out, n_holes, angles, states, air, rules, table, omegas, slopes, resistances, grads
):
    """Solve every (fingering, mode) row; fill omegas, slopes, resistances and, when it has rows, grads.

    angles: place of every hole round the body, rad; rules: thick foot wall, series rule, lossy, radiate, window rule,
    coupling; table: coefficients of the solved window; guesses: omegas to begin at. NaN where a row has no root.
    """
    kind, index, x, r, con = lay_out(dims, n_bore, n_out, n_holes, rules)
    wide = wide_table(air[3], air[4])
    plan = make_plan(dims, n_bore, n_out, n_holes, angles, rules, table, kind, index, x, r, con, False)
    desk = make_desk(plan[4].shape[0], plan[6].shape[0], n_holes)
    wanted = grads.shape[0] > 0
    by_size = np.empty((0, 3, 5 + HOLE_SIZES, 10))
    by_mouth = np.empty((2, HEAD_SIZES + 2))
    fine = plan
    fine_desk = desk
    if wanted:
        used = np.zeros(3, np.bool_)
        for i in range(states.shape[0]):
            for h in range(n_holes):
                used[states[i, h]] = True
        by_size = hole_slopes(dims, n_bore, n_out, rules, kind, index, x, r, con, used)
        window_slopes(dims, plan[10][2], plan[10][2] + plan[10][3], rules, table, by_mouth)
        el_i, el_f, lines, hole_i = elements(dims, kind, index, x, r, con, True)
        fine = (plan[0], x, r, con, el_i, el_f, lines, hole_i, plan[8], plan[9], plan[10])
        fine_desk = make_desk(el_i.shape[0], lines.shape[0], n_holes)
    for i in range(modes.size):
        desk[0][6, :] = 0.0
        omega, slope, resistance = resonance(modes[i], guesses[i], dims, states[i], air, wide, rules, plan, desk)
        omegas[i] = omega
        slopes[i] = slope
        resistances[i] = resistance
        if wanted:
            if math.isnan(omega):
                grads[i, :] = math.nan
                continue
            fine_desk[0][6, :] = 0.0
            fine_desk[0][6, : n_holes + 2] = desk[0][6, : n_holes + 2]
            _, dz, _ = evaluate(omega, 1.0, EXACT, dims, states[i], air, wide, rules, fine, fine_desk)
            sensitivity(
                omega, dz.imag, dims, n_bore, n_out, states[i], air, wide, rules, kind, index, by_size, by_mouth, fine,
                fine_desk, grads[i],
            )  # fmt: skip


@kernel
def curve(omegas, dims, n_bore, n_out, n_holes, angles, states, air, rules, table, loop, slope, window, angle):
    """Fill, at every omega: loop impedance, its slope, the window's own impedance, and the lossless angle.

    Coupling between the openings is in `loop`.
    """
    kind, index, x, r, con = lay_out(dims, n_bore, n_out, n_holes, rules)
    wide = wide_table(air[3], air[4])
    plan = make_plan(dims, n_bore, n_out, n_holes, angles, rules, table, kind, index, x, r, con, False)
    desk = make_desk(plan[4].shape[0], plan[6].shape[0], n_holes)
    for i in range(omegas.size):
        desk[0][6, :] = 0.0
        loop[i], slope[i], window[i] = evaluate(omegas[i], 1.0, TIGHT, dims, states, air, wide, rules, plan, desk)
        angle[i] = standing_angle(omegas[i], dims, states, air, rules, plan)


@kernel
def mouths(omegas, dims, n_bore, n_out, n_holes, angles, states, air, rules, table, flows, places):
    """Fill the outward flow of every opening at unit flow into the window, one row an (omega, fingering); and places.

    Openings: holes in their order (closed ones 0), foot, window (-1: what flows in does not flow out). places: their x.
    """
    kind, index, x, r, con = lay_out(dims, n_bore, n_out, n_holes, rules)
    wide = wide_table(air[3], air[4])
    plan = make_plan(dims, n_bore, n_out, n_holes, angles, rules, table, kind, index, x, r, con, False)
    desk = make_desk(plan[4].shape[0], plan[6].shape[0], n_holes)
    places[:] = plan[8]
    for i in range(omegas.size):
        desk[0][6, :] = 0.0
        evaluate(omegas[i], 1.0, TIGHT, dims, states[i], air, wide, rules, plan, desk)
        for j in range(n_holes + 2):
            flows[i, j] = 0j if j < n_holes and states[i, j] == 0 else desk[4][j]
