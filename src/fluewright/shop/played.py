"""Trials between bench and ledger: what was played as the bench computes with it, and as the ledger keeps it."""

from collections.abc import Iterable, Mapping

from fluewright.air import moist_air
from fluewright.arrays import FloatArray
from fluewright.bench.calibration import PlayedTrial
from fluewright.bench.pitch_model import PitchModel
from fluewright.instrument.breath import breath_pressure_pa
from fluewright.instrument.fingering import Fingering
from fluewright.instrument.model import Model
from fluewright.ledger import Cut, Event, Trial, TrialNote
from fluewright.units import cents_above

__all__ = [
    "bench_sizes", "breath_ratio", "cut_rounds", "note_index", "played_trial", "played_trials", "trial_notes",
]  # fmt: skip


def note_index(fingerings: tuple[Fingering, ...]) -> dict[tuple[str, int], int]:
    """Return the main fingering of every (note, register)."""
    return {(f.note, f.register): i for i, f in reversed(list(enumerate(fingerings)))}


def bench_sizes(pitch: PitchModel, sizes: Mapping[str, float]) -> dict[str, float]:
    """Return those of a piece's sizes that its resonances depend on; windway and chamfers are the head's affair."""
    return {key: size for key, size in sizes.items() if key in pitch.columns}


def played_trial(event: Trial, pitch: PitchModel) -> PlayedTrial:
    """Return one trial of the ledger, judged in the air that it was played in.

    A measured breath stands for the whole trial, as a share of what the model plans for its lowest note.
    """
    model, index = pitch.model, note_index(pitch.fingerings)
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
    ratio = None if event.breath_pa is None else breath_ratio(model, event.breath_pa)
    return PlayedTrial(bench_sizes(pitch, event.as_built_after), notes, air, breath_ratio=ratio)


def breath_ratio(model: Model, lowest_note_pa: float) -> float:
    """Return a breath measured on the lowest note over the one that the model plans for it."""
    lowest = model.model.lowest_note
    return lowest_note_pa / breath_pressure_pa(model.target, lowest, lowest)


def played_trials(events: Iterable[Event], pitch: PitchModel) -> list[PlayedTrial]:
    """Return all trials among the events of one piece, oldest first."""
    return [played_trial(e, pitch) for e in events if isinstance(e, Trial) and not e.corrected]


def trial_notes(
    fingerings: tuple[Fingering, ...], targets_hz: FloatArray, heard: Mapping[int, tuple[float, float]]
) -> list[TrialNote]:
    """Return the heard notes as the ledger keeps them.

    Parameters
    ----------
    fingerings : tuple of Fingering
    targets_hz : array, shape (fingerings,)
    heard : mapping
        (Hz, standard uncertainty in Hz) by fingering.
    """
    return [
        TrialNote(
            note=fingerings[i].note,
            register=fingerings[i].register,
            target_hz=float(targets_hz[i]),
            frequency_hz=f,
            frequency_uncertainty_hz=s,
            cents=float(cents_above(f, targets_hz[i])),
        )
        for i, (f, s) in sorted(heard.items())
    ]


def cut_rounds(events: Iterable[Event]) -> int:
    """Return in how many rounds something was cut: cuts with a trial before them, up to the next trial."""
    rounds, played, counted = 0, False, False
    for event in events:
        if isinstance(event, Trial) and not event.corrected:
            played, counted = True, False
        elif isinstance(event, Cut) and played and not counted:
            rounds, counted = rounds + 1, True
    return rounds
