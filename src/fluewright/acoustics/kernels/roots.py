"""Resonances by their number: the count by the lossless angle, and Newton's steps to the root."""

import math

from fluewright.acoustics.kernels.along_bore import local_air, warm
from fluewright.acoustics.kernels.compiled import fused_kernel, kernel
from fluewright.acoustics.kernels.offsets import BLOCK_DEPTH, C_SCALE
from fluewright.acoustics.kernels.radiation import end_impedance
from fluewright.acoustics.kernels.segments import step_length
from fluewright.acoustics.kernels.solution import TIGHT, evaluate

__all__ = ["resonance", "standing_angle"]

FIRST_STRIDE = 0.125  # of the coupling's strength, where it is turned on step by step
LEAP = 0.01  # of the frequency; what one such step may move the root at most


@kernel
def resonance(mode, guess, dims, states, air, wide, rules, plan, desk):
    """Return (omega, dX/domega, R) of resonance `mode`, counted from 1 at the bottom; NaN when there is none.

    The lossless standing-wave angle rises with frequency and equals mode * pi at the resonance (Foster's
    theorem), so the mode is found by its number and never by its neighbourhood; Newton on X with the analytic
    slope then adds losses and coupling. From a good guess Newton alone is tried first and then counted.
    """
    goal = mode * math.pi
    omega = guess
    searched = False
    free_root = 0.0
    last = 0.0
    strength = 1.0
    reached = -1.0
    stride = FIRST_STRIDE
    turn = 0
    before = 0.0
    last_x = 0.0
    last_slope = 1.0
    last_omega = guess
    while True:
        # The first step need not be exact; what it leaves, the second takes.
        z, dz, _ = evaluate(omega, strength, 1e-3 if turn == 0 else TIGHT, dims, states, air, wide, rules, plan, desk)
        turn += 1
        failed = dz.imag == 0.0 or not math.isfinite(z.imag) or turn > 40
        done = False
        if not failed:
            step = z.imag / dz.imag
            limit = 0.05 * omega
            if dz.imag < 0.0:
                step = math.copysign(0.5 * limit, z.imag)
            step = min(max(step, -limit), limit)
            here = omega
            omega -= step
            now = abs(step) / omega
            curved = 1e-4 < before < 0.01 and now < 1e-5 and before * now < 3e-9
            if turn > 1 and (now < 1e-7 or curved):
                failed = dz.imag < 0.0
                done = not failed
                if done and curved:
                    # Two points with slopes: the cubic for omega by X has an error of the square of both steps.
                    span = z.imag - last_x
                    t = -last_x / span
                    omega = (
                        (1.0 + 2.0 * t) * (1.0 - t) * (1.0 - t) * last_omega
                        + t * (1.0 - t) * (1.0 - t) * span / last_slope
                        + t * t * (3.0 - 2.0 * t) * here
                        + t * t * (t - 1.0) * span / dz.imag
                    )
            before = now if step == z.imag / dz.imag else 0.0
            last_x = z.imag
            last_slope = dz.imag
            last_omega = here
        if reached >= 0.0:
            # On the way from no coupling to all of it: no step may leap to another root.
            if done and abs(omega / last - 1.0) < LEAP:
                last = omega
                reached = strength
                if strength >= 1.0:
                    return omega, dz.imag, z.real
            elif done or failed:
                stride *= 0.5
                if stride < 1e-3 * FIRST_STRIDE:
                    return math.nan, math.nan, math.nan
            else:
                continue
            omega = last
            strength = min(reached + stride, 1.0)
            turn = 0
            before = 0.0
            continue
        if done:
            theta = standing_angle(omega, dims, states, air, rules, plan)
            if abs(theta - goal) < 0.25 * math.pi:
                return omega, dz.imag, z.real
            failed = True
        if failed:
            if not searched:
                searched = True
                free_root = _counted(mode, guess, dims, states, air, rules, plan)
                if math.isnan(free_root):
                    return math.nan, math.nan, math.nan
            else:
                # Strongly coupled: follow the root while the coupling grows, so that its number stays its own.
                reached = 0.0
                last = free_root
                strength = min(stride, 1.0)
            omega = free_root
            for i in range(desk[0].shape[1]):
                desk[0][6, i] = 0.0
            turn = 0
            before = 0.0


@fused_kernel
def standing_angle(omega, dims, states, air, rules, plan):
    """Return the unwrapped angle of the standing wave, window included, without losses or coupling.

    It rises with frequency (Foster's theorem), and mode n stands where it equals n pi. It serves to count: chimneys
    are lumped, open ones an inertance, closed ones a volume. Real arithmetic: pressure is j times P.
    """
    outer_foot, x, r, con, el_i, el_f, _, _, _, _, mouth = plan
    last = x.size - 1
    rho, c, _ = local_air(air, warm(x[last], dims), dims)
    p = end_impedance(omega, r[last], outer_foot, rho, c, rules[0], 0.0)[0].imag
    u = 1.0
    ref = rho * c / (math.pi * r[last] * r[last])
    theta = math.atan2(p, ref)
    for e in range(el_i.shape[0]):
        rho, c, _ = local_air(air, el_f[e, 5], dims)
        kind = el_i[e, 0]
        if kind == 2:
            narrow = min(el_f[e, 1], el_f[e, 2])
            dl = step_length(narrow, max(el_f[e, 1], el_f[e, 2]))[0]
            p += omega * rho * dl / (math.pi * narrow * narrow) * u
            theta = _follow(theta, p, ref * u)
        elif kind == 3:
            h = el_i[e, 3]
            state = states[h]
            own = con[h, state]
            volume = 0.0
            inertance = own[1] + own[2]
            for k in range(4):
                length = own[3] if k == 0 else (own[6] if k == 1 else (own[7] if k == 2 else own[9]))
                if length > 0.0:
                    r1 = own[4] if k <= 1 else own[8]
                    r2 = own[5] if k == 0 else (own[8] if k == 3 else own[4])
                    volume += math.pi / 3.0 * length * (r1 * r1 + r1 * r2 + r2 * r2)
                    inertance += length / (math.pi * r1 * r2)
            half = 0.5 * omega * rho * own[0]
            p += half * u
            if state == 0:
                u -= omega * volume / (rho * c * c) * p
            else:
                u += p / (omega * rho * inertance)
            p += half * u
            theta = _follow(theta, p, ref * u)
        else:
            beta = omega / c * el_f[e, 0]
            p, u = _silent(beta, el_f[e, 1], el_f[e, 2], rho * c, p, u)
            theta = _follow(theta + beta, p, ref * u)
    rho, c, _ = local_air(air, warm(x[0], dims), dims)
    if dims[BLOCK_DEPTH] < 0.0:
        u -= math.pi * r[0] ** 2 / (rho * c) * math.tan(-omega / c * dims[BLOCK_DEPTH]) * p
        theta = _follow(theta, p, ref * u)
    ka = omega / (air[1] * dims[C_SCALE]) * mouth[2]
    return theta + math.atan2(omega * rho * mouth[0] * (1.0 + mouth[1] * ka * ka), ref)


@kernel
def _counted(mode, guess, dims, states, air, rules, plan):
    """Return the omega of the lossless, uncoupled mode of this number, to 1e-3 of its angle; NaN when out of reach."""
    goal = mode * math.pi
    omega = guess
    low = 0.0
    high = 0.0
    theta_low = 0.0
    theta_high = 0.0
    for turn in range(80):
        theta = standing_angle(omega, dims, states, air, rules, plan)
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
        if trial <= 0.0 or trial > 4e5:
            return math.nan
        omega = trial
    return omega


@kernel
def _follow(expected, p, q):
    """Return the angle of (p, q) unwrapped next to the expected one."""
    raw = math.atan2(p, q)
    return raw + 2.0 * math.pi * math.floor((expected - raw) / (2.0 * math.pi) + 0.5)


@fused_kernel
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
