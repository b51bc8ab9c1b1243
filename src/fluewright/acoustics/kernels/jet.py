"""Kernel: the wave that a jet carries from slit to edge, and the memory by which a simulation knows it."""

import math
from typing import NamedTuple

import numpy as np

from fluewright.acoustics.kernels.compiled import kernel
from fluewright.arrays import FloatArray

__all__ = ["LONG_WAVE", "Jet", "JetGrid", "JetWay", "MemoryFit", "WaveTable", "jet_at", "memory", "travelled"]

# Waves much longer than the window cannot have the law of an endless jet: below this Omega both wave numbers become
# proportional to it. It also lets the jet forget, which a computed memory must.
LONG_WAVE = 0.04

# Gauss's rule of six points on 0 .. 1.
_NODES = (np.polynomial.legendre.leggauss(6)[0] + 1.0) / 2.0
_WEIGHTS = np.polynomial.legendre.leggauss(6)[1] / 2.0


class Jet(NamedTuple):
    """A jet at the edge: half width b and offset y0, m; source, kg/(m s); loss, kg/m3; spacing of its memory, s."""

    b: float
    y0: float
    source: float
    loss: float
    spacing: float


class JetGrid(NamedTuple):
    """A head's jets over rising speeds.

    log_speeds: shape (n,); jets: rows of `Jet`, (n, 5); memories: weights of their memory, (n, nodes).
    """

    log_speeds: FloatArray
    jets: FloatArray
    memories: FloatArray


class JetWay(NamedTuple):
    """A jet's way to the edge, with b at the slit.

    length: W/b; widening: W/x0, with which b grows as (1 + x/x0)**(2/3) and the speed falls as (1 + x/x0)**(-1/3)
    (Schlichting's plane laminar jet); reynolds: U b/nu; wave_speed, growth: of its waves over Rayleigh's.
    """

    length: float
    widening: float
    reynolds: float
    wave_speed: float
    growth: float


class WaveTable(NamedTuple):
    """k_r b and -k_i b of Rayleigh's wave, each shape (n,), on a grid of Omega of this step, from 0."""

    step: float
    waves: FloatArray
    growths: FloatArray


class MemoryFit(NamedTuple):
    """Least-squares fit of a memory: places Omega, their weights, shape (n,); pseudo-inverse, shape (2 n + 1, nodes).

    The last row of the fit's right side is the sum of all weights of the memory.
    """

    shaken: FloatArray
    weight: FloatArray
    inverse: FloatArray


@kernel
def travelled(shaken, way, table):
    """Return (phase, growth), rad and nepers, from slit to edge of a wave at Omega = shaken; straight beyond the table.

    Viscosity takes (6 + 6 (k b)**3)/reynolds of the growth, a fit to the Orr-Sommerfeld equation for 20 to 400
    (research/jet/viscous.py).
    """
    phase = 0.0
    grown = 0.0
    last = table.waves.size - 2
    for i in range(_NODES.size):
        stretch = 1.0 + _NODES[i] * way.widening
        local = shaken * stretch
        shifted = math.sqrt(local * local + LONG_WAVE * LONG_WAVE)
        at = min(int(shifted / table.step), last)
        share = shifted / table.step - at
        along = _WEIGHTS[i] * way.length / stretch ** (2.0 / 3.0) * local / shifted
        wave = table.waves[at] + share * (table.waves[at + 1] - table.waves[at])
        phase += along * wave
        damped = 1.0 - (6.0 + 6.0 * wave * wave * wave) / (way.reynolds * stretch ** (1.0 / 3.0))
        faster = table.growths[at] + share * (table.growths[at + 1] - table.growths[at])
        grown += along * (faster * damped if faster > 0.0 else faster)
    return phase / way.wave_speed, grown * way.growth


@kernel
def memory(way, table, fit, out):
    """Fill out, shape (nodes,), with the weights of the jet's memory, summing to 1."""
    n = fit.shaken.size
    inverse = fit.inverse
    out[:] = 0.0
    for i in range(n):
        phase, grown = travelled(fit.shaken[i], way, table)
        size = (math.cosh(grown) if grown > 0.0 else math.exp(grown)) * fit.weight[i]
        re = size * math.cos(phase)
        im = -size * math.sin(phase)
        for j in range(out.size):
            out[j] += inverse[i, j] * re + inverse[n + i, j] * im
    total = 0.0
    for j in range(out.size):
        out[j] += inverse[2 * n, j] * 1000.0
        total += out[j]
    for j in range(out.size):
        out[j] /= total


@kernel
def jet_at(log_speed, grid, weights):
    """Return the jet of a speed between those of the grid, whose ends are held; fill its memory's weights, (nodes,)."""
    n = grid.log_speeds.size
    i = np.searchsorted(grid.log_speeds, log_speed) - 1
    i = min(max(i, 0), n - 2)
    share = (log_speed - grid.log_speeds[i]) / (grid.log_speeds[i + 1] - grid.log_speeds[i])
    share = min(max(share, 0.0), 1.0)
    low = grid.jets[i]
    high = grid.jets[i + 1]
    for j in range(weights.size):
        weights[j] = grid.memories[i, j] + share * (grid.memories[i + 1, j] - grid.memories[i, j])
    return Jet(
        low[0] + share * (high[0] - low[0]),
        low[1] + share * (high[1] - low[1]),
        low[2] + share * (high[2] - low[2]),
        low[3] + share * (high[3] - low[3]),
        # The spacing goes as one over the speed.
        math.exp(math.log(low[4]) + share * math.log(high[4] / low[4])),
    )
