"""Head trials as pictures: one alone, or one beside another."""

import math

from fluewright.bench.voicing.trial import HeadTrial
from fluewright.instrument.model import Model
from fluewright.pictures.palette import Theme
from fluewright.pictures.voicing_trials import TrialLine, TrialMark, trial_picture
from fluewright.shop.head_hearing import notes_of_model
from fluewright.units import cents_above

__all__ = ["head_trial_picture"]


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
