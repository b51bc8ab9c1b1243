"""What cuts that were made should do: every note with its band, and the chance that one ends too sharp."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.bench.calibration import Posterior
from fluewright.bench.features import KINDS, features_of
from fluewright.bench.planner import Planner
from fluewright.bench.policy import CutPolicy

__all__ = ["CutForecast", "forecast_of_cuts"]


@dataclass(frozen=True, eq=False)
class CutForecast:
    """Every fingering after the cuts.

    Attributes
    ----------
    cents, sigma : array, shape (fingerings,)
        In the design's air and breath.
    overshoot : float
        Chance that a first-register note which the cuts raise ends beyond its tolerance.
    """

    cents: FloatArray
    sigma: FloatArray
    overshoot: float


def forecast_of_cuts(
    posterior: Posterior, before: Mapping[str, float], after: Mapping[str, float], *, policy: CutPolicy | None = None
) -> CutForecast:
    """Return what the cuts between two sets of sizes should do.

    Parameters
    ----------
    posterior : Posterior
        Of all trials up to the cuts.
    before, after : mapping
        Sizes when it was last played, and as they are gauged now, mm by key.
    policy : CutPolicy, optional

    Raises
    ------
    ComputeError
        A note has no resonance with these sizes.
    """
    planner = Planner(posterior, before, policy or CutPolicy())
    places = features_of(planner.pitch, before, kinds=KINDS)
    steps = np.array([f.direction * (planner.pitch.size(f.key, after) - f.before_mm) for f in places])
    cut = [f for f, step in zip(places, steps, strict=True) if step > 0.0]
    told = {f.key for f in cut}
    # What no kind of cut explains (a size gauged anew, a place) is part of the sizes, without an error of its own.
    rest = {key: size for key, size in after.items() if key not in told}
    planner = Planner(posterior, {**before, **rest}, planner.policy)
    mean, covariance, _ = planner.after(cut, steps[steps > 0.0], gauged=True)
    return CutForecast(mean, np.sqrt(np.diag(covariance)), planner.chance(mean, covariance))
