"""What cuts that were made should do: the model's change of pitch, as unsure as gauge and model, and the risk taken."""

import numpy as np
import pytest

from fluewright.bench.calibration import PlayedTrial, calibrate
from fluewright.bench.forecast import forecast_of_cuts
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.policy import CutPolicy
from fluewright.instrument.starting import load

PITCH = PitchModel.of(load("d5-cylinder"))
LENGTH = PITCH.model.length_mm
HOLE = "holes.3.diameter_mm"
A5 = [f.note for f in PITCH.fingerings].index("A5")


def heard(cents, times=4):
    """Return the posterior of a piece of the design's sizes that was heard so."""
    hz = PITCH.network.targets_hz * 2 ** ((np.zeros(len(PITCH.fingerings)) + cents) / 1200)
    return calibrate(PITCH, [PlayedTrial({}, {i: (float(v), 0.02) for i, v in enumerate(hz)})] * times)


FLAT = heard(-20.0)


def test_without_a_cut_the_piece_stays_as_it_was_heard():
    told = forecast_of_cuts(FLAT, {}, {})
    mean, covariance = FLAT.forecast({})
    assert told.cents == pytest.approx(mean)
    assert told.sigma == pytest.approx(np.sqrt(np.diag(covariance)))
    assert told.overshoot == 0.0


def test_cuts_of_one_round_add_up_to_what_the_calibrated_model_says_of_the_sizes():
    after = {"length_mm": LENGTH - 1.0, HOLE: 7.7}
    assert forecast_of_cuts(FLAT, {}, after).cents == pytest.approx(FLAT.forecast(after)[0])


def test_a_longer_cut_is_less_sure_and_a_cut_less_sure_than_none():
    sigma = [forecast_of_cuts(FLAT, {}, {"length_mm": LENGTH - by}).sigma[0] for by in (0.0, 1.0, 4.0)]
    assert sigma[0] < sigma[1] < sigma[2]


def test_a_size_that_was_only_gauged_anew_moves_the_notes_without_a_cuts_unsureness():
    """Nobody can cut a hole smaller: such a reading is no cut, and has no error of the hand."""
    smaller = forecast_of_cuts(FLAT, {}, {HOLE: 7.3})
    mean, covariance = FLAT.forecast({HOLE: 7.3})
    assert smaller.cents == pytest.approx(mean)
    assert smaller.sigma == pytest.approx(np.sqrt(np.diag(covariance)))
    assert smaller.cents[A5] < FLAT.forecast({})[0][A5] - 2.0


def test_the_risk_is_of_notes_that_the_cut_carries_over_their_tolerance():
    near = heard(2.0)
    none, some, all_of_it = (
        forecast_of_cuts(near, {}, {"length_mm": LENGTH - by}).overshoot for by in (0.02, 0.4, 6.0)
    )
    assert 0.0 <= none < 0.1 < some < 0.9 < all_of_it <= 1.0
    # Flat by 20 cents: the same cut risks nothing.
    assert forecast_of_cuts(FLAT, {}, {"length_mm": LENGTH - 0.4}).overshoot < 1e-3


def test_the_risk_begins_at_the_sizes_that_were_played():
    """What was cut before the last trial was heard by it and is no risk of this round."""
    before = {"length_mm": LENGTH - 6.0}
    hz = PITCH.network.targets_hz * 2 ** (2.0 / 1200)
    trial = PlayedTrial(before, {i: (float(v), 0.02) for i, v in enumerate(hz)})
    told = forecast_of_cuts(calibrate(PITCH, [trial] * 4), before, {**before, HOLE: PITCH.size(HOLE, {}) + 0.01})
    assert told.overshoot < 0.1


def test_a_makers_own_policy_does_not_change_what_a_cut_that_was_made_does():
    after = {"length_mm": LENGTH - 1.0, HOLE: 7.7}
    one = forecast_of_cuts(FLAT, {}, after)
    other = forecast_of_cuts(FLAT, {}, after, policy=CutPolicy(risk=0.2, accuracy_share=0.5))
    assert other.sigma == pytest.approx(one.sigma)
    assert other.cents == pytest.approx(one.cents)
