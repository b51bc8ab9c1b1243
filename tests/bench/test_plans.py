"""Whatever a piece sounds like: what every plan of cuts keeps to."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fluewright.bench.calibration import PlayedTrial, calibrate
from fluewright.bench.cuts import next_cut
from fluewright.bench.features import KINDS, features_of
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.policy import CutPolicy
from fluewright.bench.prior import Beliefs
from fluewright.bench.verdict import State
from fluewright.bench.ways import ways_to_raise
from fluewright.errors import InputError
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.sizes import CutKind, with_sizes
from fluewright.instrument.starting import load

MODEL = load("d5-cylinder")
PITCH = PitchModel.of(MODEL)
FIRST = np.flatnonzero(PITCH.first_register)
TOLERANCE = MODEL.target.tolerance_cents
cents_of_notes = st.lists(
    st.floats(-45.0, 25.0), min_size=len(PITCH.fingerings), max_size=len(PITCH.fingerings)
).map(np.array)  # fmt: skip


def posterior_of(cents, times=3):
    """Return what is known of a piece of the design's sizes that was heard so, some times over."""
    hz = PITCH.network.targets_hz * 2 ** (cents / 1200)
    trial = PlayedTrial({}, {i: (float(v), 0.02) for i, v in enumerate(hz)})
    return calibrate(PITCH, [trial] * times, beliefs=Beliefs(slip_chance=1e-9))


@settings(max_examples=25)
@given(cents=cents_of_notes, made=st.integers(0, 4))
def test_every_plan_is_safe_possible_and_made_from_the_foot_upward(cents, made):
    policy = CutPolicy()
    verdict = next_cut(posterior_of(cents), {}, policy=policy, rounds_made=made)
    assert (verdict.state is State.CUT) == bool(verdict.plan)
    assert 0.0 <= verdict.doubt <= 1.0
    if verdict.state is State.FINISHED:
        assert (np.abs(verdict.cents[FIRST]) <= TOLERANCE).all()
    if not verdict.plan:
        assert verdict.reasons
        return
    places = [-1 if c.key == "length_mm" else int(c.key.split(".")[1]) for c in verdict.plan]
    assert places == [-1] * (places[0] == -1) + sorted((p for p in places if p > 0), reverse=True)
    # The risk of all of them together is what this round may spend of the piece's.
    assert verdict.plan[-1].overshoot <= policy.risk * policy.share * (1.0 - policy.share) ** made
    room = {f.key: f for f in features_of(PITCH, {}, kinds=KINDS)}
    for cut in verdict.plan:
        step = room[cut.key].direction * (cut.after_mm - cut.before_mm)
        assert room[cut.key].smallest_mm <= step <= room[cut.key].room_mm + 1e-9
        assert cut.before_mm == PITCH.size(cut.key, {})
        # For the sake of a note that this very place sets, and that is flat.
        (i,) = (i for i in FIRST if PITCH.fingerings[i].note == cut.note)
        assert verdict.cents[i] < 0.0
        hole = governing_hole(PITCH.fingerings[i])
        assert cut.key.startswith("length" if hole is None else f"holes.{MODEL.holes[hole].name}.")
    # Each begins where the one before it ends, and all of them make an instrument.
    assert verdict.plan[0].cents_before == pytest.approx(verdict.cents)
    for one, other in zip(verdict.plan, verdict.plan[1:], strict=False):
        assert other.cents_before == pytest.approx(one.cents_after)
    with_sizes(MODEL, {c.key: c.after_mm for c in verdict.plan})


@settings(max_examples=15)
@given(cents=cents_of_notes, by=st.floats(1.0, 15.0))
def test_a_flatter_piece_is_never_cut_less(cents, by):
    """All notes flatter by as much: nothing is left standing that was cut before."""
    policy = CutPolicy(smallest_step_mm=0.001, kinds=(CutKind.FOOT,), instead=())
    cents = np.full(len(PITCH.fingerings), float(cents[0]))
    one, other = (next_cut(posterior_of(c), {}, policy=policy, rounds_made=0).plan for c in (cents, cents - by))
    assert sum(c.before_mm - c.after_mm for c in other) >= sum(c.before_mm - c.after_mm for c in one) - 0.02


def test_a_makers_smallest_step_is_kept_to():
    cents = np.full(len(PITCH.fingerings), -9.0)
    fine, coarse = (
        next_cut(posterior_of(cents), {}, policy=CutPolicy(smallest_step_mm=step), rounds_made=0).plan
        for step in (0.01, 0.4)
    )
    assert min(c.after_mm - c.before_mm for c in fine if c.kind is CutKind.HOLE) < 0.4
    assert all(c.after_mm - c.before_mm >= 0.4 for c in coarse if c.kind is CutKind.HOLE)


def test_only_the_kinds_of_cut_that_a_maker_allows_are_planned():
    cents = np.full(len(PITCH.fingerings), -12.0)
    for kinds in ((CutKind.FOOT,), (CutKind.HOLE,), (CutKind.CHAMFER,)):
        plan = next_cut(posterior_of(cents), {}, policy=CutPolicy(kinds=kinds, instead=()), rounds_made=0).plan
        assert plan
        assert {c.kind for c in plan} - {CutKind.FOOT} <= set(kinds)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("risk", 0.0, 0.5), ("share", 0.0, 1.0), ("doubt", 0.0, 0.5), ("accuracy_mm", 0.0, 1.0),
        ("foot_accuracy_mm", 0.0, 2.0), ("smallest_step_mm", 0.0, 1.0), ("close_enough_cents", 0.0, 50.0),
    ],
)  # fmt: skip
def test_a_policy_outside_its_limits_names_key_value_and_limits(name, low, high):
    middle = 0.5 * (low + high)
    assert getattr(CutPolicy(**{name: middle}), name) == middle
    for value in (low, high, -middle, float("nan")):
        with pytest.raises(InputError, match=rf"is {value}; it must lie between {low:g} and {high:g}") as caught:
            CutPolicy(**{name: value})
        assert caught.value.field == name


# --- every way to raise one note


@settings(max_examples=12)
@given(fingering=st.sampled_from(list(FIRST)), cents=st.floats(0.5, 30.0))
def test_ways_to_raise_a_note_begin_with_those_that_reach_and_disturb_least(fingering, cents):
    posterior = calibrate(PITCH, [])
    ways = ways_to_raise(posterior, {}, int(fingering), cents, kinds=KINDS)
    assert ways
    reach = [w.reaches for w in ways]
    assert reach == sorted(reach, reverse=True)
    for way in ways:
        assert 0.0 < way.step_mm <= way.feature.room_mm + 1e-9
        assert way.cents[fingering] >= 0.3
        if way.reaches:
            # No more comes off than that takes.
            assert way.cents[fingering] == pytest.approx(cents, abs=0.3)
    share = [np.abs(np.delete(w.cents, fingering)).sum() / w.cents[fingering] for w in ways if w.reaches]
    assert share == sorted(share)


@pytest.mark.parametrize("cents", [0.0, -3.0, 100.1, float("nan")])
def test_a_note_is_raised_by_more_than_nothing_and_no_more_than_a_semitone(cents):
    with pytest.raises(InputError, match="give 0 to 100 cents"):
        ways_to_raise(calibrate(PITCH, []), {}, 0, cents, kinds=KINDS)


def test_a_size_at_its_limit_is_no_way():
    full = {"holes.3.diameter_mm": MODEL.limits.largest_hole_mm}
    a5 = [f.note for f in PITCH.fingerings].index("A5")
    keys = {w.feature.key for w in ways_to_raise(calibrate(PITCH, []), full, a5, 3.0, kinds=KINDS)}
    assert "holes.3.diameter_mm" not in keys
    assert "holes.3.outer_round_mm" in keys
