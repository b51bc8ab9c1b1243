"""The order in which a head is tried: low notes, swell, slurred and tongued octave, top notes.

The order of docs/trade/voicing.md#order-of-a-trial.
Each step says what to play, what is heard in its recording, and which breaths a water column may read beside it.
"""

from dataclasses import dataclass
from typing import Literal

from fluewright.instrument.fingering import fingerings_of
from fluewright.instrument.model import Model
from fluewright.instrument.pitch import note_to_midi

__all__ = ["TrialStep", "guided_steps"]

Kind = Literal["tongued", "swell", "slurred"]


@dataclass(frozen=True)
class TrialStep:
    """One step of a guided trial.

    Attributes
    ----------
    key, title, say : str
        Name, heading, and what to do, in plain words.
    kind : {"tongued", "swell", "slurred"}
        How its recording is heard.
    notes : tuple of (note, register)
        What is played.
    breaths : tuple of (note, register, quantity)
        Readings of a water column that are worth typing, in the order in which they come.
    """

    key: str
    title: str
    say: str
    kind: Kind
    notes: tuple[tuple[str, int], ...]
    breaths: tuple[tuple[str, int, str], ...]


def _letter(note: str) -> str:
    return note.rstrip("0123456789-")


def guided_steps(model: Model) -> tuple[TrialStep, ...]:
    """Return the steps for a model, in order; those that its fingerings do not allow are left out."""
    main = list(dict.fromkeys((f.note, f.register) for f in fingerings_of(model) if not f.alternative))
    first = sorted((n for n in main if n[1] == 1), key=lambda n: note_to_midi(n[0]))
    second = sorted((n for n in main if n[1] > 1), key=lambda n: note_to_midi(n[0]))
    low = tuple((first or second)[:2])
    lowest = low[0]
    middle = (first or second)[len(first or second) // 2]
    octaves = {
        below: above
        for below in first for above in second
        if _letter(above[0]) == _letter(below[0]) and note_to_midi(above[0]) - note_to_midi(below[0]) == 12
    }  # fmt: skip
    chosen = [next(iter(octaves), lowest), middle]
    pairs = [(below, octaves[below]) for below in dict.fromkeys(chosen) if below in octaves]
    steps = [
        TrialStep(
            "low", "Low notes, tongued",
            "Tongue each of these three times, a second each, with the breath you would play it with.",
            "tongued", low, tuple((n, r, "comfortable_pa") for n, r in low[:1]),
        ),
        TrialStep(
            "swell", f"A slow swell on {lowest[0]}",
            "Begin under the least breath that speaks, swell over ten seconds until it jumps up, then let it die away "
            "over ten seconds. Read the water column where it begins, where it jumps and where it falls back.",
            "swell", (lowest,),
            ((*lowest, "lowest_pa"), (*lowest, "jump_pa"), (*lowest, "fall_back_pa")),
        ),
    ]  # fmt: skip
    if pairs:
        steps += [
            TrialStep(
                "slur", "The octave, slurred",
                "Play the low note, slur up, hold, slur down; each pair twice. Read the least breath that holds the "
                "upper note.",
                "slurred", tuple(n for pair in pairs for n in pair), tuple((*above, "lowest_pa") for _, above in pairs),
            ),
            TrialStep(
                "tongue", "The octave, tongued", "Tongue the upper notes three times each, from nothing.",
                "tongued", tuple(above for _, above in pairs), tuple((*above, "comfortable_pa") for _, above in pairs),
            ),
        ]  # fmt: skip
    top = tuple((second or first)[-2:])
    steps.append(
        TrialStep(
            "top", "Top notes", "Tongue each three times: do they come, do they crack or fall back?", "tongued", top,
            tuple(
                pair for n, r in top
                for pair in ((n, r, "lowest_pa"), (n, r, "comfortable_pa"))
            ),
        )
    )  # fmt: skip
    return tuple(steps)
