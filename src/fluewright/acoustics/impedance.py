"""What the player's end of the bore meets at every frequency: impedance seen from the window, lattice cutoff."""

import math
from dataclasses import dataclass

import numpy as np

from fluewright.acoustics.kernels import network as kernel
from fluewright.acoustics.network import Network
from fluewright.arrays import ComplexArray, FloatArray
from fluewright.errors import InputError
from fluewright.instrument.shape import bore_diameter_mm, wall_mm

__all__ = ["HIGHEST_HZ", "LOWEST_HZ", "ImpedanceCurve", "cutoff_of_row_hz", "impedance_curve", "lattice_cutoff_hz"]

LOWEST_HZ, HIGHEST_HZ = 1.0, 20_000.0
"""Of what is asked for at one frequency; below, losses and radiation vanish in a float."""


@dataclass(frozen=True)
class ImpedanceCurve:
    """Impedance over frequency for one fingering, Pa s/m3; `loop` includes the window, `bore` does not.

    All have the shape (n,). What the other openings add at the window by radiation is counted with the bore.
    """

    frequencies_hz: FloatArray
    loop: ComplexArray
    bore: ComplexArray


def impedance_curve(network: Network, row: int, frequencies_hz: FloatArray) -> ImpedanceCurve:
    """Return the impedance at the block face towards the foot, and of the whole loop with the window.

    Parameters
    ----------
    network : Network
    row : int
        Index of the fingering.
    frequencies_hz : array, shape (n,)
        1 Hz to 20 kHz.

    Raises
    ------
    InputError
        A frequency is below 1 Hz or above 20 kHz, or there is no such fingering.
    """
    f = np.asarray(frequencies_hz, dtype=float)
    if f.ndim != 1 or f.size == 0 or not (f.min() >= LOWEST_HZ and f.max() <= HIGHEST_HZ):
        raise InputError(f"impedance: frequencies must be a list of numbers from {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz")
    if not 0 <= row < len(network.fingerings):
        raise InputError(f"impedance: fingering {row} is asked for, the model has {len(network.fingerings)}")
    n = f.size
    loop, slope, window = np.empty(n, complex), np.empty(n, complex), np.empty(n, complex)
    kernel.curve(network.given(), network.states[row], 2.0 * math.pi * f, loop, slope, window, np.empty(n))
    return ImpedanceCurve(f, loop, loop - window)


def lattice_cutoff_hz(network: Network) -> float | None:
    """Return the cutoff of the row of open finger holes, Hz, or None with fewer than two holes.

    Above it waves run past the open holes. Root of tan(k s/2) = (b/a)**2/(2 k t_e) for the mean hole of the row,
    t_e = t + 1.5 b (Benade, JASA 32, 1591, 1960; docs/physics/network.md#cutoff).
    """
    holes = [h for h in network.model.holes if abs(h.angle_deg) < 90.0]
    if len(holes) < 2:
        return None
    x = np.array([h.position_mm for h in holes]) * 1e-3
    spacing = float(np.diff(x).mean())
    b = float(np.mean([0.5e-3 * h.diameter_mm for h in holes]))
    a = float(np.mean([0.5e-3 * bore_diameter_mm(network.model, h.position_mm) for h in holes]))
    t_e = float(np.mean([1e-3 * wall_mm(network.model, h.position_mm) for h in holes])) + 1.5 * b
    return cutoff_of_row_hz(a, b, t_e, spacing, network.air.sound_speed)


def cutoff_of_row_hz(a: float, b: float, t_e: float, spacing: float, sound_speed: float) -> float:
    """Return the exact lossless cutoff of equal holes (SI), see `lattice_cutoff_hz`."""
    from scipy.optimize import brentq

    def gap(k: float) -> float:
        return math.tan(0.5 * k * spacing) - (b / a) ** 2 / (2.0 * k * t_e)

    k = brentq(gap, 1e-3, (math.pi - 1e-9) / spacing, xtol=1e-13)
    return float(k) * sound_speed / (2.0 * math.pi)
