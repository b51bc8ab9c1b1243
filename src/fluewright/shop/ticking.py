"""Which note of a piece it is that sounds now, and whether a playing of it counts."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

from fluewright.arrays import FloatArray
from fluewright.bench.repeats import of_repeats
from fluewright.bench.session import Heard, air_cents
from fluewright.shop.conditions import TrialConditions
from fluewright.shop.sitting import Sitting
from fluewright.units import CENTS_PER_RELATIVE, cents_above, shifted

__all__ = ["PlayedNote", "Ticking"]

# A note counts as played well when it lasted this long and its pitch is this sure.
_LEAST_S, _MOST_CENTS = 0.25, 3.0
# Further than this from every note of the piece it is none of them.
_WIDEST_CENTS = 90.0


class PlayedNote(Heard, Protocol):
    """What ticking needs of a heard note: its pitch, as the bench does, and when it sounds."""

    @property
    def onset_s(self) -> float:
        """When it begins."""

    @property
    def offset_s(self) -> float:
        """When it ends."""


@dataclass(frozen=True, eq=False)
class Ticking:
    """The notes that a piece should sound, in the air of the trial.

    Attributes
    ----------
    sitting : Sitting
    conditions : TrialConditions
    """

    sitting: Sitting
    conditions: TrialConditions

    @cached_property
    def expected_hz(self) -> FloatArray:
        """Return what every fingering should give in the design's air, shape (fingerings,)."""
        return shifted(self.sitting.pitch.network.targets_hz, self.sitting.expected_cents)

    @cached_property
    def warm_cents(self) -> float:
        """Return how sharp the air of this trial makes every note against the design's."""
        return air_cents(self.sitting.model, self.conditions.temperature_c)

    def nearest(self, frequency_hz: float) -> tuple[int, float] | None:
        """Return (fingering, cents from its target) of a pitch that sounds; None where it is none of the notes."""
        pitch = self.sitting.pitch
        gap = cents_above(frequency_hz, self.expected_hz) - self.warm_cents
        main = [i for i, f in enumerate(pitch.fingerings) if f.alternative == 0]
        best = min(main, key=lambda i: abs(gap[i]))
        if abs(gap[best]) > _WIDEST_CENTS:
            return None
        return best, cents_above(frequency_hz, float(pitch.network.targets_hz[best])) - self.warm_cents

    def counts(self, note: PlayedNote) -> int | None:
        """Return the fingering that a heard note ticks; None where it is too short, unsteady, or none of the notes."""
        hz, sigma = note.frequency_hz, note.frequency_uncertainty_hz
        if note.offset_s - note.onset_s < _LEAST_S or CENTS_PER_RELATIVE * sigma / hz > _MOST_CENTS:
            return None
        found = self.nearest(hz)
        return None if found is None else found[0]

    def cents(self, fingering: int, playings: Sequence[tuple[float, float]]) -> float | None:
        """Return how far a note stands from its target in the design's air, of (Hz, sigma in Hz) of its playings."""
        if not playings:
            return None
        hz, _, _ = of_repeats([f for f, _ in playings], [s for _, s in playings])
        return cents_above(hz, float(self.sitting.pitch.network.targets_hz[fingering])) - self.warm_cents
