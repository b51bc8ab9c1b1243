"""What a maker reads: every reason names its note or hole, its figures with their signs, and what to do about it."""

import pytest

from fluewright.bench.cut_words import BY_HAND, CAUTION, LASTS, how_to_cut, place_of_cut
from fluewright.bench.features import KINDS
from fluewright.bench.remarks import NoteLeftOut, NotesMissing, NotesUnmatched
from fluewright.bench.verdict import (
    AllMade,
    AllWithin,
    AtLimit,
    CannotBeCut,
    EndsCut,
    GoOn,
    NextBody,
    NoGain,
    NoSafeCutYet,
    OtherFingering,
    RisksMore,
    SeemsWithin,
    State,
    TooSharp,
    Torn,
    Undercutting,
)
from fluewright.bench.words import reason_words, remark_words, result_words
from fluewright.instrument.sizes import CutKind

REASONS = (
    (AllWithin(0.021), ("within its tolerance", "2.1%")),
    (SeemsWithin(0.34), ("seems within", "risks more than it gains", "34.0%")),
    (AtLimit("G5", "holes.4.diameter_mm", 8.5), ("G5", "hole 4 diameter", "8.50 mm")),
    (CannotBeCut("G5", "holes.4.diameter_mm", "holes.4 overlaps"), ("G5", "hole 4 cannot be cut", "holes.4 overlaps")),
    (EndsCut(None, "D5", "D6", 3.25, -9.0), ("D5 ends the cut at the foot", "sets D6", "+3.2", "\u22129.0")),
    (EndsCut("4", "G5", "F#5", 1.0, -9.0), ("G5 ends the cut at hole 4",)),
    (TooSharp("A5", 12.0), ("A5 is +12.0 cents", "no removal mends", "wax")),
    (TooSharp("A5", 12.0, 13.5), ("the cuts for other notes bring it to +13.5",)),
    (NoSafeCutYet(("D5", "E5"), 0.2), ("play D5, E5 again", "20.0%")),
    (RisksMore("B5", -6.0), ("B5 is \u22126.0 cents", "risks more than it gains")),
    (NoGain(), ("no safe cut",)),
    (GoOn(), ("go on",)),
    (AllMade(), ("play every note again",)),
)


@pytest.mark.parametrize(("reason", "parts"), REASONS, ids=lambda v: type(v).__name__)
def test_a_reason_is_one_sentence_with_its_figures(reason, parts):
    said = reason_words(reason)
    for part in parts:
        assert part in said
    assert not said.endswith(".")
    assert "\n" not in said
    # Numbers below zero carry a minus sign, not a hyphen.
    assert "-6" not in said
    assert "-9" not in said


def torn(*ways, reconcilable=False, hole="4"):
    return reason_words(Torn(hole, "F#5", "G5", 6.0, -13.5, 5.0, reconcilable, ways))


def test_a_torn_hole_is_told_with_both_notes_and_how_far_they_lie_apart():
    said = torn()
    assert said.startswith("hole 4 sets F#5 and G5, which want it of different sizes")
    assert "F#5 is +6.0 cents and G5 \u221213.5, 19.5 apart, and no size brings both within 5" in said
    assert "what would" not in said
    assert "no safe cut brings both" in torn(reconcilable=True)
    assert torn(hole=None).startswith("the foot sets")


@pytest.mark.parametrize(
    ("way", "says"),
    [
        (OtherFingering("F#5", closed=True), "another fingering of F#5, with one more of its lower holes closed"),
        (OtherFingering("G5", closed=False), "another fingering of G5, with one more of its lower holes open"),
        (Undercutting(CutKind.UNDERCUT_UP, "F#5", "G5", 0.9, 0.7), "an undercut on the window's side"),
        (Undercutting(CutKind.UNDERCUT_DOWN, "F#5", "G5", 0.9, 0.7), "an undercut on the foot's side"),
        (NextBody("4", 0.42, -1.36), "hole 4 0.4 mm larger and 1.4 mm nearer the window"),
        (NextBody("4", -0.42, 1.36), "hole 4 0.4 mm smaller and 1.4 mm nearer the foot"),
    ],
)
def test_what_would_reconcile_two_notes_says_which_way_and_by_how_much(way, says):
    assert says in torn(way)


def test_several_ways_out_are_a_choice():
    said = torn(OtherFingering("F#5", closed=True), NextBody("4", 0.4, 1.0))
    assert "; what would: another fingering" in said
    assert "; or in the next body" in said


def test_an_undercut_says_what_it_lifts_beside_what_the_diameter_lifts():
    said = torn(Undercutting(CutKind.UNDERCUT_UP, "F#5", "G5", 0.9, 0.7))
    assert "for each cent of F#5 it lifts G5 by 0.90, the diameter by 0.70" in said


@pytest.mark.parametrize("state", State)
def test_a_certificate_says_finished_of_a_finished_piece_alone(state):
    assert (result_words(state) == "finished") == (state is State.FINISHED)
    assert ("not finished" in result_words(state)) == (state in (State.CUT, State.PLAY))


@pytest.mark.parametrize(
    ("remark", "says"),
    [
        (NotesUnmatched(2, (523.251, 698.46)), "2 notes fit no fingering and were left out: 523.3 Hz, 698.5 Hz"),
        (NotesMissing(2, (("D5", 1), ("D6", 2))), "not heard: D5 (register 1), D6 (register 2)"),
        (NoteLeftOut(2, ("G5", 1), -44.6), "G5 (register 1) is \u221245 cents from what all other notes say"),
    ],
)
def test_a_remark_names_its_trial_where_there_are_several(remark, says):
    assert remark_words(remark).startswith(f"trial 2: {says}")
    assert remark_words(remark, numbered=False).startswith(says)


def test_of_many_strange_notes_six_are_named_and_all_counted():
    said = remark_words(NotesUnmatched(1, tuple(float(f) for f in range(1000, 1009))))
    assert "9 notes fit no fingering" in said
    assert said.count(" Hz") == 6


KEYS = {
    CutKind.HOLE: "holes.3.diameter_mm", CutKind.FOOT: "length_mm", CutKind.ROUNDING: "holes.3.outer_round_mm",
    CutKind.CHAMFER: "holes.3.inner_chamfer_mm", CutKind.UNDERCUT: "holes.3.undercut.all_round_mm",
    CutKind.UNDERCUT_UP: "holes.3.undercut.upstream_mm", CutKind.UNDERCUT_DOWN: "holes.3.undercut.downstream_mm",
    CutKind.WINDOW: "head.window_length_mm", CutKind.BORE: "bore.stations_mm.2.diameter",
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_every_cut_is_told_with_its_place_its_step_and_what_it_cannot_give_back(kind):
    said = how_to_cut(kind, KEYS[kind], 0.456)
    assert "0.46 mm" in said
    place = place_of_cut(kind, KEYS[kind])
    if kind in (CutKind.FOOT, CutKind.WINDOW):
        assert place.split()[0] in said
    else:
        assert place.split()[-1] in said
    assert LASTS[kind]
    assert CAUTION[kind].endswith(".")
    assert (kind in BY_HAND) == (kind is not CutKind.HOLE)


def test_sides_of_an_undercut_are_told_apart():
    up, down, both = (
        how_to_cut(k, KEYS[k], 0.3) for k in (CutKind.UNDERCUT_UP, CutKind.UNDERCUT_DOWN, CutKind.UNDERCUT)
    )
    assert "window's side" in up
    assert "foot's side" in down
    assert "all round" in both
