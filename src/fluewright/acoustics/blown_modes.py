"""The resonator of every fingering, as the jet at the window sees it: its modes, and how each is heard outside."""

from dataclasses import dataclass

import numpy as np

from fluewright.acoustics.jet import window_area_m2
from fluewright.acoustics.kernels import network as kernel
from fluewright.acoustics.network import Network
from fluewright.acoustics.resonance import qualities, roots
from fluewright.arrays import FloatArray, IntArray
from fluewright.errors import ComputeError

__all__ = ["Modes", "blown_modes"]


@dataclass(frozen=True)
class Modes:
    """The resonator of one fingering, as the window's velocity sees it.

    Attributes
    ----------
    table : array, shape (modes, 3)
        w_k (rad/s), q_k and a_k = 2/(W H X'), m2/kg, X' the slope of the loop's reactance there: the residue of
        1/(W H Z); for an open tube 2 S/(rho W H L).
    numbers : array, shape (modes,)
        Their numbers, 1 for the lowest; some may be missing.
    radiation : array, shape (modes,)
        Outer source of the mode over the window's flow: sqrt(sum U_i U_j sin(k d)/(k d)), mean over all directions.
    """

    table: FloatArray
    numbers: IntArray
    radiation: FloatArray

    def row_of(self, number: int) -> int | None:
        """Return the row of a mode by its number, None where losses drown it."""
        found = np.flatnonzero(self.numbers == number)
        return int(found[0]) if found.size else None


def blown_modes(network: Network, *, count: int = 10) -> tuple[Modes, ...]:
    """Return the resonator of every fingering of a network, in its order.

    Modes that losses drown are left out. Rows that share a fingering share their modes.

    Raises
    ------
    ComputeError
        A fingering has no resonance at all.
    """
    keys = [row.tobytes() for row in network.states]
    firsts = {key: i for i, key in reversed(list(enumerate(keys)))}
    rows = np.repeat(sorted(firsts.values()), count)
    numbers = np.tile(np.arange(1, count + 1), len(firsts))
    lowest = network.targets_hz / network.modes
    omegas, slopes, resist, _ = roots(network, numbers, 2.0 * np.pi * numbers * lowest[rows], network.states[rows])
    area = window_area_m2(network.model.head)
    radiation = _radiation(network, rows, omegas)
    quality = qualities(omegas, slopes, resist)
    # A drowned mode, of Q below 2, adds no pitch of its own.
    known = (slopes > 0.0) & (quality > 2.0)
    by_row: dict[int, Modes] = {}
    for row in firsts.values():
        mine = known & (rows == row)
        if not mine.any():
            raise ComputeError(
                f"{network.fingerings[row].text}: this fingering has no resonance that survives the losses; "
                "check the sizes around its open holes, or drop it."
            )
        table = np.column_stack([omegas[mine], quality[mine], 2.0 / (area * slopes[mine])])
        by_row[row] = Modes(table, numbers[mine], radiation[mine])
    return tuple(by_row[firsts[key]] for key in keys)


def _radiation(network: Network, rows: IntArray, omegas: FloatArray) -> FloatArray:
    """Return the outer source strength of every (fingering, omega), over the window's flow."""
    n = network.n_holes + 2
    flows = np.zeros((rows.size, n), dtype=complex)
    places = np.empty(n)
    kernel.mouths(network.given(), network.states[rows], np.nan_to_num(omegas, nan=1.0), flows, places)
    distance = np.abs(places[:, None] - places[None, :])
    k = omegas / network.air.sound_speed
    together = np.sinc(k[:, None, None] * distance / np.pi)
    power = np.einsum("ri,rij,rj->r", flows, together, flows.conj()).real
    return np.asarray(np.sqrt(np.maximum(power, 0.0)))
