"""How much to leave standing on a new piece, so that no note starts sharp whatever the model did not know."""

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.bench.calibration import Posterior, calibrate
from fluewright.bench.pitch_model import SHARED
from fluewright.errors import ComputeError
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import LENGTH, hole_key

__all__ = ["starting_sizes"]

_SIGMAS, _SIGMAS_AT_FIRST = 2.5, 3.0


def _first_register_alone(posterior: Posterior) -> Callable[[Mapping[str, float]], tuple[FloatArray, FloatArray]]:
    """Return a forecast (cents, their standard errors) that solves nothing but the notes of register 1.

    Entries of the higher registers are NaN: with the lower holes small and those above still at their design size, a
    high note may have no resonance, though it has one again when all holes are small.
    """
    pitch = posterior.pitch
    rows = np.flatnonzero(pitch.first_register)
    network = replace(
        pitch.network, fingerings=tuple(pitch.fingerings[i] for i in rows), states=pitch.network.states[rows],
        modes=pitch.network.modes[rows],
    )  # fmt: skip
    alone = replace(pitch, network=network, jet_cents=pitch.jet_cents[rows], pull_cents=pitch.pull_cents[rows])
    keep = np.concatenate([np.arange(len(SHARED)), len(SHARED) + rows])
    parameters, covariance = posterior.parameters[keep], posterior.covariance[np.ix_(keep, keep)]

    def forecast(sizes: Mapping[str, float]) -> tuple[FloatArray, FloatArray]:
        mean, sigma = (np.full(len(pitch.fingerings), np.nan) for _ in range(2))
        mean[rows], jacobian = alone.linear(sizes, parameters)
        sigma[rows] = np.sqrt(np.diag(jacobian @ covariance @ jacobian.T))
        return mean, sigma

    return forecast


def starting_sizes(
    model: Model,
    *,
    sigmas: float | None = None,
    size_step_mm: float = 0.05,
    posterior: Posterior | None = None,
    gauged: Mapping[str, float] | None = None,
) -> Mapping[str, float]:
    """Return hole diameters and length (mm by key) for the first play: undersize holes, a body left long.

    From the foot upward each feature is moved against the direction of cutting until its first-register note is
    expected `sigmas` standard errors (of the model and of the sizes as they are made) below its target. Holes are not
    made smaller than half their design diameter. The higher registers have no say.

    Parameters
    ----------
    model : Model
        The fitted design.
    sigmas : float, optional
        Safety, in standard errors; by default 2.5, and 3 for the first piece of a model, which nothing has taught yet.
    size_step_mm : float
        Sizes are moved in steps of this.
    posterior : Posterior, optional
        What is already known of this model, without a trial of this piece; by default what is stated.
    gauged : mapping, optional
        Sizes of head and bore that were measured before the holes are drilled, mm by key.
    """
    made = dict(gauged or {})
    posterior = posterior or calibrate(model, [], gauged=made)
    if sigmas is None:
        sigmas = _SIGMAS if posterior.prior.pieces else _SIGMAS_AT_FIRST
    fingerings, forecast = posterior.fingerings, _first_register_alone(posterior)
    sizes: dict[str, float] = {}
    for hole_index in [None, *range(len(model.holes) - 1, -1, -1)]:
        governed = [i for i, f in enumerate(fingerings) if f.register == 1 and governing_hole(f) == hole_index]
        if not governed:
            continue
        if hole_index is None:
            key, design, sign, most = LENGTH, model.length_mm, 1.0, 0.08 * model.length_mm
        else:
            hole = model.holes[hole_index]
            key, design, sign, most = (
                hole_key(hole.name), hole.diameter_mm, -1.0, 0.5 * hole.diameter_mm,
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
                mean, sigma = forecast({**made, **sizes})
            except ComputeError:
                # The note itself is lost with a hole this small: as if far enough, the search then stops short of it.
                lost.add(steps)
                return False
            return bool((mean[governed] + sigmas * sigma[governed] > 0.0).any())

        # Outward from the design by doubling: what is found lies near it, and far out a note may be lost.
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
