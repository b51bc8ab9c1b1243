"""The mutual impedances of the openings at one frequency, see `coupling`."""

import math

from fluewright.acoustics.kernels.compiled import part
from fluewright.acoustics.kernels.coupling import RADIATION_REACH, more_radiation

__all__ = ["is_shut", "put_mutual", "swing_of_flows"]


@part
def is_shut(i, states):
    """Return whether opening i is a closed hole by the holes' states, shape (holes,); foot and window never are."""
    return i < states.size and states[i] == 0


@part
def _put_own(k, front, radiate, pair, mutual):
    """Fill what a hole's own field on the body does to it."""
    more = radiate * more_radiation(k, pair.body, 0.0).value
    swell = k * k * pair.swell
    mutual.more = more
    mutual.share = 1.0
    mutual.impedance = front * complex(swell, -more)
    mutual.swing = front * complex(3.0 * swell, -5.0 * more)
    mutual.phase = 0j


@part
def _put_pair(k, d, phase, front, radiate, pair, mutual):
    """Fill what two openings a distance d along the body apart do to each other."""
    if radiate == 0.0:
        # Without radiation there is no delay either, or the loop would no longer be a reactance.
        phase = 1.0 + 0j
    body = more_radiation(k, pair.body, d)
    more = radiate * body.value
    free = pair.delayed * phase
    swell = k * k * pair.swell
    impedance = front * complex(free.real + pair.near + swell, free.imag - more)
    # Its slope by omega, times omega: the factor omega, the delay, the swell and the added radiation.
    late = radiate * k * d
    kd = k * d / RADIATION_REACH
    mutual.swing = impedance + front * complex(
        free.imag * late + 2.0 * swell, -free.real * late - more * (4.0 - 2.0 * kd * kd * body.share)
    )
    mutual.more = more
    mutual.share = body.share
    mutual.impedance = impedance
    mutual.phase = phase


@part
def put_mutual(omega, strength, states, plan, desk):
    """Fill the desk's mutual impedances, times `strength`; states: of the holes, shape (holes,)."""
    places = plan.openings.places
    openings = desk.openings
    radiate = plan.formulas.radiate
    k = omega / plan.gas.c
    front = complex(0.0, strength * omega * plan.gas.rho)
    m = places.size
    for i in range(m):
        if not is_shut(i, states):
            openings[i].turned = complex(math.cos(k * places[i].x), -math.sin(k * places[i].x))
    for i in range(m):
        if is_shut(i, states):
            continue
        if i < states.size:
            _put_own(k, front, radiate, plan.openings.pairs[i, i], desk.mutual[i, i])
        for j in range(i):
            if is_shut(j, states):
                continue
            d = places[i].x - places[j].x
            phase = openings[i].turned * openings[j].turned.conjugate()
            _put_pair(
                k, abs(d), phase if d > 0.0 else phase.conjugate(), front, radiate, plan.openings.pairs[i, j],
                desk.mutual[i, j],
            )  # fmt: skip
            desk.mutual[j, i].impedance = desk.mutual[i, j].impedance


@part
def swing_of_flows(states, desk):
    """Return omega times the slope in omega of what the openings' flows do to each other; states: shape (holes,)."""
    openings = desk.openings
    total = 0j
    for i in range(openings.size):
        if is_shut(i, states):
            continue
        towards = 0j
        for j in range(i):
            if not is_shut(j, states):
                towards += desk.mutual[i, j].swing * openings[j].flow
        total += openings[i].flow * (2.0 * towards + desk.mutual[i, i].swing * openings[i].flow)
    return total
