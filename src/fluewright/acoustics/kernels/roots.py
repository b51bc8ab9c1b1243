"""Resonances by their number: the count by the lossless angle, and Newton's steps to the root."""

import math
from typing import NamedTuple

from fluewright.acoustics.kernels.chain import HOLE, STEP
from fluewright.acoustics.kernels.compiled import fused_kernel, kernel, part
from fluewright.acoustics.kernels.desk import silence
from fluewright.acoustics.kernels.gas import warmed
from fluewright.acoustics.kernels.holes import CLOSED, INNER, OUTSIDE, PARTS, SERIES, chimney_part
from fluewright.acoustics.kernels.radiation import end_impedance
from fluewright.acoustics.kernels.segments import step_length
from fluewright.acoustics.kernels.solution import TIGHT, evaluate

__all__ = ["Root", "resonance", "standing_angle"]

FIRST_STRIDE = 0.125  # of the coupling's strength, where it is turned on step by step
LEAP = 0.01  # of the frequency; what one such step may move the root at most
MOST_STEPS = 40
HIGHEST = 4e5  # omega beyond which no mode is looked for


class Root(NamedTuple):
    """A zero of the loop's reactance: omega, slope dX/domega and resistance there; NaN where there is none."""

    omega: float
    slope: float
    resistance: float


@part
def _cubic_root(x0, slope0, omega0, x1, slope1, omega1):
    """Return where the cubic for omega by X through two points with slopes is zero; its error is of fourth order."""
    span = x1 - x0
    t = -x0 / span
    return (
        (1.0 + 2.0 * t) * (1.0 - t) * (1.0 - t) * omega0
        + t * (1.0 - t) * (1.0 - t) * span / slope0
        + t * t * (3.0 - 2.0 * t) * omega1
        + t * t * (t - 1.0) * span / slope1
    )


@kernel
def _newton(omega, strength, states, plan, desk):
    """Return the root that Newton's steps lead to from omega, the coupling times `strength`; NaN when they fail."""
    before = 0.0
    last_x = 0.0
    last_slope = 1.0
    last_omega = omega
    for turn in range(1, MOST_STEPS + 1):
        # The first step need not be exact; what it leaves, the second takes.
        loop = evaluate(omega, strength, 1e-3 if turn == 1 else TIGHT, states, plan, desk)
        x = loop.z.imag
        slope = loop.slope.imag
        if slope == 0.0 or not math.isfinite(x):
            break
        limit = 0.05 * omega
        newton = x / slope
        step = newton if slope > 0.0 else math.copysign(0.5 * limit, x)
        step = min(max(step, -limit), limit)
        here = omega
        omega -= step
        now = abs(step) / omega
        # After a short step the next one is foreseen: both points and slopes already have the root.
        curved = 1e-4 < before < 0.01 and now < 1e-5 and before * now < 3e-9
        if turn > 1 and (now < 1e-7 or curved):
            if slope < 0.0:
                break
            if curved:
                omega = _cubic_root(last_x, last_slope, last_omega, x, slope, here)
            return Root(omega, slope, loop.z.real)
        before = now if step == newton else 0.0
        last_x = x
        last_slope = slope
        last_omega = here
    return Root(math.nan, math.nan, math.nan)


@part
def _grown(start, states, plan, desk):
    """Return the root that an uncoupled one becomes while the coupling grows: no step may leap to another root."""
    omega = start
    reached = 0.0
    stride = FIRST_STRIDE
    strength = stride
    while True:
        root = _newton(omega, strength, states, plan, desk)
        if not math.isnan(root.omega) and abs(root.omega / omega - 1.0) < LEAP:
            if strength >= 1.0:
                return root
            omega = root.omega
            reached = strength
        else:
            stride *= 0.5
            if stride < 1e-3 * FIRST_STRIDE:
                return Root(math.nan, math.nan, math.nan)
        strength = min(reached + stride, 1.0)


@part
def resonance(mode, guess, states, plan, desk):
    """Return the `Root` of resonance `mode`, counted from 1 at the bottom; NaN when there is none.

    states: of the holes, shape (holes,). The lossless standing-wave angle rises with frequency and equals mode * pi at
    the resonance (Foster's theorem), so the mode is found by its number and never by its neighbourhood; Newton on X
    with the analytic slope then adds losses and coupling. From a good guess Newton alone is tried first and then
    counted.
    """
    goal = mode * math.pi
    root = _newton(guess, 1.0, states, plan, desk)
    if _has_number(root, goal, states, plan):
        return root
    start = _counted(goal, guess, states, plan)
    if math.isnan(start):
        return Root(math.nan, math.nan, math.nan)
    silence(desk)
    root = _newton(start, 1.0, states, plan, desk)
    if _has_number(root, goal, states, plan):
        return root
    # Strongly coupled: follow the root while the coupling grows, so that its number stays its own.
    silence(desk)
    return _grown(start, states, plan, desk)


@part
def _has_number(root, goal, states, plan):
    """Return whether a root was found whose standing angle is nearest to the goal."""
    return not math.isnan(root.omega) and abs(standing_angle(root.omega, states, plan) - goal) < 0.25 * math.pi


@part
def _past_hole(p, u, omega, gas, con, state):
    """Return (P, u) above a hole: open ones are an inertance, closed ones a volume."""
    volume = 0.0
    inertance = con[INNER] + con[OUTSIDE]
    for k in range(PARTS):
        of = chimney_part(k, con)
        if of.length > 0.0:
            round_ = of.inner * of.inner + of.inner * of.outer + of.outer * of.outer
            volume += math.pi / 3.0 * of.length * round_
            inertance += of.length / (math.pi * of.inner * of.outer)
    half = 0.5 * omega * gas.rho * con[SERIES]
    p += half * u
    if state == CLOSED:
        u -= omega * volume / (gas.rho * gas.c * gas.c) * p
    else:
        u += p / (omega * gas.rho * inertance)
    return p + half * u, u


@fused_kernel
def standing_angle(omega, states, plan):
    """Return the unwrapped angle of the standing wave, window included, without losses or coupling.

    states: of the holes, shape (holes,). The angle rises with frequency (Foster's theorem), and mode n stands where it
    equals n pi. It serves to count: chimneys are lumped. Real arithmetic: pressure is j times P.
    """
    foot = plan.foot
    chain = plan.chain
    p = end_impedance(omega, foot.bore, foot.outer, foot.gas, plan.formulas.thick_foot, 0.0).z.imag
    u = 1.0
    ref = foot.gas.rho * foot.gas.c / (math.pi * foot.bore * foot.bore)
    theta = math.atan2(p, ref)
    for e in range(chain.elements.size):
        element = chain.elements[e]
        gas = warmed(plan.gas, element.tau)
        beta = 0.0
        if element.kind == STEP:
            narrow = min(element.upper, element.lower)
            added = step_length(narrow, max(element.upper, element.lower))[0]
            p += omega * gas.rho * added / (math.pi * narrow * narrow) * u
        elif element.kind == HOLE:
            h = element.hole
            p, u = _past_hole(p, u, omega, gas, plan.con[h, states[h]], states[h])
        else:
            beta = omega / gas.c * element.length
            p, u = _silent(beta, element.upper, element.lower, gas.rho * gas.c, p, u)
        theta = _follow(theta + beta, p, ref * u)
    window = plan.window
    rho = plan.at_face.rho
    if plan.recess > 0.0:
        c = plan.at_face.c
        u -= math.pi * window.bore**2 / (rho * c) * math.tan(omega / c * plan.recess) * p
        theta = _follow(theta, p, ref * u)
    ka = omega / plan.gas.c * window.bore
    return theta + math.atan2(omega * rho * window.inertance * (1.0 + window.kappa * ka * ka), ref)


@kernel
def _counted(goal, guess, states, plan):
    """Return the omega where the standing angle has reached the goal, to 1e-3; NaN when out of reach."""
    omega = guess
    low = 0.0
    high = 0.0
    theta_low = 0.0
    theta_high = 0.0
    for turn in range(80):
        theta = standing_angle(omega, states, plan)
        if theta < goal:
            low = omega
            theta_low = theta
        else:
            high = omega
            theta_high = theta
        if abs(theta - goal) < 1e-3:
            break
        if low > 0.0 and high > 0.0:
            # A straight line through the bracket; every third turn halves it, so that bends cannot stall it.
            share = (goal - theta_low) / (theta_high - theta_low)
            trial = low + (0.5 if turn % 3 == 2 else share) * (high - low)
        else:
            # The angle is nearly proportional to frequency.
            trial = omega * (1.0 + (goal - theta) / max(theta, 0.5 * math.pi))
        if trial <= 0.0 or trial > HIGHEST:
            return math.nan
        omega = trial
    return omega


@part
def _follow(expected, p, q):
    """Return the angle of (p, q) unwrapped next to the expected one."""
    raw = math.atan2(p, q)
    return raw + 2.0 * math.pi * math.floor((expected - raw) / (2.0 * math.pi) + 0.5)


@part
def _silent(beta, r1, r2, wave, p, u):
    """Return (P, u) at the upper end of a lossless cylinder or cone of k L = beta; pressure is j P."""
    sine = math.sin(beta)
    cosine = math.cos(beta)
    area = math.pi * r1 * r2
    ratio = r2 / r1
    mu = (ratio - 1.0) / beta
    front = math.pi * r1 * r1 / wave
    return (
        (ratio * cosine - mu * sine) * p + wave * sine / area * u,
        -front * ((ratio + mu * mu) * sine - beta * mu * mu * cosine) * p + (cosine + mu * sine) / ratio * u,
    )
