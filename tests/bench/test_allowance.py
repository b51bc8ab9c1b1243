"""How much is left standing on a new piece: enough that no note starts sharp, and not more than that takes."""

import numpy as np
import pytest

from fluewright.bench.allowance import _Place, _undersize, starting_sizes
from fluewright.bench.calibration import PlayedTrial, calibrate
from fluewright.bench.learning import learn
from fluewright.bench.pitch_model import PitchModel
from fluewright.errors import ComputeError
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.starting import load

MODEL = load("d5-cylinder")
PITCH = PitchModel.of(MODEL)
UNTAUGHT = calibrate(PITCH, [])
FIRST = starting_sizes(MODEL, posterior=UNTAUGHT)


def left_standing_mm(sizes):
    """Return what is still to come off each place, mm."""
    return {
        key: size - MODEL.length_mm if key == "length_mm" else PITCH.size(key, {}) - size for key, size in sizes.items()
    }


def margin_cents(sizes, key, sigmas=3.0):
    """Return how sharp the sharpest note that a size sets may be at the worst."""
    hole = None if key == "length_mm" else [f"holes.{h.name}.diameter_mm" for h in MODEL.holes].index(key)
    rows = [i for i, f in enumerate(PITCH.fingerings) if f.register == 1 and governing_hole(f) == hole]
    mean, covariance = UNTAUGHT.forecast(sizes)
    return (mean + sigmas * np.sqrt(np.diag(covariance)))[rows].max()


def test_every_hole_and_the_foot_get_a_size_in_whole_steps():
    assert list(FIRST) == ["length_mm", *(f"holes.{h.name}.diameter_mm" for h in reversed(MODEL.holes))]
    for left in left_standing_mm(FIRST).values():
        assert left > 0.0
        assert left / 0.05 == pytest.approx(round(left / 0.05), abs=1e-3)


def test_the_last_size_is_the_nearest_to_the_design_that_is_safe():
    """One step more of drilling, and its note might start sharp."""
    key = "holes.1.diameter_mm"
    assert margin_cents(FIRST, key) <= 0.0
    assert margin_cents({**FIRST, key: FIRST[key] + 0.05}, key) > 0.0


def test_coarser_steps_leave_no_less():
    coarse = left_standing_mm(starting_sizes(MODEL, posterior=UNTAUGHT, size_step_mm=0.5))
    fine = left_standing_mm(FIRST)
    assert coarse["length_mm"] >= fine["length_mm"] - 1e-9
    assert coarse["length_mm"] == pytest.approx(0.5 * round(coarse["length_mm"] / 0.5))


def test_more_safety_leaves_more_and_the_first_piece_of_a_model_is_given_three_standard_errors():
    by_sigmas = [left_standing_mm(starting_sizes(MODEL, posterior=UNTAUGHT, sigmas=s)) for s in (0.5, 2.5, 3.0)]
    assert by_sigmas[2] == left_standing_mm(FIRST)
    for key in FIRST:
        assert by_sigmas[0][key] < by_sigmas[1][key] <= by_sigmas[2][key]


def test_a_model_that_pieces_have_taught_is_given_two_and_a_half():
    hz = PITCH.network.targets_hz
    piece = [PlayedTrial({}, {i: (float(v), 0.05) for i, v in enumerate(hz)})]
    posterior = calibrate(PITCH, [], prior=learn(PITCH, [piece]).prior)
    assert posterior.prior.pieces == 1
    assert starting_sizes(MODEL, posterior=posterior) == starting_sizes(MODEL, posterior=posterior, sigmas=2.5)
    assert starting_sizes(MODEL, posterior=posterior) != starting_sizes(MODEL, posterior=posterior, sigmas=3.0)


def test_a_head_that_was_gauged_is_counted_with():
    """A longer window raises every note: more has to be left standing below it."""
    longer = {"head.window_length_mm": MODEL.head.window_length_mm + 0.3}
    gauged = starting_sizes(MODEL, gauged=longer)
    assert "head.window_length_mm" not in gauged
    as_designed = starting_sizes(MODEL, gauged={"head.window_length_mm": MODEL.head.window_length_mm})
    assert left_standing_mm(gauged)["length_mm"] > left_standing_mm(as_designed)["length_mm"] + 0.3


def test_no_hole_is_made_smaller_than_half_its_diameter_and_no_foot_longer_than_by_eight_hundredths():
    least = left_standing_mm(starting_sizes(MODEL, posterior=UNTAUGHT, sigmas=60.0))
    assert least["length_mm"] == pytest.approx(0.08 * MODEL.length_mm, abs=0.05)
    for hole in MODEL.holes:
        assert least[f"holes.{hole.name}.diameter_mm"] == pytest.approx(0.5 * hole.diameter_mm, abs=0.05)


def hole(margin_cents):
    """Return the size chosen for a hole of 10 mm in steps of 0.5, of a margin by its size."""
    return _undersize(_Place("holes.1.diameter_mm", 10.0, -1.0, 5.0), margin_cents, 0.5)


def test_the_search_ends_at_the_first_size_that_is_safe():
    assert hole(lambda size: size - 7.2) == 7.0
    assert hole(lambda size: -1.0) == 10.0 - 0.5
    assert hole(lambda size: 1.0) == 5.0


def test_no_size_is_chosen_at_which_the_note_itself_is_lost():
    """Below 8 mm it has no resonance any more; the size before that is taken, though it is not quite safe."""

    def margin(size):
        if size < 8.0:
            raise ComputeError("no resonance")
        return 1.0

    assert hole(margin) == 8.0
