"""Two versions of a model side by side: one drawing to one scale, their notes on one axis."""

from typing import Any

import numpy as np

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import CENTS_PER_RELATIVE, resonances, targets_hz
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.model import Model
from fluewright.pictures.comparison import comparison_picture
from fluewright.pictures.palette import Theme
from fluewright.pictures.results import NoteMark

__all__ = ["compared", "predicted_marks"]


def predicted_marks(made: Model) -> list[NoteMark]:
    """Return every main note's predicted place, cents from its target."""
    network = build_network(made)
    cents = CENTS_PER_RELATIVE * np.log(resonances(network).frequencies_hz / targets_hz(network))
    return [
        NoteMark(f.note, f.register, float(c), 0.0, "predicted", governing_hole(f))
        for f, c in zip(network.fingerings, cents, strict=True) if f.alternative == 0
    ]  # fmt: skip


def compared(old: Model, new: Model, names: tuple[str, str], theme: Theme) -> dict[str, Any]:
    """Return the picture of two versions, and each one's rms in cents."""
    one, two = predicted_marks(old), predicted_marks(new)
    return {
        "picture": comparison_picture(old, new, one, two, names=names, theme=theme),
        "rms": [round(float(np.sqrt(np.mean([m.cents**2 for m in marks]))), 2) for marks in (one, two)],
    }
