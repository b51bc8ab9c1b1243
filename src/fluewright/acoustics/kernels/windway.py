"""Kernel: how fast the breath leaves the windway, a flat channel in which the flow may still be developing."""

import math

from fluewright.acoustics.kernels.compiled import kernel

__all__ = ["centre_ratio", "channel_pressure", "exit_speed", "friction_reynolds"]

_LAMINAR_UP_TO = 4000.0  # Re of the hydraulic diameter; above, turbulence comes in over as much again


@kernel
def friction_reynolds(x_plus, reynolds):
    """Return f_app Re of a flat channel, both made with D = 2 h.

    x_plus = length/(D Re). Laminar: Shah & London 1978, profile development included. Above Re 4000 turbulent friction
    0.1268 Re**-0.3 (Beavers, Sparrow & Lloyd 1971; from memory) comes in where it is the larger.
    """
    root = 3.44 / math.sqrt(x_plus)
    laminar = root + (24.0 + 0.674 / (4.0 * x_plus) - root) / (1.0 + 2.9e-5 / (x_plus * x_plus))
    if reynolds <= _LAMINAR_UP_TO:
        return laminar
    share = min((reynolds - _LAMINAR_UP_TO) / _LAMINAR_UP_TO, 1.0)
    share = share * share * (3.0 - 2.0 * share)
    return laminar + share * max(0.1268 * reynolds**0.7 - laminar, 0.0)


@kernel
def channel_pressure(speed, length, entry, exit_, width, entry_loss, rho, mu):
    """Return (pressure, x_plus, Re) that drive a mean exit speed through a channel of heights entry -> exit_, SI.

    The kinetic part is that of the exit, the entry's loss that of the speed there, friction that of the local height.
    width = inf leaves the side walls out; else they multiply friction by 1/(1 - 0.63 h/width).
    """
    if entry == exit_:
        cubes = length / exit_**3
        inverse = length / exit_
    else:
        cubes = length * (entry + exit_) / (2.0 * entry * entry * exit_ * exit_)
        inverse = length * math.log(entry / exit_) / (entry - exit_)
    reynolds = 2.0 * exit_ * speed * rho / mu
    x_plus = mu / (rho * 4.0 * speed * exit_) * inverse
    friction = 0.5 * mu * speed * exit_ * cubes * friction_reynolds(x_plus, reynolds)
    friction /= 1.0 - 0.63 * exit_ / width
    ratio = exit_ / entry
    return 0.5 * rho * speed * speed * (1.0 + entry_loss * ratio * ratio) + friction, x_plus, reynolds


@kernel
def exit_speed(pressure, length, entry, exit_, width, entry_loss, rho, mu):
    """Return (mean speed at the exit, x_plus, Re) for a pressure in Pa; the inverse of `channel_pressure`."""
    if pressure <= 0.0:
        return 0.0, math.inf, 0.0
    low = 0.0
    high = math.sqrt(2.0 * pressure / rho)
    speed = 0.5 * high
    x_plus = 0.0
    reynolds = 0.0
    for _ in range(60):
        drop, x_plus, reynolds = channel_pressure(speed, length, entry, exit_, width, entry_loss, rho, mu)
        if drop > pressure:
            high = speed
        else:
            low = speed
        h = 1e-5 * speed
        slope = (channel_pressure(speed + h, length, entry, exit_, width, entry_loss, rho, mu)[0] - drop) / h
        trial = speed - (drop - pressure) / slope
        if trial <= low or trial >= high:
            trial = 0.5 * (low + high)
        done = abs(trial - speed) < 1e-12 * trial
        speed = trial
        if done:
            break
    return speed, x_plus, reynolds


@kernel
def centre_ratio(x_plus):
    """Return the centre line's speed over the mean: 1 at a short channel's exit, 1.5 where the flow is developed.

    1.5 - 0.5 exp(-13.76 sqrt(x+) - 190 x+): begins as 1/(1 - 2 d1/h), d1 the displacement thickness of a flat plate
    (Blasius, 1.72 sqrt(nu l/U)), and is within 1 % of the end at x+ = 0.011 (Chen 1973, Shah & London 1978; from
    memory).
    """
    return 1.5 - 0.5 * math.exp(-13.76 * math.sqrt(x_plus) - 190.0 * x_plus)
