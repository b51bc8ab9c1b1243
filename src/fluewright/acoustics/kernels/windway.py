"""Kernel: how fast the breath leaves the windway, a flat channel in which the flow may still be developing."""

import math
from typing import NamedTuple

from fluewright.acoustics.kernels.compiled import kernel

__all__ = ["Channel", "ChannelFlow", "centre_ratio", "channel_pressure", "exit_speed", "friction_reynolds"]

_LAMINAR_UP_TO = 4000.0  # Re of the hydraulic diameter; above, turbulence comes in over as much again


class Channel(NamedTuple):
    """A windway, m: length, heights of entry and exit, width (inf leaves the side walls out), and its entry's loss."""

    length: float
    entry: float
    exit: float
    width: float
    entry_loss: float


class ChannelFlow(NamedTuple):
    """Flow through a channel: pressure, Pa, that drives it; mean speed at the exit, m/s; x_plus and Re there, 2 h."""

    pressure: float
    speed: float
    x_plus: float
    reynolds: float


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
def channel_pressure(speed, channel, rho, mu):
    """Return the flow of a mean exit speed through a channel, whose height goes straight from entry to exit.

    The kinetic part is that of the exit, the entry's loss that of the speed there, friction that of the local height;
    the side walls multiply friction by 1/(1 - 0.63 h/width).
    """
    length, entry, exit_ = channel.length, channel.entry, channel.exit
    if entry == exit_:
        cubes = length / exit_**3
        inverse = length / exit_
    else:
        cubes = length * (entry + exit_) / (2.0 * entry * entry * exit_ * exit_)
        inverse = length * math.log(entry / exit_) / (entry - exit_)
    reynolds = 2.0 * exit_ * speed * rho / mu
    x_plus = mu / (rho * 4.0 * speed * exit_) * inverse
    friction = 0.5 * mu * speed * exit_ * cubes * friction_reynolds(x_plus, reynolds)
    friction /= 1.0 - 0.63 * exit_ / channel.width
    ratio = exit_ / entry
    kinetic = 0.5 * rho * speed * speed * (1.0 + channel.entry_loss * ratio * ratio)
    return ChannelFlow(kinetic + friction, speed, x_plus, reynolds)


@kernel
def exit_speed(pressure, channel, rho, mu):
    """Return the flow that a pressure in Pa drives through a channel; the inverse of `channel_pressure`."""
    if pressure <= 0.0:
        return ChannelFlow(pressure, 0.0, math.inf, 0.0)
    low = 0.0
    high = math.sqrt(2.0 * pressure / rho)
    speed = 0.5 * high
    x_plus = 0.0
    reynolds = 0.0
    for _ in range(60):
        flow = channel_pressure(speed, channel, rho, mu)
        x_plus = flow.x_plus
        reynolds = flow.reynolds
        if flow.pressure > pressure:
            high = speed
        else:
            low = speed
        h = 1e-5 * speed
        slope = (channel_pressure(speed + h, channel, rho, mu).pressure - flow.pressure) / h
        trial = speed - (flow.pressure - pressure) / slope
        if trial <= low or trial >= high:
            trial = 0.5 * (low + high)
        done = abs(trial - speed) < 1e-12 * trial
        speed = trial
        if done:
            break
    return ChannelFlow(pressure, speed, x_plus, reynolds)


@kernel
def centre_ratio(x_plus):
    """Return the centre line's speed over the mean: 1 at a short channel's exit, 1.5 where the flow is developed.

    1.5 - 0.5 exp(-13.76 sqrt(x+) - 190 x+): begins as 1/(1 - 2 d1/h), d1 the displacement thickness of a flat plate
    (Blasius, 1.72 sqrt(nu l/U)), and is within 1 % of the end at x+ = 0.011 (Chen 1973, Shah & London 1978; from
    memory).
    """
    return 1.5 - 0.5 * math.exp(-13.76 * math.sqrt(x_plus) - 190.0 * x_plus)
