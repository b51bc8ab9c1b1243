"""A note too sharp already: nothing is cut for its sake, nothing lifts it for nothing, and the maker is told."""

import numpy as np
import pytest

from fluewright.bench.calibration import PlayedTrial, calibrate
from fluewright.bench.cuts import CutPolicy, next_cut
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.prior import Beliefs
from fluewright.bench.words import reason_words
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.starting import load

PITCH = PitchModel.of(load("d5-cylinder"))
FIRST = np.flatnonzero(PITCH.first_register)


def judged(cents, **policy):
    """Return the verdict on a piece of the design's sizes that was heard six times at these cents, note by note."""
    rng = np.random.default_rng(1)
    trials = []
    for _ in range(6):
        hz = PITCH.network.targets_hz * 2 ** ((np.asarray(cents) + rng.normal(0, 0.3, len(cents))) / 1200)
        trials.append(PlayedTrial({}, {i: (float(v), 0.02) for i, v in enumerate(hz)}))
    posterior = calibrate(PITCH, trials, beliefs=Beliefs(slip_chance=1e-9))
    return next_cut(posterior, {}, policy=CutPolicy(**policy), rounds_made=1)


def said_of(verdict):
    """Return what the maker is told, sentence by sentence."""
    return [reason_words(reason) for reason in verdict.reasons]


def keys_of(note):
    """Return how the keys of the sizes begin that set a note."""
    hole = governing_hole(PITCH.fingerings[note])
    return "length_mm" if hole is None else f"holes.{PITCH.model.holes[hole].name}."


@pytest.mark.parametrize("sharp", FIRST)
def test_one_sharp_note_among_flat_ones(sharp):
    """Its own hole (or the foot) is left alone; the others are cut, each by its own; the sharp one is named."""
    cents = np.full(len(PITCH.fingerings), -12.0)
    cents[sharp] = 15.0
    verdict = judged(cents)
    assert verdict.state == "cut"
    assert not any(cut.key.startswith(keys_of(sharp)) for cut in verdict.plan)
    names = [f.note for f in PITCH.fingerings]
    assert {cut.note for cut in verdict.plan} == {names[i] for i in FIRST if i != sharp}
    for cut in verdict.plan:
        gained = cut.cents_after - cut.cents_before
        own = next(i for i in FIRST if names[i] == cut.note)
        assert cut.cents_before[own] < -1.5
        assert gained[own] > 3.0
        # What it does to the sharp note is a by-effect: the hole below another lifts it by up to a quarter.
        assert gained[sharp] < 0.3 * gained[own]
    rise = verdict.plan[-1].cents_after[sharp] - verdict.cents[sharp]
    assert rise < 4.0
    (said,) = (r for r in said_of(verdict) if r.startswith(f"{names[sharp]} is +"))
    assert "too sharp, which no removal mends" in said
    assert f"bring it to {verdict.plan[-1].cents_after[sharp]:+.1f}" in said


@pytest.mark.parametrize("sharp", FIRST)
def test_one_sharp_note_among_good_ones_is_left_and_named(sharp):
    cents = np.zeros(len(PITCH.fingerings))
    cents[sharp] = 15.0
    verdict = judged(cents)
    assert verdict.plan == ()
    assert verdict.state == "leave"
    assert any(r.startswith(f"{PITCH.fingerings[sharp].note} is +") and "too sharp" in r for r in said_of(verdict))


def test_a_note_that_is_right_is_left_alone_and_not_called_too_sharp():
    cents = np.full(len(PITCH.fingerings), -12.0)
    cents[FIRST[3]] = -1.0
    verdict = judged(cents)
    assert verdict.state == "cut"
    assert not any("too sharp" in r for r in said_of(verdict))
    assert not any(cut.key.startswith(keys_of(FIRST[3])) for cut in verdict.plan)


@pytest.mark.parametrize("kind", ["rounding", "undercut up", "undercut"])
def test_no_other_way_of_cutting_lifts_a_sharp_note_either(kind):
    """Nor by shaping, which is tried where a diameter may not be cut."""
    cents = np.full(len(PITCH.fingerings), -12.0)
    cents[FIRST[4]] = 15.0
    verdict = judged(cents, kinds=(kind,), instead=())
    assert verdict.plan
    assert not any(cut.key.startswith(keys_of(FIRST[4])) for cut in verdict.plan)


def test_notes_close_enough_are_left_alone():
    """`close_enough_cents`, 1.5: where others are a hair flat, only the one that is plainly flat is cut."""
    cents = np.full(len(PITCH.fingerings), -1.0)
    cents[FIRST[6]] = -11.0
    assert {cut.note for cut in judged(cents, risk=0.4, share=0.9).plan} == {PITCH.fingerings[FIRST[6]].note}
    # To a maker who wants them nearer they are not.
    names = {cut.note for cut in judged(cents, risk=0.4, share=0.9, close_enough_cents=0.3).plan}
    assert len(names) > 4
