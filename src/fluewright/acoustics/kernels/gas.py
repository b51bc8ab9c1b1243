"""Air as the kernels take it."""

import math
from typing import NamedTuple

from fluewright.acoustics.kernels.compiled import part

__all__ = ["Gas", "calibrated", "warmed"]


class Gas(NamedTuple):
    """Air at one place, SI: density, speed of sound, viscosity, ratio of specific heats, Prandtl number."""

    rho: float
    c: float
    mu: float
    gamma: float
    prandtl: float


@part
def calibrated(gas, scale):
    """Return the air with its speed of sound times `scale`, its stiffness rho c**2 kept."""
    return Gas(gas.rho / (scale * scale), gas.c * scale, gas.mu, gas.gamma, gas.prandtl)


@part
def warmed(gas, tau):
    """Return the air at tau times its absolute temperature; viscosity goes as tau**0.7."""
    if tau == 1.0:
        return gas
    return Gas(gas.rho / tau, gas.c * math.sqrt(tau), gas.mu * tau**0.7, gas.gamma, gas.prandtl)
