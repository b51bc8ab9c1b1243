"""Every note of a model: its natural resonance, what each size does to it, and how sure the figure is."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluewright.acoustics.kernels import network as kernel
from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.network import Network
from fluewright.arrays import FloatArray, IntArray
from fluewright.errors import ComputeError, InputError
from fluewright.instrument.fingering import Fingering, governing_hole
from fluewright.units import CENTS_PER_RELATIVE, cents_above

__all__ = [
    "STATED_ERRORS",
    "ModelErrors",
    "NotePrediction",
    "OfFingering",
    "Resonances",
    "error_patterns_cents",
    "predict_notes",
    "qualities",
    "resonances",
    "resonances_by_mode",
    "roots",
    "targets_hz",
]


@dataclass(frozen=True)
class ModelErrors:
    """One-sigma errors stated for the model before any calibration.

    The window is held to +-7 % against a real head (docs/physics/window.md#real-heads, taken as two sigma); the holes'
    corrections to 4 %; wall losses to 15 % (docs/physics/air.md#real-walls); air in the bore to 1 K. `discrepancy` is
    what remains per note in register 1 and above. Against solved instruments of ideal shape the model is far better
    (docs/instruments.md: 1.3 cents rms, 3.8 worst over the notes); the figures here are for pieces made by hand, whose
    windows, edges and rims are not the ideal ones, and stay until measured pieces say otherwise.
    """

    window_scale: float = 0.035
    hole_scale: float = 0.04
    loss_scale: float = 0.15
    speed_scale: float = 0.0017
    discrepancy_cents: tuple[float, float] = (3.0, 6.0)


STATED_ERRORS = ModelErrors()
_LARGEST_QUALITY = 1e6  # no resonance of air in a tube is anywhere near it


@dataclass(frozen=True)
class Resonances:
    """Solved resonances, one row a fingering of the network.

    Attributes
    ----------
    frequencies_hz : array, shape (n,)
    quality : array, shape (n,)
        Q = f (dX/df) / (2 R); NaN where nothing is lost.
    by_size : array, shape (n, sizes), or (0, sizes) when not asked for
        Relative change of frequency per unit (SI) of every entry of the network's vector.
    by_dimension_cents : array, shape (n, dimensions)
        Cents per mm (or degree) of every named dimension.
    """

    frequencies_hz: FloatArray
    quality: FloatArray
    by_size: FloatArray
    by_dimension_cents: FloatArray


def targets_hz(network: Network) -> FloatArray:
    """Return the target frequency of every fingering, shape (n,)."""
    return network.targets_hz


def roots(
    network: Network,
    modes: IntArray,
    guesses: FloatArray,
    states: NDArray[np.int8],
    *,
    sizes: FloatArray | None = None,
    sensitivities: bool = False,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Solve rows of resonances of a network; a row without root is NaN.

    Parameters
    ----------
    network : Network
    modes : int array, shape (rows,)
        Numbers of the resonances, 1 for the lowest.
    guesses : array, shape (rows,)
        Omega to begin at, rad/s; the result does not depend on it.
    states : int8 array, shape (rows, holes)
        0 closed, 1 open, 2 half.
    sizes : array, shape (sizes,), optional
        A changed vector of sizes of the network's layout, SI.
    sensitivities : bool
        Also compute the derivatives to every size.

    Returns
    -------
    omegas, slopes, resistances : array, shape (rows,)
        rad/s, slope of the loop's reactance by omega, and the loop's resistance there.
    grads : array, shape (rows, sizes), or (0, sizes) when not asked for
        Relative change of omega per unit of every size.

    Raises
    ------
    ComputeError
        The sizes are none that an instrument can have, for example a hole of 1e-9 mm.
    """
    n = modes.size
    omegas, slopes, resistances = np.empty(n), np.empty(n), np.empty(n)
    grads = np.zeros((n if sensitivities else 0, network.sizes.size))
    try:
        kernel.solve(network.given(sizes), modes, guesses, states, omegas, slopes, resistances, grads)
    except ZeroDivisionError:
        raise ComputeError(
            "with these sizes the impedance has no value: one of them is far too small for an instrument; measure it "
            "again."
        ) from None
    return omegas, slopes, resistances, grads


def qualities(omegas: FloatArray, slopes: FloatArray, resistances: FloatArray) -> FloatArray:
    """Return Q = omega X'/(2 R) of resonances, all of shape (n,); NaN where nothing is lost: R is rounding then."""
    with np.errstate(divide="ignore", invalid="ignore"):
        found = omegas * slopes / (2.0 * resistances)
        return np.where((found > 0.0) & (found < _LARGEST_QUALITY), found, np.nan)


def resonances(
    network: Network,
    *,
    sizes: FloatArray | None = None,
    guesses_hz: FloatArray | None = None,
    sensitivities: bool = False,
) -> Resonances:
    """Solve all fingerings of a network for the resonance that each sounds.

    Parameters
    ----------
    network : Network
    sizes : array, shape (sizes,), optional
        A changed vector of sizes of the same layout, SI.
    guesses_hz : array, shape (n,), optional
        Where to begin; the result does not depend on it.
    sensitivities : bool
        Also compute the derivatives to every size.

    Raises
    ------
    ComputeError
        A fingering has no resonance of the wanted number below 60 kHz or its losses drown it.

    References
    ----------
    .. [1] Counting by the lossless standing-wave angle (Foster's theorem), Newton on Im Z, adjoint
       sensitivities: docs/physics/network.md#resonances.
    """
    start = 2.0 * math.pi * (targets_hz(network) if guesses_hz is None else guesses_hz)
    omegas, slopes, resist, grads = roots(
        network, network.modes, start, network.states, sizes=sizes, sensitivities=sensitivities
    )
    if np.isnan(omegas).any():
        bad = network.fingerings[int(np.flatnonzero(np.isnan(omegas))[0])]
        raise ComputeError(
            f"{bad.note} in register {bad.register} (fingering {bad.text}): no resonance number {bad.register} was "
            "found that survives the losses; check the sizes around the open holes, or drop this fingering."
        )
    quality = qualities(omegas, slopes, resist)
    by_dimension = CENTS_PER_RELATIVE * (grads @ network.by_dimension)
    return Resonances(omegas / (2.0 * math.pi), quality, grads, by_dimension)


class OfFingering:
    """Something said of one fingering."""

    fingering: Fingering

    @property
    def note(self) -> str:
        """Return the note's name."""
        return self.fingering.note

    @property
    def register(self) -> int:
        """Return the register, 1 for the lowest."""
        return self.fingering.register


@dataclass(frozen=True)
class NotePrediction(OfFingering):
    """One note as the model expects it; cents against the target, positive when sharp."""

    fingering: Fingering
    frequency_hz: float
    target_hz: float
    cents: float
    uncertainty_cents: float
    quality: float
    governing_hole: int | None


def error_patterns_cents(network: Network, solved: Resonances, errors: ModelErrors = STATED_ERRORS) -> FloatArray:
    """Return one column a model error: the change of every note, in cents, for one sigma; shape (n, 4)."""
    scale = solved.by_size * CENTS_PER_RELATIVE
    return np.column_stack(
        [
            scale[:, offsets.WINDOW_SCALE] * errors.window_scale,
            scale[:, offsets.HOLE_SCALE] * errors.hole_scale,
            scale[:, offsets.LOSS] * network.model.bore.wall_loss_factor * errors.loss_scale,
            scale[:, offsets.C_SCALE] * errors.speed_scale,
        ]
    )


def model_sigma_cents(network: Network, solved: Resonances, errors: ModelErrors = STATED_ERRORS) -> FloatArray:
    """Return the standard uncertainty of every note by the stated model errors together, cents, shape (n,)."""
    patterns = error_patterns_cents(network, solved, errors)
    rest = np.array([errors.discrepancy_cents[min(f.register, 2) - 1] for f in network.fingerings])
    return np.asarray(np.sqrt((patterns**2).sum(axis=1) + rest**2))


def predict_notes(network: Network, *, errors: ModelErrors = STATED_ERRORS) -> tuple[NotePrediction, ...]:
    """Return every note of the network with its uncertainty (one sigma) from the stated model errors."""
    solved = resonances(network, sensitivities=True)
    targets = targets_hz(network)
    sigma = model_sigma_cents(network, solved, errors)
    return tuple(
        NotePrediction(
            fingering=f,
            frequency_hz=float(solved.frequencies_hz[i]),
            target_hz=float(targets[i]),
            cents=float(cents_above(solved.frequencies_hz[i], targets[i])),
            uncertainty_cents=float(sigma[i]),
            quality=float(solved.quality[i]),
            governing_hole=governing_hole(f),
        )
        for i, f in enumerate(network.fingerings)
    )


def resonances_by_mode(network: Network, count: int) -> tuple[tuple[str, FloatArray], ...]:
    """Return (fingering text, its lowest resonances, shape (count,)), once a fingering; Hz, NaN where losses drown one.

    Raises
    ------
    InputError
        `count` is not between 1 and 12.
    """
    if not 1 <= count <= 12:
        raise InputError(f"modes: {count} are asked for; 1 to 12 can be computed")
    seen: dict[str, int] = {}
    for i, f in enumerate(network.fingerings):
        seen.setdefault(f.text, i)
    targets = targets_hz(network)
    found = []
    for text, i in seen.items():
        modes = np.arange(1, count + 1)
        start = 2.0 * math.pi * modes * targets[i] / network.modes[i]
        omegas, *_ = roots(network, modes, start, np.repeat(network.states[i : i + 1], count, axis=0))
        found.append((text, omegas / (2.0 * math.pi)))
    return tuple(found)
