"""A virtual instrument whose true sizes and physics are hidden from the bench.

Invented data of the demo. The truth uses other published formulas than the bench's model where there is a choice
and draws everything else from the seed; the bench sees only gauge readings and recordings.
"""

from collections.abc import Mapping

import numpy as np

from fluewright.acoustics.network import Corrections, Rules, build_network, named_dimensions
from fluewright.acoustics.resonance import resonances
from fluewright.air import moist_air
from fluewright.arrays import FloatArray
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import LENGTH, hole_key, with_sizes
from fluewright.units import shifted

__all__ = ["VirtualPiece"]


class VirtualPiece:
    """One made piece: can be gauged, cut and blown, and tells nothing else.

    Parameters
    ----------
    model : Model
        The design it was made to.
    nominal : mapping
        Sizes aimed at, mm by key, where they differ from the design.
    rng : numpy Generator
        Source of all hidden errors.
    """

    def __init__(self, model: Model, nominal: Mapping[str, float], rng: np.random.Generator) -> None:
        self._rng = rng
        self._model = model
        hidden: dict[str, float] = {"head.window_length_mm": model.head.window_length_mm + 0.07 * rng.standard_normal()}
        for i, (_, diameter) in enumerate(model.bore.stations_mm):
            hidden[f"bore.stations_mm.{i + 1}.diameter"] = diameter + 0.03 * rng.standard_normal()
        for hole in model.holes:
            hidden[hole_key(hole.name, "position_mm")] = hole.position_mm + 0.12 * rng.standard_normal()
        self._hidden = hidden
        self._true = {
            key: value + (0.10 if key == LENGTH else 0.03) * rng.standard_normal() for key, value in nominal.items()
        }
        # Sizes that are cut later begin as the design has them.
        for dimension in named_dimensions(model):
            if dimension.key not in hidden:
                self._true.setdefault(dimension.key, dimension.value)
        self._corrections = Corrections(
            window_scale=1.0 + float(np.clip(0.035 * rng.standard_normal(), -0.08, 0.08)),
            hole_scale=1.0 + 0.05 * float(rng.standard_normal()),
            loss_scale=float(rng.uniform(0.9, 1.3)),
        )
        self._air = moist_air(
            model.conditions.temperature_c + 0.7 * float(rng.standard_normal()),
            relative_humidity=float(rng.uniform(0.5, 0.95)),
        )
        fingerings = build_network(model).fingerings
        upper = np.array([f.register > 1 for f in fingerings])
        openness = np.array([sum(h == 1 for h in f.holes) / max(len(f.holes), 1) for f in fingerings])
        # What no chain of holes knows: coupling of open holes, the jet's pull, the player's lips.
        self._pull_cents = -openness * np.where(upper, 7.0, 3.5) + np.where(upper, 4.0, 2.0) * rng.standard_normal(
            len(fingerings)
        )

    def gauge(self, keys: tuple[str, ...]) -> dict[str, float]:
        """Return gauge readings, mm by key."""
        return {key: round(self._true[key] + 0.015 * float(self._rng.standard_normal()), 2) for key in keys}

    def cut(self, key: str, change_mm: float) -> None:
        """Remove material: the hand takes a little more or less than asked, never a negative amount."""
        done = change_mm * (1.0 + 0.05 * self._rng.standard_normal()) + 0.02 * self._rng.standard_normal()
        self._true[key] += max(done, 0.0) if change_mm > 0 else min(done, 0.0)

    def true_frequencies_hz(self) -> FloatArray:
        """Return what every fingering really gives; for judging the bench, never for its use."""
        made = with_sizes(self._model, {**self._hidden, **self._true})
        network = build_network(made, air=self._air, corrections=self._corrections, rules=Rules(hole_rule="dubos"))
        found: FloatArray = shifted(resonances(network).frequencies_hz, self._pull_cents)
        return found

    def blown_hz(self) -> FloatArray:
        """Return the frequencies of one time of playing: the truth and the breath's unevenness (1.5 cents)."""
        spread = 1.5 * self._rng.standard_normal(self._pull_cents.size)
        blown: FloatArray = shifted(self.true_frequencies_hz(), spread)
        return blown
