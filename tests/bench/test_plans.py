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
from fluewright.bench.verdict import NoGain, NoSafeCutYet, RisksMore, SeemsWithin, State, TooSharp
from fluewright.bench.ways import ways_to_raise
from fluewright.errors import InputError
from fluewright.instrument.files import validate_model
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


def test_a_maker_who_has_only_drills_cuts_no_hole_that_none_of_them_makes():
    """The drills of the shelf end at the size that all holes have already."""
    cents = np.full(len(PITCH.fingerings), -25.0)
    plan = next_cut(posterior_of(cents), {}, policy=CutPolicy(shelf_only=True), rounds_made=0).plan
    assert [c.kind for c in plan] == [CutKind.FOOT]
    # With smaller holes there is a drill on the way, and it is taken no further than the aim.
    small = {f"holes.{h.name}.diameter_mm": 6.6 for h in MODEL.holes}
    hz = PITCH.network.targets_hz * 2 ** ((PITCH.cents(small)) / 1200)
    trial = PlayedTrial(small, {i: (float(v), 0.02) for i, v in enumerate(hz)})
    plan = next_cut(calibrate(PITCH, [trial] * 3), small, policy=CutPolicy(shelf_only=True), rounds_made=0).plan
    assert {c.after_mm for c in plan if c.kind is CutKind.HOLE} <= {7.0, 7.5}
    assert any(c.kind is CutKind.HOLE for c in plan)


# --- when nothing is cut


def judged(cents, times):
    """Return the verdict of a maker who opens holes by no less than 0.9 mm and leaves all else alone."""
    policy = CutPolicy(smallest_step_mm=0.9, kinds=(CutKind.HOLE,), instead=())
    return next_cut(posterior_of(np.asarray(cents), times), {}, policy=policy, rounds_made=2)


def test_a_piece_within_its_tolerance_that_playing_tells_no_more_of_is_finished_with_its_doubt():
    """Near the edge of the tolerance, after thirty trials: what is left unsure no playing takes away."""
    verdict = judged(np.full(len(PITCH.fingerings), -4.2), 30)
    assert verdict.state is State.FINISHED
    (reason,) = verdict.reasons
    assert isinstance(reason, SeemsWithin)
    assert reason.doubt == verdict.doubt > CutPolicy().doubt
    assert verdict.cents[FIRST] == pytest.approx(np.full(len(FIRST), -4.2), abs=0.5)
    assert verdict.sigma.shape == verdict.cents.shape
    # Heard fewer times it is played again: the trials left are worth something.
    again = judged(np.full(len(PITCH.fingerings), -4.2), 1)
    assert again.state is State.PLAY
    (reason,) = again.reasons
    assert isinstance(reason, NoSafeCutYet)
    assert reason.doubt == again.doubt
    assert set(reason.notes) <= {PITCH.fingerings[i].note for i in FIRST}
    assert len(again.play_next) == 3
    # What counts is by how much of its own unsureness playing again narrows it, however sure it is already.
    assert judged(np.full(len(PITCH.fingerings), -4.2), 22).state is State.PLAY


def test_a_flat_note_that_no_safe_cut_mends_is_left_and_named_with_its_cents():
    cents = np.zeros(len(PITCH.fingerings))
    cents[FIRST[2]] = -8.0
    verdict = judged(cents, 30)
    assert (verdict.state, verdict.plan) == (State.LEAVE, ())
    (reason,) = verdict.reasons
    assert isinstance(reason, RisksMore)
    assert reason.note == PITCH.fingerings[FIRST[2]].note
    assert reason.cents == verdict.cents[FIRST[2]] < -TOLERANCE


def test_a_note_a_hair_above_its_tolerance_is_not_called_too_sharp():
    """Too sharp is said of what is surely so: by 0.84 standard errors, four times in five."""
    cents = np.zeros(len(PITCH.fingerings))
    cents[FIRST[2]] = TOLERANCE + 0.25
    verdict = judged(cents, 30)
    assert verdict.cents[FIRST[2]] > TOLERANCE
    assert verdict.state is State.LEAVE
    assert verdict.reasons == (NoGain(),)
    cents[FIRST[2]] = TOLERANCE + 4.0
    (reason,) = judged(cents, 30).reasons
    assert isinstance(reason, TooSharp)


def test_a_cut_that_ends_at_the_models_limit_is_not_said_to_end_for_a_sharper_note():
    """F#5 and G5 share hole 4 of the eight-hole model; where its diameter ends first, no note is the reason."""
    raw = load("c5-eight-hole").model_dump(mode="json")
    hole = next(h for h in raw["holes"] if h["name"] == "4")
    hole["max_diameter_mm"] = hole["diameter_mm"] + 0.1
    eight = PitchModel.of(validate_model(raw))
    cents = np.array([{"F#5": -14.0, "G5": -34.0}.get(f.note, -14.0) for f in eight.fingerings])
    hz = eight.network.targets_hz * 2 ** (cents / 1200)
    trial = PlayedTrial({}, {i: (float(v), 0.02) for i, v in enumerate(hz)})
    verdict = next_cut(calibrate(eight, [trial] * 4, beliefs=Beliefs(slip_chance=1e-9)), {}, rounds_made=0)
    cut = next(c for c in verdict.plan if c.key == "holes.4.diameter_mm")
    assert cut.after_mm == pytest.approx(hole["max_diameter_mm"])
    assert cut.note == "G5"
    assert cut.reasons == ()


# --- every way to raise one note


KNOWN = posterior_of(np.linspace(-30.0, -4.0, len(PITCH.fingerings)))
CONSTANTS = KNOWN.parameters[:4]


def raised(feature, step_mm):
    """Return what the calibrated model says of one cut, note by note."""
    return PITCH.cents({feature.key: feature.after_mm(step_mm)}, CONSTANTS) - PITCH.cents({}, CONSTANTS)


@settings(max_examples=12)
@given(fingering=st.sampled_from(list(map(int, FIRST))), cents=st.floats(0.5, 30.0))
def test_ways_to_raise_a_note_begin_with_those_that_reach_and_disturb_least(fingering, cents):
    ways = ways_to_raise(KNOWN, {}, fingering, cents, kinds=KINDS)
    reach = [w.reaches for w in ways]
    assert reach == sorted(reach, reverse=True)
    for way in ways:
        assert way.cents == pytest.approx(raised(way.feature, way.step_mm), abs=1e-9)
        if way.reaches:
            # No more comes off than that takes.
            assert cents <= way.cents[fingering] < cents + 0.3
            assert raised(way.feature, way.step_mm - 2e-3)[fingering] < cents
        else:
            assert way.step_mm == way.feature.room_mm
    for group in (True, False):
        share = [np.abs(np.delete(w.cents, fingering)).sum() / w.cents[fingering] for w in ways if w.reaches is group]
        assert share == sorted(share)


@pytest.mark.parametrize("fingering", [0, 3, 6])
def test_whatever_raises_a_note_by_a_third_of_a_cent_is_a_way_and_nothing_else(fingering):
    most = {f.key: raised(f, f.room_mm)[fingering] for f in features_of(PITCH, {}, kinds=KINDS) if f.room_mm > 0.0}
    ways = {w.feature.key for w in ways_to_raise(KNOWN, {}, fingering, 4.0, kinds=KINDS)}
    assert ways == {key for key, cents in most.items() if cents >= 0.3}
    # Some of them do little, and are there all the same.
    assert min(cents for key, cents in most.items() if key in ways) < 1.3


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
