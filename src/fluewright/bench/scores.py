"""How good the forecasts were: how often the stated bands held, and by how much the middle was off.

A forecast that says "within 3 cents, nine times in ten" is good when it holds nine times in ten; and then the narrower
the better (Gneiting, Balabdaoui & Raftery 2007, Probabilistic forecasts, calibration and sharpness; from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.units import signed

__all__ = ["BANDS", "ScoredForecast", "Scores", "score"]


BANDS = (0.5, 0.8, 0.9, 0.95)
"""Central bands that are judged."""

# Fewer outcomes than this say nothing yet.
_LEAST = 20


@dataclass(frozen=True)
class ScoredForecast:
    """One note that was forecast and then heard; cents.

    `sigma` is of the forecast, `outcome_sigma` of the hearing: one playing's blowing, temperature and breath.
    """

    what: str
    mean: float
    sigma: float
    outcome: float
    outcome_sigma: float

    @property
    def standard_errors(self) -> float:
        """Return how far the outcome lies from the forecast, in both uncertainties together."""
        return (self.outcome - self.mean) / max(math.hypot(self.sigma, self.outcome_sigma), 1e-9)


@dataclass(frozen=True)
class Scores:
    """What many forecasts were worth.

    Attributes
    ----------
    count : int
    held : tuple of float
        Share of the outcomes inside each band of `BANDS`.
    held_sigma : tuple of float
        Standard error of that share, every outcome counted by itself; notes of one trial move together, so that it is
        a lower limit.
    mean_cents, rms_cents : float
        Mean error (outcome less forecast) and its root mean square.
    mean_sigma_cents : float
        Root mean square of the stated uncertainty of an outcome: `rms_cents` of honest forecasts.
    levels, observed : array, shape (levels,)
        Calibration curve: of the outcomes, `observed[i]` lie under the forecasts' quantile `levels[i]`.
    verdict : str
        In words.
    """

    count: int
    held: tuple[float, ...]
    held_sigma: tuple[float, ...]
    mean_cents: float
    rms_cents: float
    mean_sigma_cents: float
    levels: FloatArray
    observed: FloatArray
    verdict: str


def score(forecasts: Sequence[ScoredForecast]) -> Scores:
    """Return what forecasts were worth; NaN where there is none."""
    from scipy.special import ndtr, ndtri

    n = len(forecasts)
    z = np.array([f.standard_errors for f in forecasts])
    error = np.array([f.outcome - f.mean for f in forecasts])
    stated = np.array([math.hypot(f.sigma, f.outcome_sigma) for f in forecasts])
    levels = np.linspace(0.05, 0.95, 19)
    if n == 0:
        nothing = tuple(math.nan for _ in BANDS)
        return Scores(
            0, nothing, nothing, math.nan, math.nan, math.nan, levels, np.full(levels.size, math.nan),
            "no forecast has met its outcome yet",
        )  # fmt: skip
    held = tuple(float(np.mean(np.abs(z) <= ndtri(0.5 + 0.5 * band))) for band in BANDS)
    wobble = tuple(math.sqrt(band * (1.0 - band) / n) for band in BANDS)
    observed = np.array([np.mean(ndtr(z) <= level) for level in levels])
    return Scores(
        n, held, wobble, float(error.mean()), float(np.sqrt(np.mean(error**2))), float(np.sqrt(np.mean(stated**2))),
        levels, observed, _verdict(n, held[2], float(error.mean()), float(error.std()) / math.sqrt(n)),
    )  # fmt: skip


def _verdict(n: int, nine_tenths: float, mean: float, mean_sigma: float) -> str:
    if n < _LEAST:
        return f"{n} outcomes: too few to judge, {_LEAST} are the least"
    # Notes of one trial share its temperature and breath: a seventh of them counts as independent.
    wobble = math.sqrt(0.9 * 0.1 / (n / 7.0))
    if nine_tenths < 0.9 - 2.0 * wobble:
        says = "the bands are too narrow: cut less than advised"
    elif nine_tenths > 0.9 + 2.0 * wobble:
        says = "the bands are wider than need be: the advice is more careful than it has to be"
    else:
        says = "the bands hold"
    if abs(mean) > 3.0 * max(mean_sigma, 0.3):
        says += f"; notes come out {signed(mean)} cents from the forecast on average"
    return f"{says} (90 % band held {100 * nine_tenths:.0f} % of {n} times)"
