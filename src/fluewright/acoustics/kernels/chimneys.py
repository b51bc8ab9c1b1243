"""The tone holes at one frequency: two-port of every chimney, and what the bore sees of it."""

import math

from fluewright.acoustics.kernels.arithmetic import inverse
from fluewright.acoustics.kernels.compiled import part
from fluewright.acoustics.kernels.desk import put_port
from fluewright.acoustics.kernels.gas import warmed
from fluewright.acoustics.kernels.holes import (
    CLOSED,
    INNER,
    MATCHING,
    MATCHING_LENGTH,
    OUTSIDE,
    PARTS,
    SERIES,
    STRAIGHT,
    chimney_part,
)
from fluewright.acoustics.kernels.segments import TwoPort, cone, tube, tube_slopes

__all__ = ["gas_of_hole", "mouth_radiation", "put_holes"]


@part
def gas_of_hole(plan, h):
    """Return the air in a chimney."""
    return warmed(plan.gas, plan.chain.lines[plan.chain.of_hole[h, STRAIGHT]].tau)


@part
def mouth_radiation(omega, gas, radiate):
    """Return the resistance of a small opening's radiation, Pa s/m3: that of a simple source in free space."""
    return radiate * gas.rho * omega * omega / (4.0 * math.pi * gas.c)


@part
def _joined(upper, lower):
    """Return the two-port of two in a row, `upper` nearer the window."""
    return TwoPort(
        upper.a * lower.a + upper.b * lower.c,
        upper.a * lower.b + upper.b * lower.d,
        upper.c * lower.a + upper.d * lower.c,
        upper.c * lower.b + upper.d * lower.d,
        upper.da * lower.a + upper.a * lower.da + upper.db * lower.c + upper.b * lower.dc,
        upper.da * lower.b + upper.a * lower.db + upper.db * lower.d + upper.b * lower.dd,
        upper.dc * lower.a + upper.c * lower.da + upper.dd * lower.c + upper.d * lower.dc,
        upper.dc * lower.b + upper.c * lower.db + upper.dd * lower.d + upper.d * lower.dd,
    )


@part
def _part_port(length, of, wave):
    """Return the two-port of one part of a chimney."""
    if of.inner != of.outer:
        return cone(length, of.inner, of.outer, wave)
    area = math.pi * of.inner * of.inner
    ch, b, c = tube(length, area, wave)
    da, db, dc = tube_slopes(length, area, wave, ch, b, c)
    return TwoPort(ch, b, c, ch, da, db, dc, da)


@part
def _chimney(con, of_hole, waves):
    """Return the two-port of a chimney, bore side from the rim's side; of_hole: lines of its parts."""
    started = False
    port = TwoPort(1.0 + 0j, 0j, 0j, 1.0 + 0j, 0j, 0j, 0j, 0j)
    for k in range(PARTS):
        number = of_hole[k]
        if number < 0:
            continue
        of = chimney_part(k, con)
        length = of.length
        if k == STRAIGHT and of_hole[MATCHING] < 0:
            # A plain chimney takes straight part and matching length as one cylinder, which is the same thing.
            length += con[MATCHING_LENGTH]
        if length <= 0.0:
            continue
        nearer = _part_port(length, of, waves[number])
        port = _joined(nearer, port) if started else nearer
        started = True
    return port


@part
def _put_hole(omega, con, state, gas, radiate, of_hole, waves, hole):
    """Fill one hole."""
    port = _chimney(con, of_hole, waves)
    put_port(hole, port)
    inner = complex(0.0, omega * gas.rho * con[INNER])
    hole.half = complex(0.0, 0.5 * omega * gas.rho * con[SERIES])
    if state == CLOSED:
        hole.passed = 0j
        hole.load = 0j
        hole.shunt = inner + port.a * inverse(port.c)
        return
    load = complex(mouth_radiation(omega, gas, radiate), omega * gas.rho * con[OUTSIDE])
    passed = inverse(port.c * load + port.d)
    hole.passed = passed
    hole.load = load
    hole.shunt = inner + (port.a * load + port.b) * passed


@part
def put_holes(omega, states, plan, desk):
    """Fill of the desk's holes what does not depend on the bore; states: of the holes, shape (holes,)."""
    for h in range(states.size):
        _put_hole(
            omega, plan.con[h, states[h]], states[h], gas_of_hole(plan, h), plan.formulas.radiate,
            plan.chain.of_hole[h], desk.waves, desk.holes[h],
        )  # fmt: skip
