"""Every way to raise one note, and what each does to the others."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.bench.calibration import Posterior
from fluewright.bench.features import Feature, features_of
from fluewright.errors import InputError
from fluewright.instrument.sizes import CutKind

__all__ = ["Way", "ways_to_raise"]


@dataclass(frozen=True)
class Way:
    """One way to raise a note: the step for it, and what it does to every note, cents, shape (fingerings,)."""

    feature: Feature
    step_mm: float
    cents: FloatArray
    reaches: bool


def ways_to_raise(
    posterior: Posterior, as_built: Mapping[str, float], fingering: int, cents: float, *, kinds: tuple[CutKind, ...]
) -> tuple[Way, ...]:
    """Return every cut that raises a note by some cents, those that disturb the other notes least first.

    Parameters
    ----------
    posterior : Posterior
    as_built : mapping
    fingering : int
    cents : float
        By how much, over 0.
    kinds : tuple of CutKind
        Of `features.KINDS`.

    Raises
    ------
    InputError
        `cents` is not over 0, or a kind does not exist.
    """
    if not 0.0 < cents <= 100.0:
        raise InputError(f"raise: {cents:g} cents are asked for; give 0 to 100 cents")
    pitch = posterior.pitch
    constants = posterior.parameters[:4]
    begun = pitch.cents(as_built, constants)
    found = []
    for feature in features_of(pitch, as_built, kinds=kinds):
        if feature.room_mm < feature.smallest_mm:
            continue
        low, high = 0.0, feature.room_mm
        change = pitch.cents({**as_built, feature.key: feature.after_mm(high)}, constants) - begun
        reaches = bool(change[fingering] >= cents)
        if change[fingering] < 0.3:
            continue
        while reaches and high - low > 1e-3:
            middle = 0.5 * (low + high)
            tried = pitch.cents({**as_built, feature.key: feature.after_mm(middle)}, constants) - begun
            low, high, change = (low, middle, tried) if tried[fingering] >= cents else (middle, high, change)
        found.append(Way(feature, high, change, reaches))

    def disturbs(way: Way) -> float:
        others = np.delete(way.cents, fingering)
        return float(np.abs(others).sum() / way.cents[fingering])

    return tuple(sorted(found, key=lambda w: (not w.reaches, disturbs(w))))
