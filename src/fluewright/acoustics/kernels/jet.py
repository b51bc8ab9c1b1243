"""Kernel: the wave that a jet carries from slit to edge, and the memory by which a simulation knows it."""

import math

import numpy as np

from fluewright.acoustics.kernels.compiled import kernel

__all__ = ["LONG_WAVE", "jet_at", "memory", "travelled"]

# Waves much longer than the window cannot have the law of an endless jet: below this Omega both wave numbers become
# proportional to it. It also lets the jet forget, which a computed memory must.
LONG_WAVE = 0.04

# Gauss's rule of six points on 0 .. 1.
_NODES = (np.polynomial.legendre.leggauss(6)[0] + 1.0) / 2.0
_WEIGHTS = np.polynomial.legendre.leggauss(6)[1] / 2.0


@kernel
def travelled(shaken, length, widening, reynolds, wave_speed, growth, step, waves, growths):
    """Return (phase, growth), rad and nepers, from slit to edge of a wave at Omega = shaken.

    length: W/b at the slit; widening: W/x0, with which b grows as (1 + x/x0)**(2/3) and the speed falls as
    (1 + x/x0)**(-1/3) (Schlichting's plane laminar jet). reynolds: U b/nu at the slit; viscosity takes
    (6 + 6 (k b)**3)/reynolds of the growth, a fit to the Orr-Sommerfeld equation for 20 to 400
    (research/jet/viscous.py). waves, growths: k_r b and -k_i b on a grid of Omega of this
    step, from 0; straight beyond.
    """
    phase = 0.0
    grown = 0.0
    last = waves.size - 2
    for i in range(_NODES.size):
        stretch = 1.0 + _NODES[i] * widening
        local = shaken * stretch
        shifted = math.sqrt(local * local + LONG_WAVE * LONG_WAVE)
        at = min(int(shifted / step), last)
        share = shifted / step - at
        along = _WEIGHTS[i] * length / stretch ** (2.0 / 3.0) * local / shifted
        wave = waves[at] + share * (waves[at + 1] - waves[at])
        phase += along * wave
        damped = 1.0 - (6.0 + 6.0 * wave * wave * wave) / (reynolds * stretch ** (1.0 / 3.0))
        faster = growths[at] + share * (growths[at + 1] - growths[at])
        grown += along * (faster * damped if faster > 0.0 else faster)
    return phase / wave_speed, grown * growth


@kernel
def memory(length, widening, reynolds, wave_speed, growth, step, waves, growths, shaken, weight, inverse, out):
    """Fill out with the weights of the jet's memory, summing to 1.

    shaken, weight, inverse: places, weights and pseudo-inverse of the least-squares fit, the last row of whose right
    side is the sum.
    """
    n = shaken.size
    out[:] = 0.0
    for i in range(n):
        phase, grown = travelled(shaken[i], length, widening, reynolds, wave_speed, growth, step, waves, growths)
        size = (math.cosh(grown) if grown > 0.0 else math.exp(grown)) * weight[i]
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
def jet_at(log_speed, log_speeds, jets, memories, jet, weights):
    """Fill jet and weights for a speed between those of the grid; its ends are held."""
    n = log_speeds.size
    i = np.searchsorted(log_speeds, log_speed) - 1
    i = min(max(i, 0), n - 2)
    share = (log_speed - log_speeds[i]) / (log_speeds[i + 1] - log_speeds[i])
    share = min(max(share, 0.0), 1.0)
    for j in range(jet.size):
        jet[j] = jets[i, j] + share * (jets[i + 1, j] - jets[i, j])
    # The spacing goes as one over the speed.
    jet[4] = math.exp(math.log(jets[i, 4]) + share * math.log(jets[i + 1, 4] / jets[i, 4]))
    for j in range(weights.size):
        weights[j] = memories[i, j] + share * (memories[i + 1, j] - memories[i, j])
