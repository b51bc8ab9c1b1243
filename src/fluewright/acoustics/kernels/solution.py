"""One solution at one frequency: impedance at the window, its slope, and pressure and flow everywhere."""

import cmath
import math
from typing import NamedTuple

from fluewright.acoustics.kernels.arithmetic import inverse
from fluewright.acoustics.kernels.chain import CONE, CYLINDER, HOLE, STEP
from fluewright.acoustics.kernels.chimneys import gas_of_hole, mouth_radiation, put_holes
from fluewright.acoustics.kernels.compiled import fused_kernel, part
from fluewright.acoustics.kernels.desk import put_port
from fluewright.acoustics.kernels.flows import settle
from fluewright.acoustics.kernels.gas import warmed
from fluewright.acoustics.kernels.holes import CLOSED, INNER
from fluewright.acoustics.kernels.losses import line_of_table
from fluewright.acoustics.kernels.mutual import put_mutual, swing_of_flows
from fluewright.acoustics.kernels.radiation import end_impedance
from fluewright.acoustics.kernels.segments import cone, step_length, tube, tube_slopes, wave_of

__all__ = ["EXACT", "TIGHT", "Loop", "evaluate"]

TIGHT = 1e-12  # square of the relative error that the openings' flows may keep; it enters Z squared
EXACT = 1e-18  # the same where slopes are taken, which feel the flows at first order


class Loop(NamedTuple):
    """Impedance of the whole loop, Pa s/m3, its slope in omega, and the window's own share of it."""

    z: complex
    slope: complex
    window: complex


@part
def _put_waves(omega, plan, desk):
    """Fill the desk's waves."""
    for i in range(plan.chain.lines.size):
        of = plan.chain.lines[i]
        line = line_of_table(omega, of.radius, warmed(plan.gas, of.tau), plan.zeta, plan.wall_table)
        wave = desk.waves[i]
        wave.g = line.g
        wave.zc = line.zc
        wave.yc = inverse(line.zc)
        wave.dg = line.g_by_omega
        wave.dzc = line.zc_by_omega


@part
def _put_cylinder(e, chain, desk):
    """Fill the two-port of a cylinder; neighbours of one kind share it."""
    element = chain.elements[e]
    work = desk.elements[e]
    if e > 0:
        last = chain.elements[e - 1]
        if last.kind == CYLINDER and last.line == element.line and last.length == element.length:
            work.a = desk.elements[e - 1].a
            work.b = desk.elements[e - 1].b
            work.c = desk.elements[e - 1].c
            work.d = desk.elements[e - 1].d
            return
    work.a, work.b, work.c = tube(element.length, math.pi * element.upper * element.upper, desk.waves[element.line])
    work.d = work.a


@part
def _step_impedance(element, omega, plan):
    """Return the impedance of a step in diameter."""
    narrow = min(element.upper, element.lower)
    added = step_length(narrow, max(element.upper, element.lower))[0]
    rho = warmed(plan.gas, element.tau).rho
    return complex(0.0, omega * rho * added / (math.pi * narrow * narrow))


@part
def _climb(z, omega, plan, desk):
    """Return what the block face sees towards the foot, where z stands, with all sources silent; fill the two-ports."""
    chain = plan.chain
    for e in range(chain.elements.size):
        element = chain.elements[e]
        work = desk.elements[e]
        work.below = z
        if element.kind == HOLE:
            hole = desk.holes[element.hole]
            z += hole.half
            s = inverse(z + hole.shunt)
            z = z * hole.shunt * s + hole.half
            work.passed = s
            continue
        if element.kind == STEP:
            work.b = _step_impedance(element, omega, plan)
            work.passed = 1.0
            z += work.b
            continue
        if element.kind == CYLINDER:
            _put_cylinder(e, chain, desk)
        else:
            put_port(work, cone(element.length, element.upper, element.lower, desk.waves[element.line]))
        t = inverse(work.c * z + work.d)
        work.passed = t
        z = (work.a * z + work.b) * t
    return z


@part
def _dead_end(omega, plan):
    """Return (admittance, its slope in omega) of the dead end between block face and exit plane, beside the bore."""
    if plan.recess == 0.0:
        return 0j, 0j
    wave = wave_of(line_of_table(omega, plan.window.bore, plan.at_face, plan.zeta, plan.wall_table))
    th = cmath.tanh(wave.g * plan.recess)
    area = math.pi * plan.window.bore**2
    y = area * th * wave.yc
    return y, area * (1.0 - th * th) * wave.dg * plan.recess * wave.yc - y * wave.dzc * wave.yc


@part
def _down_hole(p, u, omega, state, inertance, work, hole, source):
    """Return (p, u) below a hole from those above it, and what it adds to the slope; fill flows and pressure.

    inertance: of its inner length; source: pressure at its mouth by the other openings.
    """
    node = p - hole.half * u
    felt = source * hole.passed
    below = (hole.shunt * u + felt - work.driven) * work.passed
    into = u - below
    inner = complex(0.0, omega * inertance)
    slope = 0j
    if state == CLOSED:
        flow = 0j
        pressure = into * inverse(hole.c)
    else:
        flow = hole.passed * into - hole.c * felt
        pressure = hole.load * flow + source
        slope = flow * flow * complex(2.0 * hole.load.real, hole.load.imag) / omega
    hole.into = into
    hole.flow = flow
    hole.pressure = pressure
    slope += hole.half / omega * (u * u + below * below) + into * into * inner / omega
    slope += into * (hole.da * pressure + hole.db * flow)
    slope -= (node - inner * into) * (hole.dc * pressure + hole.dd * flow)
    return node - hole.half * below, below, slope


@part
def _down_piece(p, u, element, work, waves):
    """Return (p, u) below a cylinder or cone from those above it, and what it adds to the slope."""
    low_u = (u - work.c * work.driven) * work.passed
    low_p = work.below * low_u + work.driven
    if element.kind == CONE:
        slope = u * (work.da * low_p + work.db * low_u) - p * (work.dc * low_p + work.dd * low_u)
        return low_p, low_u, slope
    area = math.pi * element.upper * element.upper
    da, db, dc = tube_slopes(element.length, area, waves[element.line], work.a, work.b, work.c)
    return low_p, low_u, u * (da * low_p + db * low_u) - p * (dc * low_p + da * low_u)


@part
def _descend(p, u, omega, states, plan, desk):
    """Fill pressure and flow from the block face, where they are p and u, to the foot; return the chain's slope."""
    chain = plan.chain
    n = chain.elements.size
    desk.elements[n].p = p
    desk.elements[n].u = u
    slope = 0j
    for e in range(n - 1, -1, -1):
        element = chain.elements[e]
        work = desk.elements[e]
        if element.kind == HOLE:
            h = element.hole
            inertance = gas_of_hole(plan, h).rho * plan.con[h, states[h], INNER]
            p, u, share = _down_hole(
                p, u, omega, states[h], inertance, work, desk.holes[h], desk.openings[h].source
            )  # fmt: skip
        elif element.kind == STEP:
            share = work.b / omega * u * u
            p = p - work.b * u
        else:
            p, u, share = _down_piece(p, u, element, work, desk.waves)
        slope += share
        work.p = p
        work.u = u
    return slope


@part
def _window(omega, plan):
    """Return (impedance of the window, its slope in omega)."""
    window = plan.window
    ka = omega / plan.gas.c * window.bore
    rho = plan.at_face.rho
    resistance = mouth_radiation(omega, plan.at_face, plan.formulas.radiate)
    rise = window.kappa * ka * ka
    return (
        complex(resistance, omega * rho * window.inertance * (1.0 + rise)),
        complex(2.0 * resistance / omega, rho * window.inertance * (1.0 + 3.0 * rise)),
    )


@fused_kernel
def evaluate(omega, strength, loose, states, plan, desk):
    """Return the `Loop` at one omega, and leave the whole solution at unit window flow on the desk.

    strength multiplies the coupling; loose is the share of their square by which the flows may disagree; states: of the
    holes, shape (holes,). The desk's sources are where the flows begin.
    """
    _put_waves(omega, plan, desk)
    put_holes(omega, states, plan, desk)
    foot = end_impedance(
        omega, plan.foot.bore, plan.foot.outer, plan.foot.gas, plan.formulas.thick_foot, plan.formulas.radiate
    )
    z = _climb(foot.z, omega, plan, desk)
    stub, stub_slope = _dead_end(omega, plan)
    if plan.formulas.coupled != 0:
        put_mutual(omega, strength, states, plan, desk)
    p, u, correction = settle(loose, states, stub, z, plan, desk)
    slope = _descend(p, u, omega, states, plan, desk)
    out = desk.elements[0].u
    slope += out * out * foot.by_omega - p * p * stub_slope
    window, window_slope = _window(omega, plan)
    total = window + p
    slope += window_slope
    if plan.formulas.coupled != 0:
        total += correction - desk.openings[desk.openings.size - 1].source
        slope += swing_of_flows(states, desk) / omega
    return Loop(total, slope, window)
