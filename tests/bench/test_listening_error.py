"""What listening is unsure of, the bench stays unsure of: a vaguely heard note tells less than a clear one."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import norm

from fluewright.bench.calibration import PlayedTrial, calibrate
from fluewright.bench.matching import match_notes
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.prior import STATED_BELIEFS, size_patterns_cents, stated_prior
from fluewright.bench.repeats import of_repeats
from fluewright.instrument.starting import load

PITCH = PitchModel.of(load("d5-cylinder"))
MAIN = [i for i, f in enumerate(PITCH.fingerings) if f.alternative == 0]


def heard(cents, sigma_cents, rows=MAIN):
    """Return a trial of the design's sizes, heard so many cents from the targets, each as unsure as that."""
    hz = PITCH.network.targets_hz * 2 ** (np.asarray(cents) / 1200)
    return PlayedTrial({}, {i: (float(hz[i]), float(hz[i] * (2 ** (sigma_cents / 1200) - 1))) for i in rows})


def sigma_of(*trials):
    return np.sqrt(np.diag(calibrate(PITCH, trials).forecast({})[1]))[MAIN]


def test_the_vaguer_a_trial_the_wider_what_is_said_after_it():
    """Up to what was believed before: hearing good to an octave tells nothing."""
    flat = np.zeros(len(PITCH.fingerings))
    before = np.sqrt(np.diag(calibrate(PITCH, []).forecast({})[1]))[MAIN]
    widths = [sigma_of(heard(flat, sigma)) for sigma in (0.1, 3.0, 10.0, 40.0, 1200.0)]
    for narrow, wide in pairwise(widths):
        assert (narrow < wide).all()
    assert (widths[0] < 0.4 * before).all()
    assert widths[-1] == pytest.approx(before, rel=0.01)


def test_a_vague_note_moves_the_piece_by_its_weight():
    """One note alone, by Bayes: forecast and hearing are weighed by the inverse of their variances."""
    prior_mean, prior_covariance = calibrate(PITCH, []).forecast({})
    row = MAIN[2]
    off = prior_mean + 15.0
    moved, spread = [], prior_covariance[row, row]
    for sigma in (0.01, 10.0, 30.0):
        mean, covariance = calibrate(PITCH, [heard(off, sigma, rows=[row])]).forecast({})
        moved.append(mean[row] - prior_mean[row])
        # Blowing and what a trial's notes share count beside listening; the clear note tells how much.
        clear = calibrate(PITCH, [heard(off, 0.0, rows=[row])]).forecast({})
        other = spread**2 / (spread - clear[1][row, row]) - spread
        assert moved[-1] == pytest.approx(15.0 * spread / (spread + other + sigma**2), rel=0.02)
        assert covariance[row, row] == pytest.approx(spread - spread**2 / (spread + other + sigma**2), rel=0.02)
    assert moved[0] > moved[1] > moved[2] > 0.0


def test_stated_bands_cover_the_truth_of_vaguely_heard_pieces():
    """Listening wrong by 12 cents a note, as it says: the 90 % band holds nine times in ten, not six."""
    rng = np.random.default_rng(31)
    prior = stated_prior(PITCH)
    of_piece = prior.of_model + prior.of_piece(size_patterns_cents(PITCH, {}, STATED_BELIEFS))
    root = np.linalg.cholesky(of_piece)
    inside = []
    for _ in range(80):
        truth = prior.mean + root @ rng.standard_normal(prior.mean.size)
        true, jacobian = PITCH.linear({}, truth)
        found = true + 12.0 * rng.standard_normal(true.size) + 2.0 * rng.standard_normal(true.size)
        found += jacobian[:, 3] * STATED_BELIEFS.temperature_c / 586.3 * rng.standard_normal()
        found += PITCH.pull_cents * STATED_BELIEFS.breath / np.log(2.0) * rng.standard_normal()
        mean, covariance = calibrate(PITCH, [heard(found, 12.0)]).forecast({})
        inside.append(np.abs(true - mean)[MAIN] / np.sqrt(np.diag(covariance))[MAIN] < norm.ppf(0.95))
    assert 0.86 < np.mean(inside) < 0.95


def test_of_two_trials_the_clearer_has_the_say():
    """One heard flat and clear, one sharp and vague: the piece stands with the clear one, whichever came first."""
    flat = np.zeros(len(PITCH.fingerings))
    clear, vague = heard(flat - 6.0, 0.2), heard(flat + 6.0, 20.0)
    for order in ((clear, vague), (vague, clear)):
        mean = calibrate(PITCH, order).forecast({})[0][MAIN]
        assert mean.mean() < -4.0
    both = calibrate(PITCH, (heard(flat - 6.0, 5.0), heard(flat + 6.0, 5.0))).forecast({})[0][MAIN]
    assert abs(both.mean()) < 1.0


def test_playings_that_agree_nowhere_are_as_unsure_as_the_vaguest_of_them():
    """Half of what lies between the two in the middle, and beside it the worst hearing of all."""
    hz, sigma, count = of_repeats([440.0, 452.0, 452.2, 440.2], [0.1, 4.0, 0.1, 0.1])
    assert (hz, count) == (pytest.approx(446.1), 1)
    assert sigma == pytest.approx(np.hypot(5.9, 4.0))


@pytest.mark.parametrize("several", [1, 2])
def test_one_or_two_notes_are_taken_where_they_stand(several):
    """A shift common to all can be told from three notes on: fewer that fit nothing are not shifted until they do."""
    expected = np.array([587.0, 740.0, 988.0])
    match = match_notes([f * 2 ** (120 / 1200) for f in expected[:several]], expected)
    assert match.by_fingering == {}
    assert match.extra == tuple(range(several))
    assert match_notes([f * 2 ** (120 / 1200) for f in expected], expected).extra == ()
