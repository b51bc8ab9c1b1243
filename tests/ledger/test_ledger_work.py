"""What is done to a piece comes back as told, in records and in typed columns, and moves the sizes that it states."""

import sqlite3
from contextlib import closing
from datetime import UTC, datetime

import pytest
from ledger_samples import ADJUSTMENT, AS_BUILT, CUT, HEAD_TRIAL, MODEL, TRIAL, a_note

from fluewright.errors import LedgerError
from fluewright.ledger import Instrument, Ledger, PieceState, verify

TAKEN_AT = datetime(2024, 3, 5, 9, 30, tzinfo=UTC)
KINDS = ("measurement", "trial", "cut", "head trial", "adjustment", "state")


def log(ledger: Ledger, kind: str, serial: str = "D5-0001", **changes: object):
    """Record one event of a kind, as small as it may be."""
    calls: dict = {
        "measurement": (ledger.log_measurement, {"as_built": {"wall_mm": 2.0}}),
        "trial": (ledger.log_trial, TRIAL),
        "cut": (ledger.log_cut, CUT),
        "head trial": (
            ledger.log_head_trial,
            {"readings": {"format": "sample/1"}, "temperature_c": 20, "analysis_version": "3"},
        ),
        "adjustment": (
            ledger.log_adjustment,
            {"adjustment": "seal-leak", "title": "leak sealed", "steps": 1, "changes": {}, "forecast": {}},
        ),
        "state": (ledger.set_state, {"state": "tuned", "reason": "in tune"}),
    }
    call, said = calls[kind]
    return call(serial, **(said | changes))


def columns(ledger: Ledger, query: str) -> list[tuple]:
    with closing(sqlite3.connect(ledger.path)) as plain:
        return plain.execute(query).fetchall()


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_needs_a_piece_that_is_there(ledger: Ledger, piece: Instrument, kind: str) -> None:
    before = ledger.newest_event()
    with pytest.raises(LedgerError, match="no instrument 'D5-0002': did you mean D5-0001"):
        log(ledger, kind, "D5-0002")
    assert ledger.newest_event() == before
    made = log(ledger, kind, "d5-0001")
    assert (made.serial, made.event_id, made.sha256) == ("D5-0001", *ledger.newest_event())
    assert (made.corrected_by, made.originals, made.corrected) == ((), {}, False)
    assert ledger.event(made.event_id) == made
    assert verify(ledger.path).clean


def test_a_measurement_comes_back_as_told(ledger: Ledger, piece: Instrument) -> None:
    made = log(ledger, "measurement", gauge="pin", remarks="cold")
    assert (made.as_built, made.gauge, made.remarks) == ({"wall_mm": 2.0}, "pin", "cold")
    assert (made.as_built_before, made.as_built_after) == (AS_BUILT, AS_BUILT | {"wall_mm": 2.0})
    plain = log(ledger, "measurement", as_built={"wall_mm": 2.1})
    assert (plain.gauge, plain.remarks, plain.as_built_before["wall_mm"]) == ("", "", 2.0)
    assert columns(ledger, "SELECT * FROM measurements") == [
        (made.event_id, '{"wall_mm":2.0}', "pin", "cold"),
        (plain.event_id, '{"wall_mm":2.1}', "", ""),
    ]


def test_a_trial_comes_back_as_told_note_by_note(ledger: Ledger, piece: Instrument) -> None:
    ledger.add_model("d5-cylinder", MODEL + "# wider\n")
    made = log(ledger, "trial", taken_at=TAKEN_AT, remarks="dry", model_version=2, as_built={"wall_mm": 2.0})
    assert (made.taken_at, made.remarks, made.model_name, made.model_version) == (TAKEN_AT, "dry", "d5-cylinder", 2)
    assert made.as_built_after == AS_BUILT | {"wall_mm": 2.0} == ledger.as_built("D5-0001")
    before = datetime.now(UTC)
    plain = log(ledger, "trial", breath_pa=None, notes=[])
    assert before <= plain.taken_at <= datetime.now(UTC)
    assert (plain.remarks, plain.model_version, plain.notes, plain.breath_pa) == ("", 1, (), None)
    assert columns(ledger, "SELECT * FROM trials WHERE breath_pa IS NOT NULL") == [
        (made.event_id, "2024-03-05T09:30:00.000000Z", 21.5, 0.45, 180.0, "ab" * 32, "D5-0001 second trial.wav", "3",
         "d5-cylinder", 2, "dry"),
    ]  # fmt: skip
    assert columns(ledger, "SELECT * FROM trial_notes ORDER BY place") == [
        (made.event_id, 1, "D5", 1, 590.0, 588.3, 0.05, -5.0),
        (made.event_id, 2, "D5", 2, 1180.0, 1185.0, 0.05, 7.3),
    ]
    with pytest.raises(LedgerError, match="has no version 3"):
        log(ledger, "trial", model_version=3)


def test_a_cut_comes_back_as_told(ledger: Ledger, piece: Instrument) -> None:
    made = log(ledger, "cut", as_built_after={"wall_mm": 2.0})
    assert (made.feature, made.before_mm, made.after_mm) == ("hole 3 diameter_mm", 6.2, 6.4)
    assert (made.tool, made.reason, made.forecast) == ("taper reamer", "G5 is 12 cents flat", CUT["forecast"])
    assert made.as_built_before == AS_BUILT
    assert made.as_built_after == AS_BUILT | {"hole 3 diameter_mm": 6.4, "wall_mm": 2.0} == ledger.as_built("D5-0001")
    assert columns(ledger, "SELECT * FROM cuts") == [
        (made.event_id, "hole 3 diameter_mm", 6.2, 6.4, "taper reamer", "G5 is 12 cents flat",
         '{"cents":{"G5":-2.0},"risk":0.05}'),
    ]  # fmt: skip


def test_a_cut_begins_where_the_last_one_ended(ledger: Ledger, piece: Instrument) -> None:
    log(ledger, "cut")
    says = (
        r"hole 3 diameter_mm of D5-0001 is 6\.40 in the ledger, the cut says it began at 6\.20: measure it again; "
        "if the ledger is wrong, log a measurement or correct the event that says so"
    )
    with pytest.raises(LedgerError, match=says):
        log(ledger, "cut", after_mm=6.6)
    log(ledger, "cut", before_mm=6.4, after_mm=6.6)
    for before_mm in (6.5949, 6.6051):
        with pytest.raises(LedgerError, match=r"is 6\.60 in the ledger"):
            log(ledger, "cut", before_mm=before_mm, after_mm=6.7)
    # Half a hundredth apart is one size still, from either side, though 6.6 - 6.595 is not exact in binary.
    for before_mm in (6.595, 6.605):
        log(ledger, "cut", before_mm=before_mm, after_mm=6.6)


def test_a_cut_of_a_size_the_ledger_does_not_have_begins_at_nothing(ledger: Ledger, piece: Instrument) -> None:
    said = {"feature": "upper_chamfer.length_mm", "after_mm": 0.2}
    with pytest.raises(LedgerError, match=r"D5-0001 has no 'upper_chamfer.length_mm' in the ledger: log a measurement"):
        log(ledger, "cut", **said, before_mm=0.001)
    log(ledger, "cut", **said, before_mm=0)
    assert ledger.as_built("D5-0001")["upper_chamfer.length_mm"] == 0.2
    with pytest.raises(LedgerError, match="did you mean hole 3 diameter_mm"):
        log(ledger, "cut", feature="hole 3 diametre_mm")


def test_a_head_trial_comes_back_as_told(ledger: Ledger, piece: Instrument) -> None:
    ledger.add_model("d5-cylinder", MODEL + "# wider\n")
    made = log(ledger, "head trial", **HEAD_TRIAL, taken_at=TAKEN_AT, model_version=2)
    assert (made.taken_at, made.temperature_c, made.body, made.good) == (TAKEN_AT, 21.5, "good body", True)
    assert (made.analysis_version, made.model_name, made.model_version) == ("3", "d5-cylinder", 2)
    assert (made.readings, made.remarks) == (HEAD_TRIAL["readings"], "after lunch")
    assert made.as_built_after == AS_BUILT | {"window_length_mm": 4.6} == ledger.as_built("D5-0001")
    before = datetime.now(UTC)
    plain = log(ledger, "head trial")
    assert before <= plain.taken_at <= datetime.now(UTC)
    assert (plain.body, plain.good, plain.remarks, plain.model_version) == ("", False, "", 1)
    assert plain.as_built_before == plain.as_built_after == made.as_built_after
    with pytest.raises(LedgerError, match="has no version 3"):
        log(ledger, "head trial", model_version=3)


def test_an_adjustment_comes_back_as_told(ledger: Ledger, piece: Instrument) -> None:
    made = log(ledger, "adjustment", **ADJUSTMENT)
    assert (made.adjustment, made.title, made.steps) == ("block-forward", "block forward by 0.1 mm", 2.0)
    assert (made.changes, made.reason) == ({"block_depth_mm": 0.2}, "octave narrow")
    assert made.forecast == ADJUSTMENT["forecast"]
    assert made.as_built_after == AS_BUILT | {"block_depth_mm": 0.05} == ledger.as_built("D5-0001")
    plain = log(ledger, "adjustment")
    assert (plain.reason, plain.changes, plain.forecast) == ("", {}, {})
    assert plain.as_built_after == made.as_built_after
    assert columns(ledger, "SELECT * FROM adjustments")[0] == (
        made.event_id, "block-forward", "block forward by 0.1 mm", 2.0, '{"block_depth_mm":0.2}', "octave narrow",
        '{"readings":[{"change":-3.0,"note":"D5"}]}',
    )  # fmt: skip


def test_a_state_comes_back_as_told_and_moves_no_size(ledger: Ledger, piece: Instrument) -> None:
    made = log(ledger, "state", state=PieceState.TUNED)
    assert (made.state, made.reason) == (PieceState.TUNED, "in tune")
    assert made.as_built_before == made.as_built_after == AS_BUILT
    assert columns(ledger, "SELECT * FROM state_changes") == [(made.event_id, "tuned", "in tune")]
    with pytest.raises(LedgerError, match="D5-0001 is tuned already: nothing was recorded"):
        log(ledger, "state")


@pytest.mark.parametrize("state", ["scrapped", "cancelled"])
def test_a_piece_that_is_done_with_is_neither_cut_nor_voiced_nor_given_another_state(
    ledger: Ledger, piece: Instrument, state: str
) -> None:
    """It may still be measured and heard: to learn why."""
    log(ledger, "state", state=state)
    for kind, says in (
        ("cut", f"D5-0001 is {state}: nothing is cut from it any more; correct its state if that is wrong"),
        ("adjustment", f"D5-0001 is {state}: nothing is voiced on it any more; correct its state if that is wrong"),
        ("state", f"D5-0001 is {state}, which is final: if that is wrong, correct the event that says so"),
    ):
        with pytest.raises(LedgerError, match=says):
            log(ledger, kind)
    for kind in ("measurement", "trial", "head trial"):
        log(ledger, kind)
    assert ledger.instrument("D5-0001").state == state


@pytest.mark.parametrize("state", [state for state in PieceState if not state.final and state != PieceState.IN_WORK])
def test_a_piece_in_any_other_state_may_be_worked_on(ledger: Ledger, piece: Instrument, state: PieceState) -> None:
    log(ledger, "state", state=state)
    log(ledger, "cut")
    log(ledger, "adjustment")
    log(ledger, "state", state=PieceState.IN_WORK)
    assert ledger.instrument("D5-0001").state is PieceState.IN_WORK


def test_sizes_that_are_not_named_stay(ledger: Ledger, piece: Instrument) -> None:
    wanted = dict(AS_BUILT)
    for kind, stated in (
        ("measurement", {"as_built": {"a_mm": 1.0}}),
        ("trial", {"as_built": {"b_mm": 2.0}}),
        ("cut", {"as_built_after": {"c_mm": 3.0}}),
        ("head trial", {"as_built": {"d_mm": 4.0}}),
        ("adjustment", {"as_built_after": {"e_mm": 5.0}}),
    ):
        made = log(ledger, kind, **stated)
        (sizes,) = stated.values()
        wanted |= sizes | ({"hole 3 diameter_mm": 6.4} if kind == "cut" else {})
        assert made.as_built_after == wanted == ledger.as_built("D5-0001")


def test_every_note_of_a_trial_is_kept_in_its_place(ledger: Ledger, piece: Instrument) -> None:
    notes = [a_note(note=name) for name in ("D5", "E5", "F#5", "G5")]
    made = log(ledger, "trial", notes=notes)
    assert list(made.notes) == notes
    assert columns(ledger, "SELECT place, note FROM trial_notes ORDER BY place") == [
        (1, "D5"),
        (2, "E5"),
        (3, "F#5"),
        (4, "G5"),
    ]


def test_a_cut_of_the_bore_at_a_station_is_logged(ledger: Ledger, piece: Instrument, cut_said: dict) -> None:
    key = "bore.stations_mm.2.diameter"
    ledger.log_measurement(piece.serial, as_built={key: 12.0})
    ledger.log_cut(piece.serial, **(cut_said | {"feature": key, "before_mm": 12.0, "after_mm": 12.2}))
    assert ledger.as_built(piece.serial)[key] == 12.2
    with pytest.raises(LedgerError, match="is not a size in mm"):
        ledger.log_cut(piece.serial, **(cut_said | {"feature": "ramp_angle_deg", "before_mm": 14.5, "after_mm": 15.0}))
