"""Heads as pictures: the jet of the section, head trials alone or one beside another."""

import math

from fluewright.acoustics.jet import breath_air
from fluewright.acoustics.jet_shape import jet_shape
from fluewright.acoustics.network import air_of
from fluewright.bench.voicing.trial import HeadTrial
from fluewright.errors import ComputeError, InputError
from fluewright.instrument.breath import breath_pressure_pa
from fluewright.instrument.model import Model
from fluewright.instrument.temperament import target_frequency_hz
from fluewright.pictures.palette import Theme
from fluewright.pictures.section import JetDrawn
from fluewright.pictures.voicing_trials import TrialLine, TrialMark, trial_picture
from fluewright.shop.head_hearing import notes_of_model
from fluewright.units import cents_above

__all__ = ["head_trial_picture", "lowest_jet"]


def lowest_jet(model: Model) -> JetDrawn | None:
    """Return the jet on the lowest note's planned breath, its wave drawn by half a width; None where none forms."""
    lowest = model.model.lowest_note
    pressure = breath_pressure_pa(model.target, lowest, lowest)
    try:
        shape = jet_shape(
            model.head, pressure, *breath_air(model, air_of(model)),
            frequency_hz=target_frequency_hz(model.target, lowest, lowest),
        )  # fmt: skip
        return JetDrawn(
            shape.x_mm.tolist(), shape.centre_mm.tolist(), shape.half_width_mm.tolist(),
            (shape.swing_mm(0.0).tolist(), shape.swing_mm(0.5).tolist()),
            f"{lowest} at {pressure:.0f} Pa: {shape.speed_m_s[0]:.0f} m/s, its swing enlarged",
        )  # fmt: skip
    except (InputError, ComputeError):
        return None


def head_trial_picture(
    model: Model, trial: HeadTrial, other: HeadTrial | None = None, *, beside: str = "", theme: Theme = "light"
) -> str:
    """Return the SVG of a trial, or of two in one picture.

    Parameters
    ----------
    model : Model
    trial, other : HeadTrial
        `other` is drawn hollow and dashed.
    beside : str
        What the title calls the other.
    theme : Theme

    Raises
    ------
    InputError
        Neither holds a reading.
    """
    planned = notes_of_model(model)
    lines, marks = [], []
    for one in [trial] if other is None else [other, trial]:
        new = one is trial
        targets = planned.in_air(one.temperature_c, model).targets_hz
        for note in one.notes:
            target = targets.get((note.note, note.register), math.nan)
            curve = [(p, cents_above(f, target)) for p, f in note.curve]
            lines.append(TrialLine(note.note, note.register, curve, new))
            marks += [
                TrialMark(note.note, note.register, key, r.value, r.sigma, new) for key, r in note.readings.items()
            ]
    title = f"{model.model.name}: head trial" + (f" {trial.head}" if trial.head else "")
    if other is not None:
        title += f", beside {beside}"
    return trial_picture(lines, marks, title=title, theme=theme)
