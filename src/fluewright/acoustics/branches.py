"""The periodic motions of one register of one fingering: followed over the jet's speed, walked to where they end."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from fluewright.acoustics.blown_modes import Modes
from fluewright.acoustics.jet import JetLaw, window_area_m2
from fluewright.acoustics.kernels.blown import balance, count_unstable, follow
from fluewright.acoustics.kernels.jet import Jet, jet_at
from fluewright.acoustics.kernels.loop import growth, self_start
from fluewright.acoustics.network import Network
from fluewright.arrays import ComplexArray, FloatArray

__all__ = ["HARMONICS", "Branch", "Walker", "breath_range", "levels_db", "turns_of_period"]


HARMONICS = 8
_SAMPLES = 64
_LEAST_GROWTH = 2.0  # 1/s; a disturbance that grows slower is not heard within a note
_STEP = 0.045  # of ln U, when a branch is walked for its ends


@lru_cache(maxsize=4)
def turns_of_period(samples: int, harmonics: int) -> ComplexArray:
    """Return exp(j n t) at even samples of one period, shape (samples, 2 harmonics + 1)."""
    at = 2.0 * np.pi * np.arange(samples) / samples
    return np.asarray(np.exp(1j * np.outer(at, np.arange(2 * harmonics + 1))))


@dataclass(frozen=True)
class Branch:
    """Motions of one register of one fingering over rising breath.

    Attributes
    ----------
    pressures_pa, frequencies_hz, levels_db : array, shape (n,)
        Breath, pitch, and sound pressure level at 1 m in the open, all directions' mean, dB re 20 uPa.
    velocities : complex array, shape (n, HARMONICS + 1)
        Half amplitudes of the window's velocity, m/s, by harmonic.
    """

    pressures_pa: FloatArray
    frequencies_hz: FloatArray
    levels_db: FloatArray
    velocities: ComplexArray


class Walker:
    """Follows one register of one fingering along the jet's speed, on arrays that the kernels read."""

    def __init__(self, law: JetLaw, modes: Modes, mode: int) -> None:
        self.law = law
        self.modes = modes
        self.mode = mode
        self.log_speeds = law.grid.log_speeds
        self.log_pressures = np.log(law.pressures_pa)
        self.turns = turns_of_period(_SAMPLES, HARMONICS)

    def pressure(self, log_speed: float | FloatArray) -> FloatArray:
        """Return the breath of a jet's speed, Pa; of its shape."""
        return np.exp(np.interp(log_speed, self.log_speeds, self.log_pressures))

    def log_speed(self, pressure: float) -> float:
        """Return the logarithm of the jet's speed at a breath, Pa."""
        return float(np.interp(math.log(pressure), self.log_pressures, self.log_speeds))

    def start(self) -> tuple[float, float]:
        """Return (log speed, omega) at which the register begins to sound by itself; NaN when it never does."""
        at, omega = self_start(self.mode, self.modes.table, self.law.grid)
        return float(at), float(omega)

    def growth(self, pressure: float, omega: float) -> float:
        """Return how fast the smallest motion grows at a breath, 1/s (negative: it dies out)."""
        jet, weights = self._jet(self.log_speed(pressure))
        return float(growth(omega, self.modes.table, jet, weights))

    def _jet(self, log_speed: float) -> tuple[Jet, FloatArray]:
        """Return the jet of a speed and the weights of its memory, shape (nodes,)."""
        weights = np.empty(self.law.weights.shape[1])
        return jet_at(log_speed, self.law.grid, weights), weights

    def motions(self, log_speeds: FloatArray, omega: float) -> tuple[ComplexArray, FloatArray]:
        """Return the motions, shape (n, HARMONICS + 1), and their omegas at n rising speeds; NaN where there is none.

        Begun at a speed where the motion is large, and followed down and up from there: just above the onset large and
        small motions may both exist, and the small ones are not kept up.
        """
        middle = int(np.searchsorted(log_speeds, log_speeds[0] + 0.25))
        if 0 < middle < log_speeds.size:
            down, lower = self._followed(log_speeds[middle::-1], omega)
            if np.isfinite(lower[0]):
                up, upper = self._followed(log_speeds[middle:], float(lower[0]))
                return np.concatenate([down[:0:-1], up]), np.concatenate([lower[:0:-1], upper])
        return self._followed(log_speeds, omega)

    def _followed(self, log_speeds: FloatArray, omega: float) -> tuple[ComplexArray, FloatArray]:
        motions = np.zeros((log_speeds.size, HARMONICS + 1), dtype=complex)
        omegas = np.zeros(log_speeds.size)
        follow(self.mode, omega, log_speeds, self.modes.table, self.law.grid, self.turns, motions, omegas)
        return motions, omegas

    def beside(self, motion: ComplexArray, omega: float, log_speed: float) -> tuple[ComplexArray, float]:
        """Return the motion at a speed, from a known one of a speed near by, both of shape (HARMONICS + 1,).

        Its omega is NaN where there is none.
        """
        jet, weights = self._jet(log_speed)
        found = motion.copy()
        turned, done = balance(found, omega, HARMONICS, self.modes.table, jet, weights, self.turns)
        return found, float(turned) if done else math.nan

    def holds(self, log_speed: float, motion: ComplexArray, omega: float) -> bool:
        """Return whether no disturbance of this motion, shape (HARMONICS + 1,), grows."""
        if not math.isfinite(omega):
            return False
        jet, weights = self._jet(log_speed)
        growing = count_unstable(motion, omega, HARMONICS, self.modes.table, jet, weights, self.turns, _LEAST_GROWTH)
        return int(growing) == 0


def levels_db(network: Network, modes: Modes, motions: ComplexArray, omegas: FloatArray) -> FloatArray:
    """Return the sound pressure level at 1 m of every motion, dB re 20 uPa, shape (n,).

    motions: shape (n, HARMONICS + 1); omegas: (n,).
    """
    area = window_area_m2(network.model.head)
    n = np.arange(1, motions.shape[1])
    frequencies = omegas[:, None] * n
    share = np.interp(frequencies, modes.table[:, 0], modes.radiation)
    pressure = network.air.density * frequencies / (4.0 * np.pi) * area * share * 2.0 * np.abs(motions[:, 1:])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 * np.log10(0.5 * (pressure**2).sum(axis=1) / 4e-10))


def breath_range(walker: Walker) -> tuple[float, float]:
    """Return the lowest and the highest breath at which this register holds, Pa."""
    at, start = walker.start()
    if math.isnan(at):
        return math.nan, math.nan
    first = at + 0.004
    grid = np.arange(first, min(first + math.log(6.0), walker.log_speeds[-1]), _STEP)
    motions, omegas = walker.motions(grid, start)
    # The steadiest part: half a wave on the jet, a third above the onset's speed.
    middle = min(int(0.3 / _STEP), len(grid) - 1)
    order = sorted(range(len(grid)), key=lambda k: abs(k - middle))
    seed = next((k for k in order[:16] if walker.holds(grid[k], motions[k], omegas[k])), None)
    if seed is None:
        return math.nan, math.nan
    ends = []
    for step in (-1, 1):
        k = seed
        while 0 <= k + step < len(grid) and walker.holds(grid[k + step], motions[k + step], omegas[k + step]):
            k += step
        if not 0 <= k + step < len(grid):
            ends.append(float(walker.pressure(at)) if step < 0 else math.inf)
            continue
        inner, outer = grid[k], grid[k + step]
        motion, omega = motions[k], float(omegas[k])
        while abs(outer - inner) > 0.005:
            trial = 0.5 * (inner + outer)
            found, turned = walker.beside(motion, omega, trial)
            if walker.holds(trial, found, turned):
                inner, motion, omega = trial, found, turned
            else:
                outer = trial
        ends.append(float(walker.pressure(0.5 * (inner + outer))))
    return ends[0], ends[1]
