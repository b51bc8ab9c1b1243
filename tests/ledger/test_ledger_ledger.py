import shutil
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from ledger_samples import AS_BUILT, MODEL, a_note, begin

from fluewright.errors import LedgerError
from fluewright.ledger import (
    Begun,
    Correction,
    Cut,
    Instrument,
    Ledger,
    Measurement,
    PieceState,
    StateChange,
    Trial,
    open_ledger,
    verify,
)


@pytest.fixture(scope="module")
def steady(blank: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ledger]:
    """One ledger for all entries that are refused: each test shows that it left no trace."""
    path = Path(shutil.copyfile(blank, tmp_path_factory.mktemp("steady") / "shop.ledger"))
    with open_ledger(path) as ledger:
        begin(ledger)
        yield ledger


def test_the_same_model_text_adds_nothing_and_new_text_the_next_version(ledger: Ledger) -> None:
    first = ledger.add_model("d5-cylinder", MODEL)
    assert ledger.add_model("d5-cylinder", MODEL) == first
    second = ledger.add_model("d5-cylinder", MODEL + "# wider\n", lineage="d5-cylinder 1")
    assert (first.version, second.version, second.lineage) == (1, 2, "d5-cylinder 1")
    # Going back to the first text is a decision too.
    assert ledger.add_model("d5-cylinder", MODEL).version == 3
    assert ledger.model("d5-cylinder").version == 3
    assert ledger.model("d5-cylinder", 2) == second
    ledger.add_model("c5-cylinder", MODEL)
    assert [(m.name, m.version) for m in ledger.models()] == [
        ("c5-cylinder", 1),
        ("d5-cylinder", 1),
        ("d5-cylinder", 2),
        ("d5-cylinder", 3),
    ]
    assert first.added_at.tzinfo is UTC


def test_serials_are_never_reused(ledger: Ledger) -> None:
    ledger.add_model("d5-cylinder", MODEL)
    assert [ledger.next_serial("D5"), ledger.next_serial("D5"), ledger.next_serial("C5")] == [
        "D5-0001",
        "D5-0002",
        "C5-0001",
    ]
    ledger.add_instrument("D5-0002", "d5-cylinder", None, as_built={})
    ledger.add_instrument("D5-0040", "d5-cylinder", None, as_built={})
    assert ledger.next_serial("D5") == "D5-0041"
    with pytest.raises(LedgerError, match="D5-0040 is taken"):
        ledger.add_instrument("D5-0040", "d5-cylinder", None, as_built={})
    ledger.next_serial("Low")
    assert ledger.next_serial("LOW") == "Low-0002"
    ledger.add_instrument("Low-0002", "d5-cylinder", None, as_built={})
    with pytest.raises(LedgerError, match="Low-0002 is taken"):
        ledger.add_instrument("LOW-0002", "d5-cylinder", None, as_built={})
    with pytest.raises(LedgerError, match="prefix: is 'd-5'"):
        ledger.next_serial("d-5")


def test_a_piece_comes_back_as_entered(ledger: Ledger, piece: Instrument) -> None:
    assert piece.serial == "D5-0001"
    assert piece.as_built == AS_BUILT
    assert piece.state is PieceState.IN_WORK
    assert ledger.instrument("D5-0001") == piece
    assert ledger.instruments() == [piece]
    assert ledger.instruments(model_name="other") == []
    assert ledger.instruments(state=PieceState.TUNED) == []
    with pytest.raises(LedgerError, match="did you mean D5-0001"):
        ledger.instrument("D5-0010")
    with pytest.raises(LedgerError, match="no version 7"):
        ledger.add_instrument("D5-0009", "d5-cylinder", 7, as_built={})


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"temperature_c": float("nan")}, "temperature_c: is nan"),
        ({"temperature_c": 294}, "outside -20 to 60 degC"),
        ({"relative_humidity": 45}, "0.45 for 45 %"),
        ({"breath_pa": 0}, "outside 1 to 20000 Pa"),
        ({"breath_pa": float("inf")}, "finite"),
        ({"recording_sha256": "ab"}, "SHA-256"),
        ({"recording_name": ""}, "recording_name: is empty"),
        ({"analysis_version": ""}, "analysis_version: is empty"),
        ({"notes": "D5"}, "list of TrialNote"),
        ({"notes": [3]}, "note 1 of the trial"),
        ({"notes": [a_note(), a_note(cents=float("nan"))]}, r"cents of note 2 of the trial \(D5\): is nan"),
        ({"notes": [a_note(frequency_hz=0)]}, "frequency_hz of note 1"),
        ({"notes": [a_note(register=0)]}, "register of note 1"),
        ({"as_built": {"hole 3": 6.2}}, "unit"),
        ({"model_version": 2}, "no version 2"),
        ({"taken_at": datetime(2025, 1, 1)}, "time zone"),
    ],
)
def test_trials_that_cannot_be(steady: Ledger, trial_said: dict, wrong: dict, says: str) -> None:
    before = steady.newest_event()
    with pytest.raises(LedgerError, match=says):
        steady.log_trial("D5-0001", **(trial_said | wrong))
    assert steady.newest_event() == before


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"before_mm": 6.40, "after_mm": 6.60}, r"is 6\.20 in the ledger, the cut says it began at 6\.40: "),
        ({"before_mm": 6.206}, r"is 6\.20 in the ledger, the cut says it began at 6\.206"),
        ({"feature": "hole 3 diametr_mm"}, "did you mean hole 3 diameter_mm"),
        ({"feature": "hole 9 diameter_mm"}, "log a measurement"),
        ({"feature": "ramp_angle_deg"}, "not a size in mm"),
        ({"after_mm": 6.20}, "a cut changes a size"),
        ({"after_mm": float("inf")}, "finite"),
        ({"after_mm": -1.0}, "outside 0 to 5000 mm"),
        ({"as_built_after": {"hole 3 diameter_mm": 6.45}}, "give one value"),
        ({"tool": ""}, "tool: is empty"),
        ({"reason": ""}, "reason: is empty"),
        ({"forecast": {"cents": float("nan")}}, r"forecast\['cents'\]: is nan"),
        ({"forecast": [1]}, "not a mapping"),
    ],
)
def test_cuts_that_cannot_be(steady: Ledger, cut_said: dict, wrong: dict, says: str) -> None:
    before = steady.newest_event()
    with pytest.raises(LedgerError, match=says):
        steady.log_cut("D5-0001", **(cut_said | wrong))
    assert steady.newest_event() == before
    assert steady.as_built("D5-0001") == AS_BUILT


def test_a_measurement_is_the_mend_for_a_size_the_ledger_does_not_have(
    ledger: Ledger, piece: Instrument, cut_said: dict
) -> None:
    said = cut_said | {"feature": "hole 9 diameter_mm", "before_mm": 5.0, "after_mm": 5.2}
    measured = ledger.log_measurement(piece.serial, as_built={"hole 9 diameter_mm": 5.0}, gauge="pin 5.00")
    assert isinstance(measured, Measurement)
    assert measured.gauge == "pin 5.00"
    ledger.log_cut(piece.serial, **said)
    with pytest.raises(LedgerError, match="names no size"):
        ledger.log_measurement(piece.serial, as_built={})


def test_states_in_trade_order_and_scrap_is_final(ledger: Ledger, piece: Instrument, cut_said: dict) -> None:
    ledger.set_state(piece.serial, PieceState.VOICED, "speaks evenly")
    with pytest.raises(LedgerError, match="voiced already"):
        ledger.set_state(piece.serial, "voiced", "again")
    with pytest.raises(LedgerError, match="not known; use one of planned"):
        ledger.set_state(piece.serial, "polished", "shiny")
    with pytest.raises(LedgerError, match="reason: is empty"):
        ledger.set_state(piece.serial, "tuned", " ")
    scrapped = ledger.set_state(piece.serial, "scrapped", "edge chipped")
    with pytest.raises(LedgerError, match="final"):
        ledger.set_state(piece.serial, "tuned", "hope")
    with pytest.raises(LedgerError, match="nothing is cut"):
        ledger.log_cut(piece.serial, **cut_said)
    ledger.correct(scrapped.event_id, reason="wrong piece", replacement={"state": "on hold"})
    assert ledger.instrument(piece.serial).state is PieceState.ON_HOLD
    ledger.log_cut(piece.serial, **cut_said)
    assert ledger.instruments(state=PieceState.ON_HOLD) == [ledger.instrument(piece.serial)]


def test_the_history_is_in_order_and_of_one_piece(
    ledger: Ledger, piece: Instrument, trial_said: dict, cut_said: dict
) -> None:
    other = ledger.add_instrument(ledger.next_serial("D5"), "d5-cylinder", 1, as_built={})
    trial = ledger.log_trial(piece.serial, **trial_said)
    ledger.log_measurement(other.serial, as_built={"wall_mm": 1.0})
    ledger.log_cut(piece.serial, **cut_said)
    ledger.set_state(piece.serial, "tuned", "all notes within 5 cents")
    ledger.correct(trial.event_id, reason="read the dial again", replacement={"temperature_c": 22.0})
    history = ledger.history(piece.serial.lower())
    assert [type(event) for event in history] == [Begun, Trial, Cut, StateChange, Correction]
    assert [event.event_id for event in history] == sorted(event.event_id for event in history)
    assert ledger.event(trial.event_id) == history[1]
    with pytest.raises(LedgerError, match="no event 1 of an instrument"):
        ledger.event(1)
    with pytest.raises(LedgerError, match="There is no instrument"):
        ledger.history("D5-0099")


def test_threads_share_one_ledger(ledger: Ledger, piece: Instrument) -> None:
    def work() -> None:
        for step in range(5):
            ledger.log_measurement(piece.serial, as_built={"wall_mm": 1.0 + step})
            ledger.instruments()

    threads = [threading.Thread(target=work) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(ledger.history(piece.serial)) == 31
    assert verify(ledger.path).clean
