"""Calibration narrows and covers; the next cut is safe and stops."""

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.stats import binom, norm

from fluewright.acoustics.network import Corrections, build_network
from fluewright.acoustics.resonance import resonances, targets_hz
from fluewright.bench.allowance import starting_sizes
from fluewright.bench.calibration import PlayedTrial, calibrate
from fluewright.bench.cuts import CutPolicy, next_cut
from fluewright.bench.matching import chance_of_strays, match_notes
from fluewright.bench.session import advise
from fluewright.design.fit import with_sizes
from fluewright.errors import InputError
from fluewright.instrument.starting import load

MODEL = load("d5-cylinder")


def played(as_built, corrections, rng, spread_cents=2.0, offsets=0.0):
    network = build_network(with_sizes(MODEL, as_built), corrections=corrections)
    true = resonances(network).frequencies_hz * 2 ** (offsets / 1200)
    heard = true * 2 ** (spread_cents * rng.standard_normal(true.size) / 1200)
    main = [i for i, f in enumerate(network.fingerings) if f.alternative == 0]
    return true, PlayedTrial(as_built, {i: (float(heard[i]), 0.05) for i in main})


def test_without_trials_the_posterior_is_the_prior():
    posterior = calibrate(MODEL, [])
    assert posterior.shared == pytest.approx(np.zeros(4))
    assert np.diag(posterior.covariance)[:4] == pytest.approx(np.ones(4))


def test_one_trial_finds_a_shifted_window_and_narrows_the_bands():
    rng = np.random.default_rng(5)
    truth = Corrections(window_scale=1.06, speed_scale=1.001)
    true, trial = played({}, truth, rng)
    prior = calibrate(MODEL, [])
    posterior = calibrate(MODEL, [trial])
    targets = targets_hz(build_network(MODEL))
    mean, covariance = posterior.forecast({})
    sigma = np.sqrt(np.diag(covariance))
    heard = sorted(trial.notes)
    assert (sigma[heard] < 0.5 * np.sqrt(np.diag(prior.forecast({})[1]))[heard]).all()
    error = mean - 1200 * np.log2(true / targets)
    assert np.abs(error).max() < 4.5
    assert posterior.shared[0] > 0.3


def test_stated_bands_cover_the_truth_drawn_from_the_prior():
    """80 random pieces, all notes: the 90 % band holds the truth 84 to 96 % of the time (binomial, 4 sigma wide)."""
    rng = np.random.default_rng(11)
    targets = targets_hz(build_network(MODEL))
    errors = calibrate(MODEL, []).errors
    inside = []
    modes = build_network(MODEL).modes
    for _ in range(80):
        draw = rng.standard_normal(4)
        truth = Corrections(
            window_scale=1 + errors.window_scale * draw[0],
            hole_scale=1 + errors.hole_scale * draw[1],
            loss_scale=1 + errors.loss_scale * draw[2],
            speed_scale=1 + errors.speed_scale * draw[3],
        )
        offsets = np.where(modes == 1, *errors.discrepancy_cents) * rng.standard_normal(modes.size)
        true, trial = played({}, truth, rng, offsets=offsets)
        mean, covariance = calibrate(MODEL, [trial]).forecast({})
        z = (1200 * np.log2(true / targets) - mean) / np.sqrt(np.diag(covariance))
        inside.append(np.abs(z) < norm.ppf(0.95))
    assert 0.84 < np.mean(inside) < 0.96


def test_a_single_note_is_enough_to_begin():
    posterior = calibrate(MODEL, [PlayedTrial({}, {0: (580.0, 0.1)})])
    mean, _ = posterior.forecast({})
    prior, _ = calibrate(MODEL, []).forecast({})
    assert mean[0] < prior[0]
    assert mean[6] < prior[6]


@pytest.mark.parametrize("bad", [{99: (500.0, 0.1)}, {0: (-1.0, 0.1)}, {0: (float("nan"), 0.1)}, {0: (500.0, -1.0)}])
def test_impossible_trials_are_refused(bad):
    with pytest.raises(InputError, match="trial"):
        calibrate(MODEL, [PlayedTrial({}, bad)])


def test_starting_sizes_leave_every_note_flat():
    sizes = starting_sizes(MODEL)
    posterior = calibrate(MODEL, [])
    mean, covariance = posterior.forecast(sizes)
    first = build_network(MODEL).modes == 1
    assert (mean[first] + 2.0 * np.sqrt(np.diag(covariance)[first]) < 0).all()
    assert sizes["length_mm"] > MODEL.length_mm
    assert all(value < 7.5 for key, value in sizes.items() if key.endswith("diameter_mm"))


def test_the_cut_goes_from_the_foot_upward_and_keeps_its_risk():
    rng = np.random.default_rng(3)
    sizes = dict(starting_sizes(MODEL))
    _, trial = played(sizes, Corrections(), rng)
    verdict = next_cut(calibrate(MODEL, [trial]), sizes)
    assert verdict.state == "cut"
    cut = verdict.proposal
    assert cut.key == "length_mm"
    assert cut.after_mm < cut.before_mm
    policy = CutPolicy()
    assert cut.overshoot <= policy.risk / policy.cuts_expected
    assert cut.cents_after[0] > cut.cents_before[0]


def test_less_risk_means_a_smaller_cut():
    rng = np.random.default_rng(3)
    sizes = {**starting_sizes(MODEL), "length_mm": MODEL.length_mm}
    _, trial = played(sizes, Corrections(), rng)
    posterior = calibrate(MODEL, [trial])
    removed = []
    for risk in (1e-6, 0.02, 0.4):
        cut = next_cut(posterior, sizes, policy=CutPolicy(risk=risk, smallest_step_mm=0.001)).proposal
        assert cut is not None
        removed.append(abs(cut.after_mm - cut.before_mm))
    assert removed[0] <= removed[1] <= removed[2]
    assert removed[0] < removed[2]


def test_a_tuned_piece_is_finished_and_a_sharp_one_is_left():
    rng = np.random.default_rng(1)
    network = build_network(MODEL)
    targets = targets_hz(network)
    main = [i for i, f in enumerate(network.fingerings) if f.alternative == 0]
    tuned = [PlayedTrial({}, {i: (float(targets[i] * 2 ** (rng.normal(0, 0.5) / 1200)), 0.02) for i in main})] * 4
    assert next_cut(calibrate(MODEL, tuned), {}).state == "finished"
    sharp = [PlayedTrial({}, {i: (float(targets[i] * 2 ** (15 / 1200)), 0.02) for i in main})] * 4
    verdict = next_cut(calibrate(MODEL, sharp), {})
    assert verdict.state == "leave"
    assert any("too sharp" in reason for reason in verdict.reasons)


def test_matching_survives_a_common_shift_and_names_strangers():
    expected = np.array([587.0, 659.0, 740.0, 784.0, 880.0, 988.0])
    heard = [*(expected * 2 ** (-60 / 1200)), 3000.0]
    match = match_notes(heard, expected)
    assert match.by_fingering == {i: (i,) for i in range(6)}
    assert match.extra == (6,)
    assert match_notes([], expected).missing == tuple(range(6))


def test_strays_count_once_a_pitch_against_the_slips_that_are_expected():
    """The chance is the binomial's tail; playing everything three times changes nothing."""
    expected = 587.33 * 2 ** (np.array([0, 2, 4, 5, 7, 9, 11, 12, 14, 16, 17]) / 12)
    strays = [523.25, 698.46, 932.33, 1661.2]
    for count, several in ((1, 1), (1, 3), (4, 1), (4, 3)):
        heard = [f * 2 ** (cents / 1200) for f in [*expected, *strays[:count]] for cents in range(several)]
        match = match_notes(heard, expected)
        assert len(match.by_fingering) == expected.size
        assert len(match.extra) == count * several
        assert chance_of_strays(heard, match) == pytest.approx(binom.sf(count - 1, expected.size + count, 0.05))
    assert chance_of_strays(list(expected), match_notes(list(expected), expected)) == 1.0


@dataclass(frozen=True)
class Note:
    frequency_hz: float
    frequency_uncertainty_hz: float = 0.1


def test_a_few_slips_are_left_out_and_many_strays_refuse_the_trial():
    network = build_network(MODEL)
    own = [float(f) for f, g in zip(targets_hz(network), network.fingerings, strict=True) if g.alternative == 0]
    strays = [523.25, 698.46, 932.33, 1046.5]
    for count in range(4):
        advice = advise(MODEL, [[Note(f) for f in [*own, *strays[:count]]]], as_built={})
        assert len(advice.trials[0].notes) == len(own)
        assert any("left out" in w for w in advice.warnings) == (count > 0)
    with pytest.raises(InputError, match=r"trial 2: 4 of its 17 notes .*523\.2 Hz.* recording of this piece"):
        advise(MODEL, [[Note(f) for f in own], [Note(f) for f in [*own, *strays]]], as_built={})
