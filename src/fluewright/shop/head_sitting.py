"""Sitting down with a head: hearing the steps of its trial, reading a water column, and logging the trial."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from fluewright.acoustics.network import build_network
from fluewright.bench.voicing.evaluations import trial_rows
from fluewright.bench.voicing.guide import TrialStep, guided_steps
from fluewright.bench.voicing.quantities import QUANTITIES
from fluewright.bench.voicing.trial import HeadTrial, NoteTrial, Reading, check_order, checked_reading, merged
from fluewright.errors import InputError
from fluewright.instrument.fingering import fingerings_of
from fluewright.instrument.model import Model
from fluewright.listening.breath_log import BreathLog
from fluewright.shop.head_hearing import HeadHeard, ModelNotes, hear_swell_file, hear_tongued, notes_of_model
from fluewright.shop.head_records import log_head_trial
from fluewright.units import MM_OF_WATER_PA, cents_above

__all__ = ["HeadSitting", "check_notes", "finish_head_trial", "note_order", "trial_of"]

Note = tuple[str, int]

# A note blown by feel, without a water column beside it: its pitch is known to this, cents. Breath by feel repeats to
# about a tenth, and pitch moves some 30 cents a doubling; common practice, no source.
_BY_FEEL_CENTS = 5.0
# Further from a note than this a heard pitch is another one.
_NEAR_CENTS = 90.0
# Slurred, a note has no attack of its own.
_OF_SLURRED = {"cents", "hiss_db", "second_db", "third_db"}


def note_order(model: Model) -> list[Note]:
    """Return every (note, register) of a model in the order of its fingerings."""
    return list(dict.fromkeys((f.note, f.register) for f in fingerings_of(model)))


def check_notes(model: Model, trial: HeadTrial) -> None:
    """Refuse a trial with a note that the model lacks.

    Raises
    ------
    InputError
        It has one.
    """
    trial_rows(build_network(model), [(n.note, n.register) for n in trial.notes])


@dataclass(frozen=True, eq=False)
class HeadSitting:
    """What a head can be tried on: the notes of its model, and the steps of a guided trial.

    Attributes
    ----------
    model : Model
    """

    model: Model

    @cached_property
    def notes(self) -> ModelNotes:
        """Return every note with its target and planned breath."""
        return notes_of_model(self.model)

    @cached_property
    def steps(self) -> tuple[TrialStep, ...]:
        """Return the steps of a guided trial."""
        return guided_steps(self.model)

    def step(self, key: str) -> TrialStep:
        """Return a step by its key.

        Raises
        ------
        InputError
            There is none.
        """
        for step in self.steps:
            if step.key == key:
                return step
        raise InputError(
            f"{key[:40]!r} is no step of this trial; it has {', '.join(s.key for s in self.steps)}", field="step"
        )

    def column(self, note: str, register: int, quantity: str, value: float, *, unit: str = "") -> NoteTrial:
        """Return one reading of a water column or another gauge; `unit` "mm" is mm of water.

        Raises
        ------
        InputError
            The model lacks the note, or the value cannot be.
        """
        if (note, register) not in self.notes.targets_hz:
            raise InputError(f"{note[:12]} of register {register}: {self.model.model.name} has no such note")
        if unit == "mm" and quantity.endswith("_pa"):
            value *= MM_OF_WATER_PA
        return NoteTrial(note, register, {quantity: checked_reading(f"{note}, register {register}", quantity, value)})

    def hear_step(
        self, step: TrialStep, path: Path, *, name: str = "", log: BreathLog | None = None,
        typed: Sequence[NoteTrial] = (), room_c: float = math.nan,
    ) -> HeadHeard:  # fmt: skip
        """Return what the recording of a step says, with the breaths read beside it.

        Parameters
        ----------
        step : TrialStep
        path : Path
        name : str
            How the recording is called in the records; by default the file's name.
        log : BreathLog, optional
            Taken beside a swell.
        typed : sequence of NoteTrial
            Readings of this trial.
        room_c : float
            Air of the room; NaN: the model's.

        Raises
        ------
        RecordingError
            It cannot be read, holds nothing that sounds, or log and sound do not belong together.
        """
        notes = self.notes.in_air(room_c, self.model)
        breaths = {key: _typed(typed, key, "comfortable_pa") for key in notes.comfortable_pa}
        blown = {key: v if math.isfinite(v) else notes.comfortable_pa[key] for key, v in breaths.items()}
        mine = ModelNotes(notes.targets_hz, blown)
        if step.kind == "swell":
            lowest, jump = (_typed(typed, step.notes[0], quantity) for quantity in ("lowest_pa", "jump_pa"))
            return hear_swell_file(mine, path, name=name, log=log, lowest_pa=lowest, jump_pa=jump)
        return _with_pitch(step, hear_tongued(mine.only(step.notes), path, name=name), mine, breaths)


def _typed(typed: Iterable[NoteTrial], note: Note, quantity: str) -> float:
    """Return a typed reading, NaN where there is none."""
    found = [n.readings[quantity].value for n in typed if (n.note, n.register) == note and quantity in n.readings]
    return found[-1] if found else math.nan


def _with_pitch(step: TrialStep, heard: HeadHeard, notes: ModelNotes, breaths: Mapping[Note, float]) -> HeadHeard:
    """Add pitch at comfortable breath: sure where a water column read that breath, by feel else."""
    parts = list(heard.notes)
    for key in step.notes:
        target = notes.targets_hz[key]
        near = [hz for hz, _ in heard.pitches if abs(cents_above(hz, target)) < _NEAR_CENTS]
        if near:
            cents = cents_above(math.exp(sum(map(math.log, near)) / len(near)), target)
            own = QUANTITIES["cents"].reading
            sigma = own if math.isfinite(breaths[key]) else math.hypot(own, _BY_FEEL_CENTS)
            parts.append(NoteTrial(*key, {"cents": Reading(cents, sigma / math.sqrt(len(near)))}))
    if step.kind == "slurred":
        parts = [replace(p, readings={k: r for k, r in p.readings.items() if k in _OF_SLURRED}) for p in parts]
    return replace(heard, notes=merged(p for p in parts if p.readings))


def trial_of(
    model: Model, heard: Iterable[HeadHeard], typed: Sequence[NoteTrial], *, serial: str = "", body: str = "",
    good: bool = False, room_c: float,
) -> HeadTrial | None:  # fmt: skip
    """Return one trial of everything that was heard and read; None where that is nothing.

    What was read off a column counts, not what was worked out of a recording.
    """
    read = merged(typed)
    exact = {(n.note, n.register, q) for n in read for q in n.readings}
    parts, sources = [], []
    for one in heard:
        sources.append(one.source)
        for note in one.notes:
            rest = {q: r for q, r in note.readings.items() if (note.note, note.register, q) not in exact}
            parts.append(replace(note, readings=rest))
    notes = [n for n in merged([*parts, *read]) if n.readings]
    if not notes:
        return None
    order = {n: i for i, n in enumerate(note_order(model))}
    notes.sort(key=lambda n: order.get((n.note, n.register), len(order)))
    return HeadTrial(tuple(notes), serial, body, good, room_c, (*sources, *(("typed",) if read else ())))


def finish_head_trial(ledger: Path, serial: str, model: Model, trial: HeadTrial | None, *, remarks: str = "") -> int:
    """Log a head's trial and return its event.

    Raises
    ------
    InputError
        Nothing was taken, the model lacks a note, or breaths stand in an order that no note has.
    """
    if trial is None:
        raise InputError("nothing was taken yet: record a step, or type a breath, then end the trial")
    check_notes(model, trial)
    for note in trial.notes:
        check_order(note)
    return log_head_trial(ledger, serial, trial, remarks=remarks)
