"""Each kind of event put right by a new one: what may be replaced, by what, and what then counts."""

import sqlite3
from contextlib import closing

import pytest
from ledger_samples import ADJUSTMENT, AS_BUILT, CUT, HEAD_TRIAL, MODEL, TRIAL, a_note

from fluewright.errors import LedgerError
from fluewright.ledger import Instrument, Ledger, PieceState, verify


@pytest.fixture
def events(ledger: Ledger, piece: Instrument) -> dict[str, int]:
    """Return the numbers of one event of each kind, by kind."""
    (begun,) = ledger.history(piece.serial)
    return {
        "begun": begun.event_id,
        "measurement": ledger.log_measurement(piece.serial, as_built={"wall_mm": 2.0}, gauge="pin").event_id,
        "trial": ledger.log_trial(piece.serial, **TRIAL).event_id,
        "cut": ledger.log_cut(piece.serial, **CUT).event_id,
        "head trial": ledger.log_head_trial(piece.serial, **HEAD_TRIAL).event_id,
        "adjustment": ledger.log_adjustment(piece.serial, **ADJUSTMENT).event_id,
        "state": ledger.set_state(piece.serial, "tuned", "in tune").event_id,
    }


def refused(ledger: Ledger, says: str, event_id: int, replacement: object, reason: str = "misread") -> str:
    before = ledger.newest_event()
    with pytest.raises(LedgerError, match=says) as error:
        ledger.correct(event_id, reason=reason, replacement=replacement)  # type: ignore[arg-type]
    assert ledger.newest_event() == before
    return error.value.field


@pytest.mark.parametrize(
    ("kind", "name", "value", "kept"),
    [
        ("begun", "material", " pear wood ", "pear wood"),
        ("begun", "lot", "", ""),
        ("measurement", "gauge", "caliper", "caliper"),
        ("measurement", "remarks", "warm", "warm"),
        ("trial", "temperature_c", 22, 22.0),
        ("trial", "relative_humidity", 0.5, 0.5),
        ("trial", "breath_pa", None, None),
        ("trial", "recording_sha256", "CD" * 32, "cd" * 32),
        ("trial", "recording_name", "b.wav", "b.wav"),
        ("trial", "analysis_version", "4", "4"),
        ("trial", "remarks", "humid", "humid"),
        ("cut", "after_mm", 6.35, 6.35),
        ("cut", "before_mm", 6.203, 6.203),
        ("cut", "tool", "file", "file"),
        ("cut", "reason", "flat", "flat"),
        ("cut", "forecast", {"risk": 0.1}, {"risk": 0.1}),
        ("head trial", "body", "", ""),
        ("head trial", "good", False, False),
        ("head trial", "temperature_c", 19, 19.0),
        ("head trial", "readings", {"format": "sample/2"}, {"format": "sample/2"}),
        ("adjustment", "adjustment", "block-back", "block-back"),
        ("adjustment", "title", "block back", "block back"),
        ("adjustment", "steps", -2, -2.0),
        ("adjustment", "changes", {"block_depth_mm": 0.1}, {"block_depth_mm": 0.1}),
        ("adjustment", "forecast", {}, {}),
        ("state", "reason", "all notes in tune", "all notes in tune"),
    ],
)
def test_one_detail_is_put_right_and_the_rest_stays(
    ledger: Ledger, events: dict[str, int], kind: str, name: str, value: object, kept: object
) -> None:
    event_id = events[kind]
    first = ledger.event(event_id)
    made = ledger.correct(event_id, reason=" misread ", replacement={name: value})
    assert (made.corrected_event_id, made.reason, made.replacement) == (event_id, "misread", {name: kept})
    seen = ledger.event(event_id)
    assert getattr(seen, name) == kept
    assert seen.corrected_by == (made.event_id,)
    assert seen.originals[name] == getattr(first, name)
    told = {"corrected_by", "originals", "as_built_after", "as_built_before", name}
    for field in vars(first):
        if field not in told:
            assert getattr(seen, field) == getattr(first, field), field
    assert ledger.event(made.event_id) == made == ledger.history("D5-0001")[-1]
    assert verify(ledger.path).clean


def test_a_correction_has_its_row(ledger: Ledger, events: dict[str, int]) -> None:
    made = ledger.correct(events["trial"], reason="misread", replacement={"temperature_c": 22})
    with closing(sqlite3.connect(ledger.path)) as plain:
        rows = plain.execute("SELECT * FROM corrections").fetchall()
    assert rows == [(made.event_id, events["trial"], "misread", '{"temperature_c":22.0}')]


@pytest.mark.parametrize(
    ("kind", "wrong", "says"),
    [
        ("begun", {"model_name": "x"}, r"\(begun\) has no model_name to correct: use material, lot, as_built\."),
        ("begun", {"state": "tuned", "x": 1, 3: 1}, "has no 3, state, x to correct"),
        ("measurement", {"tool": "x"}, "has no tool to correct: use as_built, gauge, remarks"),
        ("trial", {"model_name": "x"}, "has no model_name to correct: use taken_at, temperature_c"),
        ("head trial", {"model_name": "x"}, "has no model_name to correct"),
        ("cut", {"as_built": {}}, "has no as_built to correct"),
        ("adjustment", {"body": "x"}, "has no body to correct"),
        ("state", {"as_built": {}}, "has no as_built to correct: use state, reason"),
    ],
)
def test_only_what_a_person_said_may_be_replaced(
    ledger: Ledger, events: dict[str, int], kind: str, wrong: dict, says: str
) -> None:
    assert refused(ledger, says, events[kind], wrong) == ""


@pytest.mark.parametrize(
    ("kind", "wrong", "field"),
    [
        ("begun", {"material": 3}, "material"),
        ("trial", {"temperature_c": 99}, "temperature_c"),
        ("trial", {"notes": [a_note(cents=5000.0)]}, "cents of note 1 of the trial (D5)"),
        ("cut", {"tool": ""}, "tool"),
        ("head trial", {"readings": {}}, "readings"),
        ("adjustment", {"steps": 0}, "steps"),
        ("state", {"state": "polished"}, "state"),
        ("trial", {"as_built": [1]}, "as_built"),
        ("trial", {"as_built": {"wall": 2.0}}, "a name in as_built"),
        ("trial", {"as_built": {"wall_mm": -6000}}, "wall_mm"),
    ],
)
def test_the_right_value_passes_the_checks_of_a_new_one(
    ledger: Ledger, events: dict[str, int], kind: str, wrong: dict, field: str
) -> None:
    assert refused(ledger, ".", events[kind], wrong) == field


def test_a_correction_says_why_and_says_something_new(ledger: Ledger, events: dict[str, int]) -> None:
    for reason in ("", " ", 3):
        assert refused(ledger, ".", events["trial"], {"temperature_c": 23}, reason=reason) == "reason"  # type: ignore[arg-type]
    for nothing in ({}, None, [("temperature_c", 23)], "temperature_c"):
        assert refused(ledger, "give the right values by name", events["trial"], nothing) == "replacement"
    says = f"event {events['trial']} says so already: nothing was recorded"
    assert refused(ledger, says, events["trial"], {"temperature_c": TRIAL["temperature_c"], "remarks": ""}) == ""


def test_a_correction_is_not_corrected_itself_nor_is_a_model(ledger: Ledger, events: dict[str, int]) -> None:
    made = ledger.correct(events["trial"], reason="misread", replacement={"temperature_c": 22})
    says = f"event {made.event_id} is itself a correction: correct event {events['trial']} once more instead"
    refused(ledger, says, made.event_id, {"reason": "x"})
    refused(ledger, "event 1 added a model: add the right text as its next version", 1, {"name": "x"})
    refused(ledger, f"There is no event {made.event_id + 1}:", made.event_id + 1, {"lot": "2"})


@pytest.mark.parametrize("kind", ["trial", "head trial"])
def test_a_trial_may_be_compared_with_another_version_that_is_there(
    ledger: Ledger, events: dict[str, int], kind: str
) -> None:
    refused(ledger, "has no version 2", events[kind], {"model_version": 2})
    ledger.add_model("d5-cylinder", MODEL + "# wider\n")
    ledger.correct(events[kind], reason="compared with the old one", replacement={"model_version": 2})
    assert ledger.event(events[kind]).model_version == 2  # type: ignore[attr-defined]


# --- sizes


@pytest.mark.parametrize("kind", ["measurement", "trial", "head trial"])
def test_sizes_are_put_right_one_by_one(ledger: Ledger, events: dict[str, int], kind: str) -> None:
    present = ledger.as_built("D5-0001")
    made = ledger.correct(events[kind], reason="misread", replacement={"as_built": {"wall_mm": 2.2, "foot_mm": 7}})
    assert made.replacement == {"as_built": {"wall_mm": 2.2, "foot_mm": 7.0}}
    assert made.as_built_before == present
    assert made.as_built_after == present | {"wall_mm": 2.2, "foot_mm": 7.0} == ledger.as_built("D5-0001")
    seen = ledger.event(events[kind])
    assert (seen.as_built_after["wall_mm"], seen.as_built_after["foot_mm"]) == (2.2, 7.0)
    assert verify(ledger.path).clean


def test_a_size_is_taken_away_where_it_was_stated_and_nowhere_else(ledger: Ledger, events: dict[str, int]) -> None:
    says = f"event {events['trial']} states no size 'wall_mm' to take away"
    assert refused(ledger, says, events["trial"], {"as_built": {"wall_mm": None}}) == "as_built"
    ledger.log_measurement("D5-0001", as_built=ledger.as_built("D5-0001"))
    ledger.correct(
        events["measurement"],
        reason="misspelled",
        replacement={"as_built": {"wall_mm": None, "wall_thickness_mm": 2.0}},
    )
    sizes = ledger.as_built("D5-0001")
    assert "wall_mm" not in sizes
    assert sizes["wall_thickness_mm"] == 2.0
    assert verify(ledger.path).clean


def test_the_last_size_of_a_measurement_is_not_taken_away(ledger: Ledger, events: dict[str, int]) -> None:
    assert refused(ledger, "names no size", events["measurement"], {"as_built": {"wall_mm": None}}) == "as_built"


def test_a_corrected_start_shows_in_every_event_that_only_carried_it_on(ledger: Ledger, events: dict[str, int]) -> None:
    replacement = {"as_built": {"hole 4 diameter_mm": 7.15, "ramp_angle_deg": None}, "lot": "P-15"}
    ledger.correct(events["begun"], reason="misread", replacement=replacement)
    for kind, event_id in events.items():
        sizes = ledger.event(event_id).as_built_after
        assert sizes["hole 4 diameter_mm"] == 7.15, kind
        assert "ramp_angle_deg" not in sizes, kind
    piece = ledger.instrument("D5-0001")
    assert (piece.lot, piece.material) == ("P-15", "plum wood")
    assert ledger.event(events["begun"]).as_built_before == {}
    assert ledger.event(events["begun"]).originals["as_built"] == AS_BUILT


def test_a_cut_that_is_put_right_still_begins_at_the_recorded_size(ledger: Ledger, events: dict[str, int]) -> None:
    """Of the time of the cut, not of today: later cuts at the same place do not count."""
    ledger.log_cut("D5-0001", **(CUT | {"before_mm": 6.4, "after_mm": 6.6}))
    refused(ledger, r"D5-0001 is 6\.20 in the ledger, the cut says .* at 6\.21", events["cut"], {"before_mm": 6.21})
    refused(ledger, "no 'foot_mm' in the ledger", events["cut"], {"feature": "foot_mm"})
    ledger.correct(events["cut"], reason="misread", replacement={"before_mm": 6.205})
    ledger.correct(events["cut"], reason="misread", replacement={"after_mm": 6.38})
    assert ledger.as_built("D5-0001")["hole 3 diameter_mm"] == 6.6


def test_a_cut_at_the_wrong_place_gives_back_what_it_took(ledger: Ledger, events: dict[str, int]) -> None:
    right = {"feature": "hole 4 diameter_mm", "before_mm": 7.1, "after_mm": 7.2}
    made = ledger.correct(events["cut"], reason="it was hole 4", replacement=right)
    assert made.replacement == right
    sizes = ledger.as_built("D5-0001")
    assert (sizes["hole 3 diameter_mm"], sizes["hole 4 diameter_mm"]) == (6.2, 7.2)
    seen = ledger.event(events["cut"])
    assert (seen.as_built_before, seen.as_built_after["hole 4 diameter_mm"]) == (AS_BUILT | {"wall_mm": 2.0}, 7.2)


def test_a_cut_at_the_wrong_place_may_have_changed_that_place_after_all(ledger: Ledger, events: dict[str, int]) -> None:
    right = {
        "feature": "hole 4 diameter_mm",
        "before_mm": 7.1,
        "after_mm": 7.2,
        "as_built_after": {"hole 3 diameter_mm": 6.3},
    }
    ledger.correct(events["cut"], reason="the reamer touched both", replacement=right)
    sizes = ledger.as_built("D5-0001")
    assert (sizes["hole 3 diameter_mm"], sizes["hole 4 diameter_mm"]) == (6.3, 7.2)
    refused(ledger, "give one value", events["cut"], {"after_mm": 7.3, "as_built_after": {"hole 4 diameter_mm": 7.25}})


def test_sizes_after_a_cut_are_put_right_beside_the_cut(ledger: Ledger, events: dict[str, int]) -> None:
    ledger.correct(events["cut"], reason="wall too", replacement={"as_built_after": {"wall_mm": 1.9, "foot_mm": 7}})
    sizes = ledger.as_built("D5-0001")
    assert (sizes["wall_mm"], sizes["foot_mm"], sizes["hole 3 diameter_mm"]) == (1.9, 7.0, 6.4)
    ledger.correct(events["cut"], reason="not so", replacement={"as_built_after": {"foot_mm": None}})
    assert ledger.as_built("D5-0001") == {name: size for name, size in sizes.items() if name != "foot_mm"}


def test_where_a_size_is_taken_away_what_was_known_before_counts_again(ledger: Ledger, events: dict[str, int]) -> None:
    """It was gauged as 2.0, then wrongly noted as 1.9 beside a cut and carried on: it is 2.0, not unknown."""
    noted = ledger.log_cut("D5-0001", **(CUT | {"before_mm": 6.4, "after_mm": 6.5, "as_built_after": {"wall_mm": 1.9}}))
    later = ledger.log_trial("D5-0001", **(TRIAL | {"as_built": ledger.as_built("D5-0001")}))
    made = ledger.correct(noted.event_id, reason="not gauged", replacement={"as_built_after": {"wall_mm": None}})
    assert (made.as_built_before["wall_mm"], made.as_built_after["wall_mm"]) == (1.9, 2.0)
    assert ledger.as_built("D5-0001")["wall_mm"] == 2.0
    for event in (noted, later):
        assert ledger.event(event.event_id).as_built_after["wall_mm"] == 2.0
    assert ledger.event(events["measurement"]).as_built_after["wall_mm"] == 2.0
    assert verify(ledger.path).clean


def test_the_size_that_a_cut_changed_cannot_be_taken_away(ledger: Ledger, events: dict[str, int]) -> None:
    gone = {"as_built_after": {"hole 3 diameter_mm": None}}
    refused(ledger, "says so already", events["cut"], gone)
    ledger.correct(events["cut"], reason="it was the file", replacement={"tool": "file"} | gone)
    assert ledger.as_built("D5-0001")["hole 3 diameter_mm"] == 6.4
    right = {"feature": "hole 4 diameter_mm", "before_mm": 7.1, "after_mm": 7.2}
    ledger.correct(events["cut"], reason="it was hole 4", replacement=right)
    sizes = ledger.as_built("D5-0001")
    assert (sizes["hole 3 diameter_mm"], sizes["hole 4 diameter_mm"]) == (6.2, 7.2)


def test_a_later_finding_outlasts_the_correction_of_an_earlier_one(ledger: Ledger, events: dict[str, int]) -> None:
    ledger.log_measurement("D5-0001", as_built={"wall_mm": 2.05})
    ledger.correct(events["measurement"], reason="misread", replacement={"as_built": {"wall_mm": 1.8}})
    assert ledger.as_built("D5-0001")["wall_mm"] == 2.05
    assert ledger.event(events["measurement"]).as_built_after["wall_mm"] == 1.8


def test_the_state_is_that_of_the_last_change_as_now_known(ledger: Ledger, events: dict[str, int]) -> None:
    later = ledger.set_state("D5-0001", "accepted", "passed")
    ledger.correct(events["state"], reason="voiced only", replacement={"state": "voiced"})
    assert ledger.instrument("D5-0001").state is PieceState.ACCEPTED
    ledger.correct(later.event_id, reason="not yet", replacement={"state": "on hold"})
    assert ledger.instrument("D5-0001").state is PieceState.ON_HOLD
    assert [piece.state for piece in ledger.instruments(state=PieceState.ON_HOLD)] == [PieceState.ON_HOLD]


def test_the_newest_correction_of_one_detail_counts(ledger: Ledger, events: dict[str, int]) -> None:
    made = [
        ledger.correct(events["trial"], reason="misread", replacement=replacement)
        for replacement in ({"temperature_c": 22}, {"temperature_c": 23, "remarks": "wet"}, {"remarks": "dry"})
    ]
    seen = ledger.event(events["trial"])
    assert (seen.temperature_c, seen.remarks) == (23.0, "dry")  # type: ignore[attr-defined]
    assert seen.corrected_by == tuple(correction.event_id for correction in made)
    assert seen.originals == {"temperature_c": 21.5, "remarks": ""}
    # Back to what was said first: then nothing differs any more, and who looks still sees that it was corrected.
    ledger.correct(events["trial"], reason="no", replacement={"temperature_c": 21.5, "remarks": ""})
    assert ledger.event(events["trial"]).originals == {}
    assert ledger.event(events["trial"]).corrected
