"""The rules of ranking and of symptoms as the maker is told them, tried through what `advise` and `find_symptoms` say.

Ranking (docs/trade/voicing.md#before-any-cut): what can be undone goes before what cannot, unless it gains less than
half as much; what takes the fault itself back goes before what makes up for it somewhere else.
"""

from dataclasses import replace

import numpy as np
import pytest

from fluewright.acoustics.voicing import Adjustment
from fluewright.bench.voicing import advice as advice_module
from fluewright.bench.voicing.advice import Step, advise
from fluewright.bench.voicing.causes import diagnose
from fluewright.bench.voicing.reference import expect
from fluewright.bench.voicing.symptoms import SymptomSettings, find_symptoms
from fluewright.bench.voicing.trial import HeadTrial, NoteTrial, Reading


@pytest.fixture
def told(shop, head, monkeypatch):
    """Return a function: what is advised, first things first, where only some made-up steps can be.

    Each step has the computed effect of one of the catalogue's; `numbers` says how often each is made, once an answer.
    """

    def ask(fault, made_up, *numbers):
        axes = dict(shop.evaluations.axes)
        steps = []
        for key, (changes, undo, like) in made_up.items():
            steps.append(Step(Adjustment(key, key, changes, undo), most=8))
            axes[f"step {key}"] = shop.evaluations.axes[f"step {like}"]
        monkeypatch.setattr(advice_module, "STEPS", tuple(steps))
        diagnosis = diagnose(replace(shop.evaluations, axes=axes), head(fault), shop.causes, references=[head(seed=2)])
        return [advise(diagnosis, (), steps=number) for number in numbers]

    return ask


def test_what_can_be_undone_goes_first_unless_it_gains_less_than_half_as_much(told):
    """A block that was set back, pushed forward by more or fewer steps, against a cut of eight that does the same."""
    forward = (("head.block_depth_mm", 0.1),)
    made_up = {"push": (forward, "draw it back", "block-forward"), "cut": (forward, "", "block-forward")}
    numbers = [float(n) for n in np.linspace(0.5, 8.0, 31)]
    answers = told({"head.block_depth_mm": -1.2}, made_up, *({"cut": 8.0, "push": n} for n in numbers))
    shares = []
    for number, (first, second) in zip(numbers, answers, strict=True):
        push, cut = (first, second) if first.step.key == "push" else (second, first)
        share = push.gain / cut.gain
        shares.append(share)
        assert (first.step.key == "push") == (share > 0.5), f"{number:.1f} steps gain {share:.2f} as much"
    assert sum(0.4 < s < 0.5 for s in shares) >= 1
    assert sum(0.5 < s < 0.6 for s in shares) >= 1


def test_of_two_equal_steps_the_one_that_can_be_undone_goes_first(told):
    """Whichever comes first in the catalogue."""
    forward = (("head.block_depth_mm", 0.1),)
    push, cut = (forward, "draw it back", "block-forward"), (forward, "", "block-forward")
    for made_up in ({"push": push, "cut": cut}, {"cut": cut, "push": push}):
        ((first, second),) = told({"head.block_depth_mm": -1.2}, made_up, {"cut": 4.0, "push": 4.0})
        assert (first.step.key, second.step.key) == ("push", "cut")
        assert first.gain == pytest.approx(second.gain)


@pytest.mark.parametrize(("fault", "back"), [(-0.22, 0.05), (0.22, -0.05)])
def test_taking_the_fault_back_goes_before_making_up_for_it_elsewhere(told, fault, back):
    """An edge too low goes up, one too high goes down. The same gain by another size of the head, or by moving the edge
    the wrong way (were it to gain as much), is worth less.
    """
    like = "edge-outward" if back > 0.0 else "edge-inward"
    made_up = {
        "elsewhere": ((("head.window_width_mm", 0.1),), "", like),
        "wrong way": ((("head.edge_offset_mm", -back),), "", like),
        "back": ((("head.edge_offset_mm", back),), "", like),
    }
    (advised,) = told({"head.edge_offset_mm": fault}, made_up, dict.fromkeys(made_up, 3.0))
    assert advised[0].step.key == "back"
    assert advised[0].gain > 0.1
    assert advised[1].gain == pytest.approx(advised[0].gain)
    ranks = {a.step.key: a.rank for a in advised}
    assert ranks["wrong way"] == pytest.approx(ranks["elsewhere"])
    assert ranks["elsewhere"] < ranks["back"]


def test_what_makes_a_head_worse_never_stands_above_what_leaves_it_be(told):
    """A step the wrong way has no gain, and none of the weights turns that into a reason."""
    made_up = {
        "on": ((("head.edge_offset_mm", -0.05),), "undo", "edge-inward"),
        "back": ((("head.edge_offset_mm", 0.05),), "", "edge-outward"),
    }
    ((first, last),) = told({"head.edge_offset_mm": -0.22}, made_up, {"on": 3.0, "back": 3.0})
    assert (first.step.key, last.step.key) == ("back", "on")
    assert last.gain < 0.0
    assert last.rank <= last.gain


# ---- symptoms


def trial_off_by(shop, off, *, sigma=0.3):
    """Return a trial of every note whose pitch is what is expected of a faultless head, and so many cents off."""
    readings = {n: {"cents": Reading(0.0, sigma)} for n in shop.notes}
    blank = HeadTrial(tuple(NoteTrial(*n, r) for n, r in readings.items()))
    expected = expect(shop.evaluations, blank)
    for (note, register, quantity), mean in zip(expected.keys, expected.mean, strict=True):
        if quantity == "cents":
            readings[note, register] = {"cents": Reading(float(mean) + off(note, register), sigma)}
    return HeadTrial(tuple(NoteTrial(*n, r) for n, r in readings.items()))


def symptoms_of(shop, trial, **settings):
    found = find_symptoms(expect(shop.evaluations, trial), trial, SymptomSettings(**settings))
    return {s.symptom.key: s for s in found}


@pytest.mark.parametrize("apart", [30.0, -30.0])
def test_an_octave_is_wide_when_its_upper_note_is_sharp_of_its_lower_one(shop, apart):
    """Width is upper less lower, against what the model has: 30 cents more are wide, 30 less narrow."""
    for low, high in ((0.0, apart), (-apart, 0.0), (-0.5 * apart, 0.5 * apart)):
        trial = trial_off_by(shop, lambda _, register, low=low, high=high: high if register == 2 else low)
        found = symptoms_of(shop, trial)
        assert found["octave-wide"].value == pytest.approx(apart, abs=0.01)
        assert found["octave-narrow"].value == pytest.approx(apart, abs=0.01)
        assert found["octave-wide"].limit == pytest.approx(8.0)
        assert found["octave-narrow"].limit == pytest.approx(-8.0)
        wide, narrow = found["octave-wide"].probability, found["octave-narrow"].probability
        assert (wide > 0.9, narrow > 0.9) == (apart > 0.0, apart < 0.0)
        assert min(wide, narrow) < 0.01
        names = found["octave-wide"].notes
        assert {n.rsplit(".", 1)[1] for n in names} == {"1", "2"}
        assert {n.rstrip("0123456789.") for n in names[:2]} == {names[0].rstrip("0123456789.")}


def test_a_piece_that_is_sharp_throughout_has_octaves_as_wide_as_they_should_be(shop):
    trial = trial_off_by(shop, lambda *_: 25.0)
    found = symptoms_of(shop, trial)
    assert found["octave-wide"].value == pytest.approx(0.0, abs=0.01)
    assert max(found["octave-wide"].probability, found["octave-narrow"].probability) < 0.5
    assert found["sharp"].value == pytest.approx(25.0, abs=0.01)
    assert found["sharp"].probability > found["flat"].probability


def test_the_limit_of_an_octaves_width_is_the_makers(shop):
    """At the limit itself it is as likely as not; half the limit away in either direction it is plain."""
    trial = trial_off_by(shop, lambda _, register: 20.0 if register == 2 else 0.0)
    chances = [symptoms_of(shop, trial, octave_cents=limit)["octave-wide"].probability for limit in (4.0, 20.0, 60.0)]
    assert chances[0] > 0.85
    assert chances[1] == pytest.approx(0.5, abs=1e-6)
    assert chances[2] < 0.01
