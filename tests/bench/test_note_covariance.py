"""The covariance of many notes, kept by its parts, against the whole matrix."""

import tracemalloc

import numpy as np
import pytest

from fluewright.bench.calibration import PlayedTrial, calibrate, evidence_of, misfit
from fluewright.bench.note_covariance import NoteCovariance, root_of
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.prior import STATED_BELIEFS, stated_prior
from fluewright.instrument.starting import load

PITCH = PitchModel.of(load("d5-cylinder"))
TARGETS = PITCH.network.targets_hz
WIDER_MM = PITCH.size("holes.1.diameter_mm", {}) + 0.3


def played(number, as_built=None, *, off=None, rows=range(13)):
    rng = np.random.default_rng(number)
    cents = -10.0 + 2.0 * rng.standard_normal(len(TARGETS))
    for row, more in (off or {}).items():
        cents[row] += more
    hz = TARGETS * 2.0 ** (cents / 1200.0)
    return PlayedTrial(as_built or {}, {i: (float(hz[i]), 0.1) for i in rows}, plays={0: 2})


TRIALS = [
    played(1), played(2, rows=(0, 3, 5)), played(3, {"length_mm": 263.0}), played(4, {"length_mm": 263.0}, rows=(7,)),
    played(5, {"length_mm": 262.5, "holes.1.diameter_mm": WIDER_MM}, rows=(12, 1, 2)),
]  # fmt: skip


@pytest.fixture(scope="module")
def kept():
    prior = stated_prior(PITCH)
    evidence = evidence_of(PITCH, TRIALS, STATED_BELIEFS, prior.mean)
    covariance = prior.of_model + prior.of_piece(evidence.size_patterns)
    dense = evidence.jacobian @ covariance @ evidence.jacobian.T + evidence.noise(prior.scales)
    return evidence, covariance, prior, dense


def test_later_cuts_are_felt_by_earlier_trials_of_the_same_fingering_alone(kept):
    evidence = kept[0]
    since = evidence.since @ evidence.since.T
    trial, fingering = np.array(evidence.places).T
    assert (since[trial == 4] == 0.0).all()
    assert (since[fingering[:, None] != fingering[None, :]] == 0.0).all()
    at = {place: row for row, place in enumerate(evidence.places)}
    # Fingering 0 lies two cuts back in trial 0, one in trial 2; trials 0 and 1 have both in common.
    assert since[at[0, 0], at[0, 0]] == pytest.approx(since[at[0, 0], at[1, 0]])
    assert since[at[0, 0], at[2, 0]] == pytest.approx(since[at[2, 0], at[2, 0]])
    assert since[at[0, 0], at[0, 0]] > since[at[2, 0], at[2, 0]] > 0.0


def test_the_parts_give_what_the_whole_gives(kept):
    evidence, covariance, prior, dense = kept
    parts = evidence.covariance(covariance, prior.scales)
    inverse = np.linalg.inv(dense)
    given = np.random.default_rng(0).standard_normal((len(dense), 3))
    assert parts.solve(given) == pytest.approx(inverse @ given, rel=1e-8, abs=1e-10)
    assert parts.solve(given[:, 0]) == pytest.approx(inverse @ given[:, 0], rel=1e-8, abs=1e-10)
    assert parts.inverse_diagonal() == pytest.approx(np.diag(inverse), rel=1e-8)
    assert parts.log_determinant() == pytest.approx(np.linalg.slogdet(dense)[1], rel=1e-10)


def test_one_note_is_enough():
    parts = NoteCovariance(np.array([[2.0]]), np.array([1.0]), np.array([[3.0, 0.0]]), np.array([4]))
    assert parts.solve(np.array([28.0])) == pytest.approx([2.0])
    assert parts.inverse_diagonal() == pytest.approx([1.0 / 14.0])
    assert parts.log_determinant() == pytest.approx(np.log(14.0))


def test_a_covariance_without_full_rank_has_a_root():
    half = np.array([[1.0, 2.0], [2.0, 4.0], [0.0, 0.0]])
    root = root_of(half @ half.T)
    assert root @ root.T == pytest.approx(half @ half.T)


def test_notes_that_slip_are_left_out_as_the_whole_inverse_would():
    """Two slips in one trial and one in another; each is weighed without those before it."""
    trials = [played(1, off={3: 60.0, 9: -45.0}), played(2), played(3, {"length_mm": 263.0}, off={5: 70.0})]
    found = calibrate(PITCH, trials)
    assert {(s.trial, s.fingering) for s in found.slips} == {(0, 3), (0, 9), (2, 5)}
    evidence = evidence_of(PITCH, trials, STATED_BELIEFS, found.prior.mean)
    first = calibrate(PITCH, trials).slips[0]
    covariance = found.prior_covariance
    dense = evidence.jacobian @ covariance @ evidence.jacobian.T + evidence.noise(found.prior.scales)
    inverse = np.linalg.inv(dense)
    row = evidence.places.index((first.trial, first.fingering))
    rest = evidence.y - evidence.jacobian @ found.prior.mean
    assert first.cents == pytest.approx((inverse @ rest)[row] / inverse[row, row], abs=1.0)
    kept_notes = found.evidence
    left = kept_notes.y - kept_notes.jacobian @ found.prior.mean
    dense = kept_notes.jacobian @ covariance @ kept_notes.jacobian.T + kept_notes.noise(found.prior.scales)
    size, worst, cents = misfit(found)
    assert size == pytest.approx(np.sqrt(left @ np.linalg.solve(dense, left) / left.size), rel=1e-8)
    inverse = np.linalg.inv(dense)
    deleted = (inverse @ left) / np.sqrt(np.diag(inverse))
    row = int(np.abs(deleted).argmax())
    assert worst == kept_notes.places[row][1]
    assert cents == pytest.approx((inverse @ left)[row] / inverse[row, row], rel=1e-8)


def test_a_hundred_trials_take_little_room():
    """They took a square of all notes several times over: 14 MB each at 1,300 notes."""
    trials = [played(number) for number in range(100)]
    calibrate(PITCH, trials[:2])
    tracemalloc.start()
    found = calibrate(PITCH, trials)
    misfit(found)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(found.evidence.y) > 1250
    assert most < 12e6
