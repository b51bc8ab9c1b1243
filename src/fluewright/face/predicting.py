"""How a model sounds before it is made: every note with its uncertainty, and what each size does to it."""

import math
from dataclasses import dataclass

from fluewright.acoustics.network import Network, Rules, build_network
from fluewright.acoustics.range_notes import RangeNote
from fluewright.acoustics.resonance import NotePrediction, Resonances, resonances
from fluewright.acoustics.uncertainty import SHOP_TOLERANCES, Prediction, ShopTolerances, prediction_of
from fluewright.errors import InputError
from fluewright.face.drawing import Picture, Pictured
from fluewright.face.picking import NotesByName
from fluewright.face.records import Plain, Record, Tabular, plain
from fluewright.instrument.model import Model
from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.curves import effect_bars
from fluewright.pictures.palette import Theme
from fluewright.shop.result_pictures import predicted_marks
from fluewright.units import signed

__all__ = ["PredictedNotes", "SizeEffects", "hole_of", "predict", "sensitivity"]

# Below this a bar of the picture is too short to be seen.
_LEAST_SHOWN_CENTS = 0.05


def hole_of(model: Model, index: int | None) -> str:
    """Return the name of a hole by its number from 0; None is the foot."""
    return "foot" if index is None else model.holes[index].name


@dataclass(frozen=True, repr=False, kw_only=True)
class PredictedNotes(Tabular, Pictured, NotesByName):
    """Every note of a model as a resonance, with how sure that is.

    Attributes
    ----------
    model : Model
    prediction : Prediction
        As `acoustics.uncertainty` returned it.
    """

    model: Model
    prediction: Prediction

    @property
    def notes(self) -> tuple[NotePrediction, ...]:
        """Every fingering, registers from below, notes from low to high."""
        return self.prediction.notes

    @property
    def out_of_range(self) -> tuple[RangeNote, ...]:
        """Formulas used beyond the range that they were derived or checked for."""
        return self.prediction.out_of_range

    @property
    def rms_cents(self) -> float:
        """Root mean square of the notes' cents."""
        return math.sqrt(sum(n.cents**2 for n in self.notes) / len(self.notes))

    @property
    def worst(self) -> NotePrediction:
        """The note that is furthest from its target."""
        return max(self.notes, key=lambda n: abs(n.cents))

    def records(self) -> list[Record]:
        """Return one dict a fingering: frequency, target, cents, two uncertainties (one sigma), governing hole.

        What the model may be off by and what the shop's tolerances do are kept apart: they are mended in different
        places.
        """
        return [
            {
                "note": n.note, "register": n.register, "fingering": n.fingering.text,
                "frequency_hz": n.frequency_hz, "target_hz": n.target_hz, "cents": n.cents,
                "from_model_cents": u.from_model_cents, "from_sizes_cents": u.from_dimensions_cents,
                "quality": plain(n.quality), "hole": hole_of(self.model, n.governing_hole),
            }
            for n, u in zip(self.notes, self.prediction.uncertainties, strict=True)
        ]  # fmt: skip

    def _headline(self) -> str:
        model, worst = self.model, self.worst
        beyond = f"; {len(self.out_of_range)} formulas beyond their range" if self.out_of_range else ""
        return (
            f"{model.model.name} at {model.conditions.temperature_c:g} degC, A4 = {model.target.a4_hz:g} Hz: "
            f"{len(self.notes)} fingerings, {self.rms_cents:.1f} cents rms, worst {worst.note} (register "
            f"{worst.register}) {signed(worst.cents)}{beyond}"
        )

    def picture(self, *, theme: Theme = "light") -> Picture:
        """Return the hanging chart: every note under the hole that governs it."""
        name = self.model.model.name
        chart = hanging_chart(self.model, predicted_marks(self.notes), title=name, theme=theme)
        return Picture(f"{name}: predicted notes", chart)


def predict(
    model: Model, *, tolerances: ShopTolerances = SHOP_TOLERANCES, wall_losses: bool = True, radiation: bool = True
) -> PredictedNotes:
    """Say what every note of a model will sound: the natural resonances, with their uncertainties.

    Parameters
    ----------
    model : Model
    tolerances : ShopTolerances
        How well the shop keeps its sizes; by default those of a small workshop.
    wall_losses : bool
        Friction and heat exchange at the walls of bore and holes.
    radiation : bool
        What the openings lose to the room.

    Raises
    ------
    ComputeError
        A fingering has no resonance.
    """
    network = build_network(model, rules=Rules(lossy=wall_losses, radiate=radiation))
    return PredictedNotes(model=model, prediction=prediction_of(network, tolerances=tolerances))


@dataclass(frozen=True, repr=False, kw_only=True)
class SizeEffects(Tabular, Pictured):
    """What one small step of every size does to every note: 0.1 mm, or one degree.

    Attributes
    ----------
    model : Model
    network : Network
        With the names of the sizes and the fingerings.
    solved : Resonances
        With sensitivities.
    """

    model: Model
    network: Network
    solved: Resonances

    def _rows(self) -> list[tuple[str, float, str, list[float]]]:
        """Return (key, step, unit, cents of every fingering) of every size."""
        effects = self.solved.by_dimension_cents
        steps = [(d, 0.1 if d.unit == "mm" else 1.0) for d in self.network.dimensions]
        return [(d.key, step, d.unit, (effects[:, j] * step).tolist()) for j, (d, step) in enumerate(steps)]

    def of(self, key: str) -> dict[str, float]:
        """Return what one step of a size does, cents by "note register"; of a note's main fingering.

        Raises
        ------
        InputError
            The model has no such size.
        """
        for found, _, _, cents in self._rows():
            if found == key:
                pairs = zip(self.network.fingerings, cents, strict=True)
                return {f"{f.note} {f.register}": c for f, c in pairs if f.alternative == 0}
        raise InputError(f"{key}: no such size; sizes(model) lists them", field="key")

    def records(self) -> list[Record]:
        """Return one dict for each pair of a size and a fingering: size, step, unit, note, register, cents."""
        found: list[Record] = []
        for key, step, unit, cents in self._rows():
            for f, c in zip(self.network.fingerings, cents, strict=True):
                row: dict[str, Plain] = {"size": key, "step": step, "unit": unit, "note": f.note}
                found.append({**row, "register": f.register, "fingering": f.text, "cents": c})
        return found

    def _headline(self) -> str:
        rows = self._rows()
        key, step, unit, cents = max(rows, key=lambda row: max(map(abs, row[3])))
        most = max(cents, key=abs)
        return (
            f"{self.model.model.name}: {len(rows)} sizes on {len(self.network.fingerings)} fingerings; most: {key}, "
            f"{signed(most)} cents for {step:g} {unit}"
        )

    def picture(self, *, theme: Theme = "light") -> Picture:
        """Return one row of bars for every size that matters: cents of every fingering for one step."""
        shown = [(key, cents) for key, _, _, cents in self._rows() if max(map(abs, cents)) > _LEAST_SHOWN_CENTS]
        notes = [f"{f.note} {f.register}" for f in self.network.fingerings]
        title = f"{self.model.model.name}: cents per 0.1 mm (angles: per degree)"
        return Picture(
            title, effect_bars([k for k, _ in shown], [c for _, c in shown], notes, title=title, theme=theme)
        )


def sensitivity(model: Model) -> SizeEffects:
    """Say what 0.1 mm (or one degree) of every size does to every note.

    Raises
    ------
    ComputeError
        A fingering has no resonance.
    """
    network = build_network(model)
    return SizeEffects(model=model, network=network, solved=resonances(network, sensitivities=True))
