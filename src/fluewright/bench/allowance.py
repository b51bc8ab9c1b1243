"""How much to leave standing on a new piece, so that no note starts sharp whatever the model did not know."""

from collections.abc import Mapping

import numpy as np

from fluewright.bench.calibration import Posterior, calibrate
from fluewright.errors import ComputeError
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.model import Model

__all__ = ["starting_sizes"]


def starting_sizes(
    model: Model,
    *,
    sigmas: float = 2.5,
    size_step_mm: float = 0.05,
    posterior: Posterior | None = None,
    gauged: Mapping[str, float] | None = None,
) -> Mapping[str, float]:
    """Return hole diameters and length (mm by key) for the first play: undersize holes, a body left long.

    From the foot upward each feature is moved against the direction of cutting until its first-register note is
    expected `sigmas` standard errors (of the model and of the sizes as they are made) below its target. Holes are not
    made smaller than half their design diameter.

    Parameters
    ----------
    model : Model
        The fitted design.
    sigmas : float
        Safety, in standard errors.
    size_step_mm : float
        Sizes are moved in steps of this.
    posterior : Posterior, optional
        What is already known of this model, without a trial of this piece; by default what is stated.
    gauged : mapping, optional
        Sizes of head and bore that were measured before the holes are drilled, mm by key.
    """
    made = dict(gauged or {})
    posterior = posterior or calibrate(model, [], gauged=made)
    fingerings = posterior.fingerings
    sizes: dict[str, float] = {}
    for hole_index in [None, *range(len(model.holes) - 1, -1, -1)]:
        governed = [i for i, f in enumerate(fingerings) if f.register == 1 and governing_hole(f) == hole_index]
        if not governed:
            continue
        if hole_index is None:
            key, design, sign, most = "length_mm", model.length_mm, 1.0, 0.08 * model.length_mm
        else:
            hole = model.holes[hole_index]
            key, design, sign, most = (
                f"holes.{hole.name}.diameter_mm", hole.diameter_mm, -1.0, 0.5 * hole.diameter_mm,
            )  # fmt: skip

        lost: set[int] = set()

        def too_sharp(
            steps: int,
            key: str = key,
            design: float = design,
            sign: float = sign,
            governed: list[int] = governed,
            lost: set[int] = lost,
        ) -> bool:
            sizes[key] = round(design + sign * steps * size_step_mm, 6)
            try:
                mean, covariance = posterior.forecast({**made, **sizes})
            except ComputeError:
                # A note is lost with a hole this small: as if far enough, the search then stops short of it.
                lost.add(steps)
                return False
            sigma = np.sqrt(np.diag(covariance)[governed])
            return bool((mean[governed] + sigmas * sigma > 0.0).any())

        # Outward from the design by doubling: at half their size some holes would leave the octave no resonance.
        limit = int(most / size_step_mm)
        low, high = 0, min(4, limit)
        while too_sharp(high) and high < limit:
            low, high = high, min(2 * high, limit)
        if high == limit and too_sharp(high):
            continue
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if too_sharp(middle) else (low, middle)
        too_sharp(low if high in lost else high)
    return sizes
