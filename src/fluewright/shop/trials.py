"""Trials as the ledger keeps them, turned into what the bench computes with."""

from collections.abc import Iterable
from typing import Any

from fluewright.air import moist_air
from fluewright.bench.calibration import PlayedTrial
from fluewright.instrument.breath import breath_pressure_pa
from fluewright.instrument.fingering import Fingering
from fluewright.instrument.model import Model
from fluewright.ledger import Trial

__all__ = ["note_index", "played_trial", "played_trials"]


def note_index(fingerings: tuple[Fingering, ...]) -> dict[tuple[str, int], int]:
    """Return the main fingering of every (note, register)."""
    return {(f.note, f.register): i for i, f in reversed(list(enumerate(fingerings)))}


def played_trial(event: Trial, model: Model, index: dict[tuple[str, int], int]) -> PlayedTrial:
    """Return one trial of the ledger, judged in the air that it was played in.

    A measured breath stands for the whole trial, as a share of what the model plans for its lowest note.
    """
    notes = {
        index[(n.note, n.register)]: (n.frequency_hz, n.frequency_uncertainty_hz)
        for n in event.notes
        if (n.note, n.register) in index
    }
    air = moist_air(
        event.temperature_c,
        relative_humidity=event.relative_humidity,
        co2_fraction=model.conditions.co2_fraction,
        pressure_pa=model.conditions.pressure_pa,
    )
    ratio = None
    if event.breath_pa is not None:
        ratio = event.breath_pa / breath_pressure_pa(model.target, model.model.lowest_note, model.model.lowest_note)
    return PlayedTrial(dict(event.as_built_after), notes, air, breath_ratio=ratio)


def played_trials(events: Iterable[Any], model: Model, fingerings: tuple[Fingering, ...]) -> list[PlayedTrial]:
    """Return all trials among the events of one piece, oldest first."""
    index = note_index(fingerings)
    return [played_trial(e, model, index) for e in events if isinstance(e, Trial) and not e.corrected]
