"""Models and pieces: what is entered, what comes back, and what is refused with a mend."""

import hashlib
from datetime import UTC, datetime

import pytest
from ledger_samples import AS_BUILT, HEAD_TRIAL, MODEL, TRIAL

from fluewright.errors import LedgerError
from fluewright.ledger import Instrument, Ledger, PieceState, verify

OTHER = MODEL.replace("d5-cylinder", "c5-cylinder")


def field_of(says: str, call, *args, **kwargs) -> str:
    with pytest.raises(LedgerError, match=says) as error:
        call(*args, **kwargs)
    return error.value.field


def enter(ledger: Ledger, *serials: str, model_name: str = "d5-cylinder") -> None:
    for serial in serials:
        ledger.add_instrument(serial, model_name, None, as_built={})


# --- models


def test_a_model_comes_back_as_it_was_entered(ledger: Ledger) -> None:
    before = datetime.now(UTC)
    made = ledger.add_model("  d5-cylinder ", MODEL, lineage=" own ")
    assert (made.name, made.version, made.toml_text, made.lineage) == ("d5-cylinder", 1, MODEL, "own")
    assert made.toml_sha256 == hashlib.sha256(MODEL.encode()).hexdigest()
    assert before <= made.added_at <= datetime.now(UTC)
    assert ledger.model("d5-cylinder") == made == ledger.models()[0]
    assert ledger.add_model("c5-cylinder", OTHER).lineage is None
    assert verify(ledger.path).clean


def test_the_text_of_a_model_is_kept_letter_by_letter(ledger: Ledger) -> None:
    text = '# Fluß\r\nname = "x"\n\n\n'
    ledger.add_model("d5-cylinder", text)
    assert ledger.model("d5-cylinder").toml_text == text


@pytest.mark.parametrize("text", ["bore = ", "a = 1\na = 2", 'name = "\ud800"', b"a = 1", None])
def test_what_is_no_toml_text_is_no_model(ledger: Ledger, text: object) -> None:
    with pytest.raises(LedgerError, match=r"model d5-cylinder is (not a TOML text|a .*, not a text)"):
        ledger.add_model("d5-cylinder", text)  # type: ignore[arg-type]
    assert ledger.models() == []


def test_names_of_models_and_their_lineage_have_their_lengths(ledger: Ledger) -> None:
    ledger.add_model("x" * 120, MODEL, lineage="y" * 400)
    for name in ("x" * 121, "", 3):
        assert field_of(".", ledger.add_model, name, MODEL) == "name"
    for lineage in ("y" * 401, "", 3):
        assert field_of(".", ledger.add_model, "d5-cylinder", MODEL, lineage=lineage) == "lineage"
    assert len(ledger.models()) == 1
    assert ledger.model("x" * 120).version == 1
    for name in ("x" * 121, "", 3):
        assert field_of(".", ledger.model, name) == "model_name"


def test_a_model_that_is_not_there_is_told_with_those_that_come_near(ledger: Ledger) -> None:
    with pytest.raises(LedgerError, match=r"There is no model 'd5': add it first\."):
        ledger.model("d5")
    for name in ("d5-cylinder", "d5-cylinders", "d5-cylindre", "d5-zylinder", "f4-taper"):
        ledger.add_model(name, MODEL)
    says = r"did you mean d5-cylindre or d5-cylinder or d5-cylinders\? Else add it first\."
    assert field_of(says, ledger.model, "d5-cylinde") == ""
    assert field_of(r"There is no model 'g4': add it first\.", ledger.model, "g4") == ""
    assert field_of("outside 1 to", ledger.model, "f4-taper", 0) == "model_version"
    assert field_of("has no version 2: its versions go from 1 to 1", ledger.model, "f4-taper", 2) == ""


# --- serial numbers


def test_numbers_go_on_after_the_greatest_that_was_given_or_taken(ledger: Ledger) -> None:
    ledger.add_model("d5-cylinder", MODEL)
    assert [ledger.next_serial("D5") for _ in range(2)] == ["D5-0001", "D5-0002"]
    enter(ledger, "D5-0005")
    assert ledger.next_serial("D5") == "D5-0006"
    # One that was given out before is taken without moving the counter back.
    enter(ledger, "D5-0001")
    assert ledger.next_serial("D5") == "D5-0007"
    enter(ledger, "D5-9999")
    assert ledger.next_serial("D5") == "D5-10000"
    assert ledger.next_serial("C5") == "C5-0001"


def test_the_numbers_of_a_prefix_end(ledger: Ledger) -> None:
    ledger.add_model("d5-cylinder", MODEL)
    enter(ledger, "D5-999999998")
    assert ledger.next_serial("D5") == "D5-999999999"
    assert field_of("999999999; choose another prefix", ledger.next_serial, "D5") == "prefix"
    assert ledger.next_serial("D6") == "D6-0001"


def test_a_serial_that_is_taken_or_none_is_refused(ledger: Ledger, piece: Instrument) -> None:
    begun = f"{piece.begun_at:%Y-%m-%d}"
    says = f"serial D5-0001 is taken since {begun}: serials are never reused, take the next one of D5"
    assert field_of(says, ledger.add_instrument, "D5-0001", "d5-cylinder", 1, as_built={}) == ""
    assert field_of(".", ledger.add_instrument, "D5-1", "d5-cylinder", 1, as_built={}) == "serial"
    assert field_of(".", ledger.next_serial, "d5") == "prefix"


# --- pieces


def test_a_piece_is_entered_with_all_that_is_known_of_it(ledger: Ledger) -> None:
    ledger.add_model("d5-cylinder", MODEL)
    ledger.add_model("d5-cylinder", MODEL + "# wider\n")
    before = datetime.now(UTC)
    newest = ledger.add_instrument(" D5-0003 ", "d5-cylinder", None, material=" plum ", lot=" 7 ", as_built=AS_BUILT)
    assert (newest.serial, newest.model_name, newest.model_version) == ("D5-0003", "d5-cylinder", 2)
    assert (newest.material, newest.lot, newest.state) == ("plum", "7", PieceState.IN_WORK)
    assert before <= newest.begun_at <= datetime.now(UTC)
    plain = ledger.add_instrument("D5-0001", "d5-cylinder", 1, as_built={})
    assert (plain.model_version, plain.material, plain.lot, plain.as_built) == (1, "", "", {})
    assert ledger.instruments() == [plain, newest]
    assert [ledger.instrument(serial) for serial in ("D5-0001", "D5-0003")] == [plain, newest]
    (begun,) = ledger.history("D5-0003")
    assert (begun.as_built_before, begun.as_built_after) == ({}, AS_BUILT)
    assert begun.recorded_at == newest.begun_at
    assert verify(ledger.path).clean


def test_pieces_are_found_by_model_and_state(ledger: Ledger) -> None:
    ledger.add_model("d5-cylinder", MODEL)
    ledger.add_model("c5-cylinder", OTHER)
    enter(ledger, "D5-0002", "D5-0001")
    enter(ledger, "C5-0001", model_name="c5-cylinder")
    ledger.set_state("D5-0002", "tuned", "in tune")
    ledger.set_state("C5-0001", "voiced", "speaks")
    ledger.log_measurement("D5-0001", as_built={"wall_mm": 2.0})

    def found(**wanted) -> list[str]:
        return [piece.serial for piece in ledger.instruments(**wanted)]

    assert found() == ["C5-0001", "D5-0001", "D5-0002"]
    assert found(model_name="d5-cylinder") == ["D5-0001", "D5-0002"]
    assert found(state=PieceState.TUNED) == ["D5-0002"]
    assert found(model_name="c5-cylinder", state=PieceState.TUNED) == []
    sizes = {piece.serial: piece.as_built for piece in ledger.instruments()}
    assert sizes == {"C5-0001": {}, "D5-0001": {"wall_mm": 2.0}, "D5-0002": {}}


def test_a_piece_that_is_not_there_is_told_with_those_that_come_near(ledger: Ledger, piece: Instrument) -> None:
    for ask in (ledger.instrument, ledger.as_built, ledger.history):
        assert field_of(r"no instrument 'D5-0002': did you mean D5-0001\? Else enter it first\.", ask, "D5-0002") == ""
        assert field_of(r"no instrument 'Low4-0420': enter it first\.", ask, "Low4-0420") == ""
        assert field_of("is 3, not a text", ask, 3) == "serial"


def test_a_piece_is_found_whatever_the_case_of_its_prefix(ledger: Ledger, piece: Instrument) -> None:
    ledger.log_measurement("d5-0001", as_built={"wall_mm": 2.0})
    assert ledger.as_built("d5-0001") == AS_BUILT | {"wall_mm": 2.0} == ledger.instrument(" d5-0001").as_built
    assert ledger.instrument("d5-0001").serial == "D5-0001"
    assert [event.serial for event in ledger.history("d5-0001")] == ["D5-0001", "D5-0001"]


# --- questions across pieces


@pytest.fixture
def two_models(ledger: Ledger, cut_said: dict) -> Ledger:
    """Two pieces of two models, worked on by turns."""
    ledger.add_model("d5-cylinder", MODEL)
    ledger.add_model("c5-cylinder", OTHER)
    for serial, model_name in (("D5-0001", "d5-cylinder"), ("C5-0001", "c5-cylinder")):
        ledger.add_instrument(serial, model_name, None, as_built=AS_BUILT)
    for serial in ("D5-0001", "C5-0001"):
        ledger.log_trial(serial, **TRIAL)
        ledger.log_cut(serial, **cut_said)
        ledger.log_head_trial(serial, **HEAD_TRIAL)
    ledger.log_cut("D5-0001", **(cut_said | {"feature": "hole 4 diameter_mm", "before_mm": 7.1, "after_mm": 7.2}))
    return ledger


def test_trials_cuts_and_voicing_are_found_across_pieces_oldest_first(two_models: Ledger) -> None:
    def found(events) -> list[tuple[int, str]]:
        return [(event.event_id, event.serial) for event in events]

    assert found(two_models.trials()) == [(5, "D5-0001"), (8, "C5-0001")]
    assert found(two_models.cuts()) == [(6, "D5-0001"), (9, "C5-0001"), (11, "D5-0001")]
    assert found(two_models.voicing()) == [(7, "D5-0001"), (10, "C5-0001")]
    assert found(two_models.trials(model_name="c5-cylinder")) == [(8, "C5-0001")]
    assert found(two_models.cuts(model_name="d5-cylinder")) == [(6, "D5-0001"), (11, "D5-0001")]
    assert found(two_models.voicing(model_name="d5-cylinder")) == [(7, "D5-0001")]
    assert found(two_models.cuts(feature="hole 4 diameter_mm")) == [(11, "D5-0001")]
    assert two_models.cuts(model_name="c5-cylinder", feature="hole 4 diameter_mm") == []


def test_corrections_show_in_questions_across_pieces(two_models: Ledger) -> None:
    made = two_models.correct(5, reason="misread", replacement={"temperature_c": 23})
    assert [trial.temperature_c for trial in two_models.trials()] == [23.0, 21.5]
    assert two_models.trials()[0].corrected_by == (made.event_id,)
    assert two_models.event(5) == two_models.trials()[0] == two_models.history("D5-0001")[1]
    assert two_models.event(8) == two_models.trials()[1]


@pytest.mark.parametrize("event_id", [0, -1, 2**53 + 1, 1.0, "5", None, True])
def test_the_number_of_an_event_counts_from_1(two_models: Ledger, event_id: object) -> None:
    assert field_of(".", two_models.event, event_id) == "event_id"
    assert field_of(".", two_models.correct, event_id, reason="x", replacement={"lot": "2"}) == "event_id"


def test_events_of_models_and_events_to_come_are_no_events_of_an_instrument(two_models: Ledger) -> None:
    for event_id in (1, 12, 2**53):
        assert field_of(f"no event {event_id} of an instrument", two_models.event, event_id) == ""
    for event_id in (12, 2**53):
        says = f"There is no event {event_id}:"
        assert field_of(says, two_models.correct, event_id, reason="x", replacement={"lot": "2"}) == ""
