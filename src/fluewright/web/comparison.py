"""Two versions of a model side by side: one drawing to one scale, their notes on one axis."""

import math
from typing import Any

import numpy as np

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances, targets_hz
from fluewright.acoustics.sounding import blow
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.model import Model
from fluewright.pictures.comparison import comparison_picture
from fluewright.pictures.palette import Theme
from fluewright.pictures.results import NoteMark
from fluewright.units import CENTS_PER_RELATIVE

__all__ = ["compared"]


def _resonant(made: Model) -> list[NoteMark]:
    """Return every main note's resonance, cents from its target."""
    network = build_network(made)
    cents = CENTS_PER_RELATIVE * np.log(resonances(network).frequencies_hz / targets_hz(network))
    return [
        NoteMark(f.note, f.register, float(c), 0.0, "predicted", governing_hole(f))
        for f, c in zip(network.fingerings, cents, strict=True) if f.alternative == 0
    ]  # fmt: skip


def _blown(made: Model) -> list[NoteMark]:
    """Return every main note's pitch at its planned breath; nothing where the head cannot sound."""
    found = blow(build_network(made))
    if found.reasons:
        return []
    return [
        NoteMark(n.note, n.register, n.planned_cents, 0.0, "predicted", governing_hole(n.fingering))
        for n in found.notes if n.fingering.alternative == 0 and math.isfinite(n.planned_cents)
    ]  # fmt: skip


def compared(old: Model, new: Model, names: tuple[str, str], theme: Theme, *, blown: bool) -> dict[str, Any]:
    """Return the picture of two versions, each one's rms in cents, and whether the pitches are the blown ones.

    Parameters
    ----------
    old, new : Model
    names : (str, str)
    theme : Theme
    blown : bool
        Judge the pitch at the planned breath; where a head cannot sound the resonances are taken.
    """
    marks = [_blown(old), _blown(new)] if blown else [[], []]
    as_blown = all(marks)
    if not as_blown:
        marks = [_resonant(old), _resonant(new)]
    return {
        "picture": comparison_picture(old, new, marks[0], marks[1], names=names, theme=theme),
        "rms": [round(float(np.sqrt(np.mean([m.cents**2 for m in one]))), 2) for one in marks],
        "blown": as_blown,
    }
