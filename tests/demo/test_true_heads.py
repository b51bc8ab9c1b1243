"""A virtual head does what is done to it: a step moves its readings as the same step moves the model's."""

import numpy as np
import pytest

from fluewright.acoustics.jet import JetSettings
from fluewright.acoustics.network import build_network
from fluewright.acoustics.sounding import breath_plan
from fluewright.bench.voicing.advice import step_of
from fluewright.bench.voicing.evaluations import MODELLED, changed, evaluate, trial_rows
from fluewright.demo.true_heads import ReferenceBody, TrueHead
from fluewright.instrument.starting import load

MODEL = load("d5-cylinder")
NOTES = (("D5", 1), ("A5", 1))
#: Steps that plainly change the breath of a note's beginning or of its jump, and how many.
STEPS = {"windway-higher": (3.0, "lowest_pa"), "windway-lower": (3.0, "lowest_pa"), "window-longer": (6.0, "jump_pa")}
BODY = ReferenceBody("body", {})


def logs_of(changes, quantity):
    """Return what the model computes of both notes, natural logarithms."""
    network = build_network(MODEL)
    rows = trial_rows(network, NOTES)
    planned = breath_plan(network)[list(rows)]
    point = evaluate(changed(MODEL, changes), rows, JetSettings(), planned.tolist())
    return point.at(np.ones(len(NOTES)))[:, MODELLED.index(quantity)]


def read_logs(trial, quantity):
    return np.log([trial.of(*n, quantity).value for n in NOTES])


@pytest.mark.parametrize("key", STEPS)
def test_a_step_moves_a_true_head_as_it_moves_the_model(key):
    """Several heads, read before and after: the mean change of breath is the computed one, in sign and size."""
    step, (steps, quantity) = step_of(key), STEPS[key]
    wanted = logs_of({k: steps * v for k, v in step.adjustment.steps}, quantity) - logs_of({}, quantity)
    assert (np.abs(wanted) > 0.05).all()
    moved = []
    for seed in range(6):
        head = TrueHead(MODEL, JetSettings(), {}, {}, np.random.default_rng(seed))
        before = read_logs(head.tried(NOTES, BODY), quantity)
        head.voice(step, steps)
        moved.append(read_logs(head.tried(NOTES, BODY), quantity) - before)
    assert np.mean(moved, axis=0) == pytest.approx(wanted, rel=0.25, abs=0.03)


def test_a_fault_that_is_taken_back_is_gone():
    """A windway 0.12 mm too high, made lower by four steps of 0.03: the head reads as it would without."""
    fault = {"head.windway.exit_height_mm": 0.12, "head.windway.entry_height_mm": 0.12, "head.edge_offset_mm": 0.06}
    off = []
    for seed in range(6):
        sound, ill = (TrueHead(MODEL, JetSettings(), {}, f, np.random.default_rng(seed)) for f in ({}, fault))
        aim = read_logs(sound.tried(NOTES, BODY), "lowest_pa")
        begun = read_logs(ill.tried(NOTES, BODY), "lowest_pa")
        ill.voice(step_of("windway-lower"), 4.0)
        off.append([begun - aim, read_logs(ill.tried(NOTES, BODY), "lowest_pa") - aim])
    before, after = np.abs(np.mean(off, axis=0)).mean(axis=1)
    assert before > 0.1
    assert after < 0.3 * before
