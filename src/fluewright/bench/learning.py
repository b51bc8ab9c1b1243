"""What the pieces of one model teach the next: the model's own errors narrow, the shop's spreads are learned.

Hierarchical Gaussian Bayes (Gelman et al., Bayesian Data Analysis, chapter on hierarchical models; from memory): piece
k has the parameters x_k = m + d_k, d_k from piece to piece with the covariance of `Prior.of_piece`, and its notes are
y_k = J_k x_k + e. Seen from the model, d_k is one more noise: y_k ~ N(J_k m, J_k D J_k' + R). Pieces are taken one
after the other (Kalman); the product of their predictive densities is the exact likelihood of everything for given
spreads, and the factors on the spreads (`Scales`) are those that make it largest, with a weak belief that what was
stated is right within a third.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.bench.calibration import Evidence, PlayedTrial, calibrate
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.prior import STATED_BELIEFS, Beliefs, Prior, Scales, stated_prior
from fluewright.instrument.model import Model

__all__ = ["Taught", "learn"]


# A third, in logarithms: how far the stated spreads may be off before the pieces have spoken.
_BELIEF_IN_SCALES = 0.35


@dataclass(frozen=True)
class Taught:
    """What a shop knows of one model: the prior of its next piece and what it was learned from.

    Attributes
    ----------
    prior : Prior
    evidence : tuple of Evidence
        One a finished or begun piece, slips left out.
    """

    prior: Prior
    evidence: tuple[Evidence, ...] = ()

    @classmethod
    def new(cls, model: Model | PitchModel, beliefs: Beliefs = STATED_BELIEFS) -> "Taught":
        """Return the shop that has never made the model."""
        pitch = model if isinstance(model, PitchModel) else PitchModel.of(model)
        return cls(stated_prior(pitch, beliefs))

    def with_piece(self, evidence: Evidence, *, fit_scales: bool | None = None) -> "Taught":
        """Return the shop after one more piece; the spreads are fitted anew at 2, 3, 4, 6, 8, 12, 16 ... pieces."""
        pieces = (*self.evidence, evidence)
        n = len(pieces)
        due = n >= 2 and (n & (n - 1) == 0 or (n % 3 == 0 and (n // 3) & (n // 3 - 1) == 0))
        return _learned(self.prior, pieces, fit_scales if fit_scales is not None else due)


def _through(prior: Prior, pieces: Sequence[Evidence], scales: Scales) -> tuple[FloatArray, FloatArray, float]:
    """Return (mean, covariance) of the model after all pieces, and the logarithm of their likelihood."""
    start = replace(prior, scales=scales)
    mean, covariance = prior.stated_mean, prior.stated
    total = 0.0
    for piece in pieces:
        spread = piece.jacobian @ covariance
        whole = piece.covariance(covariance + start.of_piece(piece.size_patterns), scales)
        rest = piece.y - piece.jacobian @ mean
        pulled, gain = whole.solve(rest), whole.solve(spread).T
        total -= 0.5 * (float(rest @ pulled) + whole.log_determinant())
        mean = mean + gain @ rest
        covariance = covariance - gain @ spread
    return mean, 0.5 * (covariance + covariance.T), total


def _learned(prior: Prior, pieces: Sequence[Evidence], fit_scales: bool) -> Taught:
    scales = prior.scales
    if fit_scales:
        from scipy.optimize import minimize

        def cost(logs: FloatArray) -> float:
            tried = Scales(*(math.exp(v) for v in np.clip(logs, -3.0, 3.0)))
            return -_through(prior, pieces, tried)[2] + 0.5 * float((logs**2).sum()) / _BELIEF_IN_SCALES**2

        begin = np.log(list(vars(scales).values()))
        found = minimize(
            cost, begin, method="L-BFGS-B", bounds=begin.size * [(-2.0, 2.0)], options={"maxiter": 25, "ftol": 1e-6}
        )
        scales = Scales(*(float(math.exp(v)) for v in found.x))
    mean, covariance, _ = _through(prior, pieces, scales)
    return Taught(replace(prior, mean=mean, of_model=covariance, scales=scales, pieces=len(pieces)), tuple(pieces))


def learn(
    model: Model | PitchModel, pieces: Sequence[Sequence[PlayedTrial]], *, beliefs: Beliefs = STATED_BELIEFS
) -> Taught:
    """Return what a shop knows of a model after the trials of some pieces.

    Slips are found piece by piece with what the earlier ones taught. The order of the pieces matters for that only.

    Raises
    ------
    InputError
        As `calibrate`.
    """
    pitch = model if isinstance(model, PitchModel) else PitchModel.of(model)
    shop = Taught.new(pitch, beliefs)
    for trials in pieces:
        posterior = calibrate(pitch, trials, prior=shop.prior)
        if posterior.evidence.y.size:
            shop = shop.with_piece(posterior.evidence)
    if len(shop.evidence) >= 2:
        shop = _learned(shop.prior, shop.evidence, True)
    return shop
