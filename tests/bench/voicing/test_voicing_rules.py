"""The rules of ranking and of symptoms as the maker is told them, tried through what `advise` and `find_symptoms` say.

Ranking (docs/trade/voicing.md#before-any-cut): what can be undone goes before what cannot, unless it gains less than
half as much; what takes the fault itself back goes before what makes up for it somewhere else.
"""

from dataclasses import replace

import numpy as np
import pytest

from fluewright.acoustics.voicing import Adjustment
from fluewright.bench.voicing import advice as advice_module
from fluewright.bench.voicing.advice import Step, advise, check_forecast, forecast_from_plain
from fluewright.bench.voicing.causes import diagnose
from fluewright.bench.voicing.evaluations import MODELLED
from fluewright.bench.voicing.quantities import QUANTITIES
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


def readings_off_by(shop, off):
    """Return a trial of everything that is computed, as expected of a faultless head but for `off(register, quantity)`.

    Offsets count as natural logarithms where a quantity is compared as a ratio. Breath is the planned one.
    """
    small = {q: 1e-3 if QUANTITIES[q].relative else 0.05 for q in MODELLED}
    keys = [(n, r, q) for n, r in shop.notes for q in MODELLED]

    def trial(values):
        notes = {}
        for (note, register, quantity), value in zip(keys, values, strict=True):
            relative = QUANTITIES[quantity].relative
            shown = float(np.exp(value)) if relative else float(value)
            sigma = small[quantity] * (shown if relative else 1.0)
            if np.isfinite(value):
                notes.setdefault((note, register), {})[quantity] = Reading(shown, sigma)
        return HeadTrial(tuple(NoteTrial(*n, r) for n, r in notes.items()))

    begun = shop.evaluations.base.at(np.ones(len(shop.notes))).ravel()
    expected = expect(shop.evaluations, trial(begun))
    means = dict(zip(expected.keys, expected.mean, strict=True))
    return trial([means.get(k, np.nan) + off(k[1], k[2]) for k in keys])


@pytest.mark.parametrize(
    ("quantity", "registers", "more", "less"),
    [
        ("lowest_pa", (1, 2), "more-breath", "less-breath"),
        ("lowest_pa", (2,), "upper-pressure", None),
        ("air_l_per_min", (1, 2), "too-much-air", "too-little-air"),
        ("hiss_db", (1, 2), "hiss", None),
        ("rise_s", (1, 2), "dull-attack", "hard-attack"),
        ("level_db", (1,), "low-notes-loud", "low-notes-weak"),
        ("cents", (1, 2), "sharp", "flat"),
    ],
)
def test_what_is_beside_its_model_is_named_for_its_side_and_register(shop, quantity, registers, more, less):
    """More of a quantity in its registers is one symptom, less of it the other; in another register it is neither."""
    size = 0.8 if QUANTITIES[quantity].relative else 40.0

    def chances(sign, where):
        trial = readings_off_by(shop, lambda r, q: sign * size if q == quantity and r in where else 0.0)
        return {k: s.probability for k, s in symptoms_of(shop, trial).items()}

    above, below = chances(1.0, registers), chances(-1.0, registers)
    assert above[more] > 0.9
    assert below[more] < 0.1
    if less is not None:
        assert below[less] > 0.9
        assert above[less] < 0.1
    other = {1, 2} - set(registers)
    if other:
        beside = chances(1.0, other)
        assert beside[more] < 0.6
        if less is not None:
            assert chances(-1.0, other)[less] < 0.6


def one_octave(low, high):
    """Return a trial of D5 and D6 with these readings, each sure to a hundredth."""
    return HeadTrial(
        tuple(
            NoteTrial(note, register, {q: Reading(v, 0.01 * v) for q, v in readings.items()})
            for note, register, readings in (("D5", 1, low), ("D6", 2, high))
        )
    )


def test_an_octave_is_hard_by_the_breath_of_its_low_note(shop):
    """Lowest breath of the upper note over the comfortable breath of the lower one, at most 3.5."""
    for lowest, hard in ((600.0, True), (420.0, False)):
        trial = one_octave({"comfortable_pa": 150.0, "jump_pa": 400.0}, {"comfortable_pa": 700.0, "lowest_pa": lowest})
        found = symptoms_of(shop, trial)["octave-hard"]
        assert found.value == pytest.approx(lowest / 150.0)
        assert found.limit == pytest.approx(3.5)
        assert (found.probability > 0.9) == hard
        assert (found.probability < 0.1) != hard


def test_an_upper_note_cracks_when_it_is_blown_near_its_lowest_breath(shop):
    """Comfortable over lowest breath of the upper note, at least 1.15."""
    for comfortable, cracks in ((320.0, True), (450.0, False)):
        trial = one_octave({"comfortable_pa": 150.0, "jump_pa": 400.0},
                           {"comfortable_pa": comfortable, "lowest_pa": 300.0})  # fmt: skip
        found = symptoms_of(shop, trial)["upper-cracks"]
        assert found.value == pytest.approx(comfortable / 300.0)
        assert (found.probability > 0.9) == cracks
        assert (found.probability < 0.1) != cracks


# ---- causes and forecasts


def test_a_cause_is_as_likely_as_it_is_met_however_many_ways_it_has(shop):
    """A reading that tells nothing leaves every cause its weight: a leak at two places counts as one leak."""
    blind = HeadTrial((NoteTrial("D5", 1, {"cents": Reading(0.0, 400.0)}),))
    found = diagnose(shop.evaluations, blind, shop.causes, faultless=0.10)
    total = sum(c.weight for c in shop.causes)
    for cause in found.causes:
        assert cause.probability == pytest.approx(0.9 * cause.cause.weight / total, rel=0.02), cause.cause.key
    assert found.faultless == pytest.approx(0.10, rel=0.02)


def test_what_is_read_at_another_breath_is_expected_of_that_breath(shop):
    """A player who blows harder plays sharper: that is no sharp head."""
    note = shop.notes[0]
    planned = dict(zip(shop.notes, shop.evaluations.planned_pa, strict=True))[note]
    place = MODELLED.index("cents")
    expected = []
    for ratio in (0.8, 1.0, 1.25):
        readings = {"cents": Reading(0.0, 1.0), "comfortable_pa": Reading(ratio * planned, 1.0)}
        seen = expect(shop.evaluations, HeadTrial((NoteTrial(*note, readings),)))
        expected.append(float(seen.mean[0]))
        base = shop.evaluations.base.at(np.full(len(shop.notes), ratio))[0, place]
        assert expected[-1] == pytest.approx(base, abs=4.0)
    assert expected[0] < expected[1] - 2.0
    assert expected[2] > expected[1] + 2.0


def test_a_forecast_is_checked_with_its_sign(shop, head):
    """Positive where the outcome lies above the forecast, in sigmas of both together."""
    before = HeadTrial((NoteTrial("D5", 1, {"cents": Reading(0.0, 0.6), "jump_pa": Reading(200.0, 2.0)}),))
    after = HeadTrial((NoteTrial("D5", 1, {"cents": Reading(7.0, 0.8), "jump_pa": Reading(220.0, 2.2)}),))
    said = {"readings": [
        {"note": "D5", "register": 1, "quantity": q, "change": change, "sigma": sigma, "evidence": "modelled"}
        for q, change, sigma in (("cents", 3.0, 0.0), ("jump_pa", 14.0, 0.0))
    ]}  # fmt: skip
    checked = {c.forecast.quantity: c.sigmas for c in check_forecast(forecast_from_plain(said), before, after)}
    assert checked["cents"] == pytest.approx(4.0 / 1.0)
    assert checked["jump_pa"] == pytest.approx((10.0 - 14.0) / np.hypot(1.0, 1.0), rel=1e-6)


def test_what_is_done_already_is_not_advised_again(shop, head):
    """Each check takes its own remedy off the list, and no other; drying promises what a low windway is likely."""
    trial = head({"head.window_length_mm": 0.4})
    diagnosis = diagnose(shop.evaluations, trial, shop.causes, references=[head(seed=2)])
    every = {a.step.key for a in advise(diagnosis, ())}
    assert {"seal-leak", "clean-dry"} <= every
    for done, remedy in (("leak", "seal-leak"), ("dirt", "clean-dry"), ("fingering", None), ("assembly", None)):
        left = {a.step.key for a in advise(diagnosis, (), done=[done])}
        assert every - left == ({remedy} if remedy else set())
    low = {c.cause.key: c.probability for c in diagnosis.causes}["windway-low"]
    dry = next(a for a in advise(diagnosis, ()) if a.step.key == "clean-dry")
    assert low < 0.2
    assert dry.gain <= low
    assert dry.better <= low


def test_a_symptom_moves_as_its_readings_do(shop, head):
    """What is forecast of a symptom is what the forecast readings make of it: jump over comfortable breath of D5."""
    trial = head({"head.edge_offset_mm": -0.22})
    diagnosis = diagnose(shop.evaluations, trial, shop.causes, references=[head(seed=2)])
    symptoms = find_symptoms(diagnosis.expected, trial)
    seen = 0
    for one in advise(diagnosis, symptoms):
        jump = [f.change for f in one.forecasts if (f.note, f.register, f.quantity) == ("D5", 1, "jump_pa")]
        moved = [(now, after) for key, now, after, _ in one.symptoms if key == "low-notes-jump"]
        if jump and moved:
            ((now, after),) = moved
            assert after / now == pytest.approx(1.0 + jump[0] / 100.0, rel=1e-6)
            seen += abs(jump[0]) > 1.0
    assert seen >= 3
