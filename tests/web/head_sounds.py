"""Recordings of a head by the blown model itself: what each step of a guided trial would sound like."""

import csv
from dataclasses import replace
from pathlib import Path

from fluewright.acoustics.network import build_network
from fluewright.acoustics.sounding import blow, find_jumps
from fluewright.acoustics.synthesis import Gesture, scale_gesture, sound_of, swell_gesture
from fluewright.bench.voicing.evaluations import changed
from fluewright.bench.voicing.guide import guided_steps
from fluewright.listening import write_recording


class SoundingHead:
    """A head of a model with some sizes off, that can be played for a trial.

    `takes(folder)` writes a WAV for every step, and the swell's breath log; `breaths` holds what a water column reads.
    """

    def __init__(self, model, changes):
        self.steps = guided_steps(model)
        self.blown = find_jumps(blow(build_network(changed(model, changes) if changes else model)))
        self.rows = {}
        for i, note in enumerate(self.blown.notes):
            key = (note.note, note.register)
            # The upper register on the low note's own fingering is what a slur reaches.
            if key not in self.rows or note.fingering.alternative:
                self.rows[key] = i

    def breaths(self):
        found = {}
        for step in self.steps:
            for note, register, quantity in step.breaths:
                one = self.blown.notes[self.rows[note, register]]
                lowest = one.onset_pa if register == 1 else one.lowest_pa
                value = {
                    "lowest_pa": lowest, "jump_pa": one.highest_pa, "fall_back_pa": one.fall_back_pa,
                    "comfortable_pa": one.planned_pa,
                }[quantity]  # fmt: skip
                found[note, register, quantity] = value
        return found

    def takes(self, folder: Path):
        paths = {}
        for step in self.steps:
            rows = [self.rows[n] for n in step.notes]
            if step.kind == "swell":
                one = self.blown.notes[rows[0]]
                gesture = swell_gesture(rows[0], 0.9 * one.onset_pa, 1.3 * one.highest_pa, seconds=14.0)
                with (folder / "swell.csv").open("w", newline="") as stream:
                    table = csv.writer(stream)
                    table.writerow(["time_s", "pressure_pa"])
                    table.writerows([f"{t:.3f}", f"{p:.2f}"] for t, p in gesture.breath)
            else:
                gesture = scale_gesture(self.blown, rows, seconds=0.9)
            gesture = _after_quiet(gesture, 0.5)
            sound = sound_of(self.blown, gesture)
            paths[step.key] = folder / f"{step.key}.wav"
            write_recording(paths[step.key], sound.samples(), sound.rate_hz)
        return paths


def _after_quiet(gesture: Gesture, seconds: float) -> Gesture:
    """Return a gesture with some quiet before and after, as a recording has it."""
    breath = [(t + seconds, p) for t, p in gesture.breath]
    if breath[0][1] > 0.0:
        breath = [(seconds - 0.05, 0.0), *breath]
    end = breath[-1][0]
    breath = [(0.0, 0.0), *breath, *([(end + 0.05, 0.0)] if breath[-1][1] > 0.0 else []), (end + seconds, 0.0)]
    fingers = tuple((max(t + seconds if k else 0.0, 0.0), i) for k, (t, i) in enumerate(gesture.fingers))
    return replace(gesture, breath=tuple(breath), fingers=fingers)
