"""Sizes that meet the target: a model fitted within its limits, and how near every note comes."""

from dataclasses import dataclass

import numpy as np

from fluewright.acoustics.network import build_network
from fluewright.acoustics.range_notes import RangeNote
from fluewright.acoustics.ranges import out_of_range
from fluewright.design.fit import FitResult, fit_blown_model, fit_model
from fluewright.face.drawing import Picture, Pictured
from fluewright.face.records import Record, RecordTable, Tabular
from fluewright.instrument.changes import with_target
from fluewright.instrument.fingering import fingerings_of, governing_hole
from fluewright.instrument.model import Model
from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.palette import Theme
from fluewright.pictures.results import NoteMark
from fluewright.units import signed

__all__ = ["FittedModel", "fit"]


@dataclass(frozen=True, repr=False, kw_only=True)
class FittedModel(Tabular, Pictured):
    """A model whose sizes were fitted to its target.

    Attributes
    ----------
    result : FitResult
        As `design.fit` returned it.
    blown : bool
        Whether the pitch at the planned breath was fitted, or the resonance.
    """

    result: FitResult
    blown: bool

    @property
    def model(self) -> Model:
        """The model with the fitted sizes."""
        return self.result.model

    @property
    def rms_cents(self) -> float:
        """Root mean square of what is left, over all fingerings."""
        return self.result.rms_cents

    @property
    def worst_cents(self) -> float:
        """What is left of the note that is furthest from its target."""
        return self.result.worst_cents

    @property
    def broken_rules(self) -> tuple[str, ...]:
        """Rules of reach and of the wall between holes that could not be kept."""
        return self.result.broken_rules

    @property
    def out_of_range(self) -> tuple[RangeNote, ...]:
        """Formulas used beyond the range that they were derived or checked for."""
        network = build_network(self.model)
        return out_of_range(network, network.targets_hz)

    def notes(self) -> RecordTable:
        """Return how far every fingering is from its target, cents."""
        pairs = zip(fingerings_of(self.model), self.result.cents.tolist(), strict=True)
        return RecordTable(
            f"{self.model.model.name}: fitted notes",
            tuple({"note": f.note, "register": f.register, "fingering": f.text, "cents": c} for f, c in pairs),
        )

    def records(self) -> list[Record]:
        """Return one dict a size that was changed: key, before and after in mm, whether it stands at a limit."""
        return [
            {"size": key, "before_mm": before, "after_mm": after, "at_limit": key in self.result.at_limit}
            for key, before, after in self.result.changed
        ]

    def _headline(self) -> str:
        broken = f"; could not be kept: {', '.join(self.broken_rules)}" if self.broken_rules else ""
        how = "at the planned breath" if self.blown else "by resonance"
        return (
            f"{self.model.model.name} fitted {how}: {len(self.result.changed)} sizes changed, {self.rms_cents:.1f} "
            f"cents rms, worst {signed(self.worst_cents)}{broken}"
        )

    def picture(self, *, theme: Theme = "light") -> Picture:
        """Return the hanging chart of the fitted model, with what is left of every note."""
        marks = [
            NoteMark(f.note, f.register, float(cents), 0.0, "predicted", governing_hole(f))
            for f, cents in zip(fingerings_of(self.model), self.result.cents, strict=True)
            if f.alternative == 0 and np.isfinite(cents)
        ]
        title = f"{self.model.model.name}: fitted"
        return Picture(title, hanging_chart(self.model, marks, title=title, theme=theme))


def fit(
    model: Model, *, blown: bool = True, a4_hz: float | None = None, temperature_c: float | None = None,
    snap_drills: bool = True,
) -> FittedModel:  # fmt: skip
    """Fit hole positions, diameters and length to the target in all registers, within the model's limits.

    Parameters
    ----------
    model : Model
    blown : bool
        Aim the pitch at the model's planned breath; else the natural resonance.
    a4_hz, temperature_c : float, optional
        Tuning standard, and air in the bore; by default the model's.
    snap_drills : bool
        Bring diameters to the nearest drill of the model's shelf.

    Raises
    ------
    ModelError
        Nothing is free to move, or tuning standard or temperature lie outside what a model may have.
    InputError
        The head cannot sound.
    ComputeError
        A note has no resonance on the way.
    """
    wanted = with_target(model, a4_hz=a4_hz, temperature_c=temperature_c)
    fitted = fit_blown_model if blown else fit_model
    return FittedModel(result=fitted(wanted, snap_drills=snap_drills), blown=blown)
