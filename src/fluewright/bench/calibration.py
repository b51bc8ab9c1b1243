"""Says what played notes tell of the model's uncertain constants, and what each note will be after a change.

Gaussian Bayes by Gauss-Newton over all trials of one piece. Unknown are four constants shared by all notes
(window, hole ends, losses, speed of sound; priors `ModelErrors`) and one lasting offset a fingering (what the
chain leaves out; prior `ModelErrors.discrepancy_cents`). Every played note is its true pitch plus an independent
error of blowing and measuring. With priors of unit variance the normal equations are
(1 + J' W J) x = J' W (y - f + J x0); the posterior covariance is their inverse (Gelman et al., Bayesian Data
Analysis, chapter on linear models; from memory).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluewright.acoustics.network import Corrections, Network, build_network
from fluewright.acoustics.resonance import (
    CENTS_PER_RELATIVE,
    STATED_ERRORS,
    ModelErrors,
    error_patterns_cents,
    resonances,
    targets_hz,
)  # fmt: skip
from fluewright.air import Air
from fluewright.design.fit import with_sizes
from fluewright.errors import InputError
from fluewright.instrument.model import Model

__all__ = ["PlayedTrial", "Posterior", "calibrate"]

FloatArray = NDArray[np.float64]

# Spread of one player's blowing about the design breath, cents (common practice, no source: 1.5 to 3).
BLOWING_SPREAD_CENTS = 2.0


@dataclass(frozen=True)
class PlayedTrial:
    """One test of the piece: its sizes at that moment and the notes that were heard.

    `as_built` maps size keys (mm) that differ from the model's; `notes` maps the index of a fingering to
    (frequency in Hz, its standard uncertainty in Hz). `air` is that of the trial's conditions.
    """

    as_built: Mapping[str, float]
    notes: Mapping[int, tuple[float, float]]
    air: Air | None = None


@dataclass(frozen=True)
class Posterior:
    """The calibrated model of one piece.

    `shared` are the four constants in prior sigmas, `offsets_cents` one a fingering; `covariance` belongs to both
    together, shape (4 + n, 4 + n).
    """

    model: Model
    errors: ModelErrors
    shared: FloatArray
    offsets_cents: FloatArray
    covariance: FloatArray
    trials: int

    def corrections(self) -> Corrections:
        """Return the calibrated factors as the network takes them."""
        return _corrections(self.shared, self.errors)

    def forecast(self, as_built: Mapping[str, float]) -> tuple[FloatArray, FloatArray]:
        """Return (mean, covariance) of the cents of every fingering for these sizes, without blowing spread."""
        network = _network(self.model, as_built, None, self.shared, self.errors)
        mean, jacobian = _linearise(network, self.errors)
        full = np.hstack([jacobian, np.eye(mean.size)])
        return mean + self.offsets_cents, full @ self.covariance @ full.T


def _corrections(shared: FloatArray, errors: ModelErrors) -> Corrections:
    return Corrections(
        window_scale=1.0 + errors.window_scale * float(shared[0]),
        hole_scale=1.0 + errors.hole_scale * float(shared[1]),
        loss_scale=max(1.0 + errors.loss_scale * float(shared[2]), 0.2),
        speed_scale=1.0 + errors.speed_scale * float(shared[3]),
    )


def _network(
    model: Model, as_built: Mapping[str, float], air: Air | None, shared: FloatArray, errors: ModelErrors
) -> Network:
    piece = with_sizes(model, dict(as_built)) if as_built else model
    return build_network(piece, air=air, corrections=_corrections(shared, errors))


def _linearise(network: Network, errors: ModelErrors) -> tuple[FloatArray, FloatArray]:
    """Return (cents of every fingering, their change per prior sigma of the shared constants)."""
    solved = resonances(network, sensitivities=True)
    off = CENTS_PER_RELATIVE * np.log(solved.frequencies_hz / targets_hz(network))
    return off, error_patterns_cents(network, solved, errors)


def calibrate(
    model: Model,
    trials: Sequence[PlayedTrial],
    *,
    errors: ModelErrors = STATED_ERRORS,
    blowing_spread_cents: float = BLOWING_SPREAD_CENTS,
) -> Posterior:
    """Return the posterior of the model's constants and offsets from all trials of one piece.

    Works from no trial (the prior) and from one note upward.

    Raises
    ------
    InputError
        A played frequency is not positive, or names a fingering that the model lacks.
    ComputeError
        A note has no resonance with the sizes of a trial.
    """
    n = len(build_network(model).fingerings)
    prior = np.concatenate(
        [
            np.ones(4),
            [errors.discrepancy_cents[min(f.register, 2) - 1] for f in build_network(model).fingerings],
        ]
    )
    for trial in trials:
        for index, (frequency, spread) in trial.notes.items():
            if not 0 <= index < n:
                raise InputError(f"trial: fingering number {index} is named, but the model has {n}")
            if not (np.isfinite(frequency) and frequency > 0 and np.isfinite(spread) and spread >= 0):
                raise InputError(
                    f"trial: note {index} has frequency {frequency} Hz and uncertainty {spread} Hz; both must be "
                    "finite, the frequency positive"
                )
    x = np.zeros(4 + n)
    precision = np.diag(1.0 / prior**2)
    covariance = np.diag(prior**2)
    for _ in range(3 if trials else 0):
        hessian = precision.copy()
        pull = np.zeros(4 + n)
        for trial in trials:
            rows = np.array(sorted(trial.notes), dtype=int)
            if rows.size == 0:
                continue
            network = _network(model, trial.as_built, trial.air, x[:4], errors)
            off, shared = _linearise(network, errors)
            targets = targets_hz(network)
            heard = np.array([trial.notes[i][0] for i in rows])
            sigma = np.array([trial.notes[i][1] for i in rows])
            measured = CENTS_PER_RELATIVE * np.log(heard / targets[rows])
            weight = 1.0 / ((CENTS_PER_RELATIVE * sigma / heard) ** 2 + blowing_spread_cents**2)
            jacobian = np.hstack([shared[rows], np.eye(n)[rows]])
            linear = measured - (off[rows] + x[4 + rows]) + jacobian @ x
            hessian += jacobian.T @ (weight[:, None] * jacobian)
            pull += jacobian.T @ (weight * linear)
        covariance = np.linalg.inv(hessian)
        x = covariance @ pull
        x[:4] = np.clip(x[:4], -5.0, 5.0)
    # Forecasts are for the model's own air: a piece played in a cold room is not flat for that.
    return Posterior(model, errors, x[:4], x[4:], covariance, len(trials))
