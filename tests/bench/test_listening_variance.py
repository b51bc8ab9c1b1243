"""How unsurely a note was heard counts in the calibration: an unsure note moves the model less and narrows it less."""

import math

import numpy as np
import pytest

from fluewright.bench.calibration import PlayedTrial, calibrate, evidence_of
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.prior import STATED_BELIEFS, stated_prior
from fluewright.instrument.starting import load

PITCH = PitchModel.of(load("d5-cylinder"))
CENTS_PER_RELATIVE = 1200.0 / math.log(2.0)


def heard(cents, sigma_cents, rows=(0,)):
    """A trial in which notes lie so many cents over what is computed, heard as unsurely as that."""
    hz = PITCH.network.targets_hz * 2 ** ((PITCH.cents({}) + cents) / 1200.0)
    return PlayedTrial({}, {i: (float(hz[i]), sigma_cents / CENTS_PER_RELATIVE * float(hz[i])) for i in rows})


@pytest.mark.parametrize("sigma_cents", [0.1, 1.0, 7.0])
def test_the_variance_of_listening_is_the_square_of_what_each_note_states(sigma_cents):
    evidence = evidence_of(PITCH, [heard(0.0, sigma_cents, rows=(0, 2, 3))], STATED_BELIEFS, stated_prior(PITCH).mean)
    assert evidence.own == pytest.approx(np.full(3, sigma_cents**2), rel=1e-9)
    # It stands on the diagonal, beside that of blowing.
    noise = evidence.noise(stated_prior(PITCH).scales)
    silent = evidence_of(PITCH, [heard(0.0, 1e-9, rows=(0, 2, 3))], STATED_BELIEFS, stated_prior(PITCH).mean)
    assert np.diag(noise - silent.noise(stated_prior(PITCH).scales)) == pytest.approx(sigma_cents**2, rel=1e-6)


def test_a_note_heard_unsurely_moves_and_narrows_less():
    known = {}
    for sigma in (0.1, 10.0, 60.0):
        posterior = calibrate(PITCH, [heard(15.0, sigma)])
        mean, covariance = posterior.forecast({})
        known[sigma] = (float(mean[0] - PITCH.cents({})[0]), math.sqrt(float(covariance[0, 0])))
    moved = [known[s][0] for s in (0.1, 10.0, 60.0)]
    bands = [known[s][1] for s in (0.1, 10.0, 60.0)]
    assert moved[0] > 1.2 * moved[1] > 1.2 * 1.2 * moved[2] > 0.0
    assert bands[0] < bands[1] < bands[2]
