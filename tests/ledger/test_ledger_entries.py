"""What the details of each kind of event may be: every limit from both sides, and the field that a refusal names."""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import pytest
from ledger_samples import a_note

from fluewright.errors import LedgerError
from fluewright.ledger.entries import (
    ENTRIES,
    SIZE_AGREEMENT_MM,
    checked_model_version,
    sizes_agree,
    sizes_detail,
)
from fluewright.ledger.records import PieceState
from fluewright.ledger.schema import EventKind

SIZES = {"hole 3 diameter_mm": 6.2, "block_depth_mm": -0.15}
NOTE = {
    "note": "D5",
    "register": 1,
    "target_hz": 590.0,
    "frequency_hz": 588.3,
    "frequency_uncertainty_hz": 0.05,
    "cents": -5.0,
}
GOOD: dict[str, dict[str, Any]] = {
    EventKind.BEGUN: {
        "model_name": "d5-cylinder",
        "model_version": 2,
        "material": "plum wood",
        "lot": "P-14",
        "as_built": SIZES,
        "state": "in work",
    },
    EventKind.MEASUREMENT: {"as_built": SIZES, "gauge": "caliper", "remarks": "cold"},
    EventKind.TRIAL: {
        "taken_at": "2024-03-05T07:30:00.000000Z",
        "temperature_c": 21.5,
        "relative_humidity": 0.45,
        "breath_pa": 180.0,
        "recording_sha256": "ab" * 32,
        "recording_name": "second trial.wav",
        "analysis_version": "3",
        "model_name": "d5-cylinder",
        "model_version": 2,
        "notes": [NOTE],
        "as_built": SIZES,
        "remarks": "dry",
    },
    EventKind.CUT: {
        "feature": "hole 3 diameter_mm",
        "before_mm": 6.2,
        "after_mm": 6.4,
        "tool": "taper reamer",
        "reason": "G5 is flat",
        "forecast": {"cents": {"G5": -2.0}},
        "as_built_after": {"hole 3 diameter_mm": 6.4},
    },
    EventKind.STATE: {"state": "tuned", "reason": "within 5 cents"},
    EventKind.HEAD_TRIAL: {
        "taken_at": "2024-03-05T08:00:00.000000Z",
        "temperature_c": 20.5,
        "body": "good body",
        "good": True,
        "analysis_version": "3",
        "model_name": "d5-cylinder",
        "model_version": 2,
        "readings": {"format": "sample/1", "notes": []},
        "as_built": SIZES,
        "remarks": "",
    },
    EventKind.ADJUSTMENT: {
        "adjustment": "block-forward",
        "title": "block forward by 0.1 mm",
        "steps": 2.0,
        "changes": {"block_depth_mm": 0.2},
        "reason": "octave narrow",
        "forecast": {"cents": -3.0},
        "as_built_after": SIZES,
    },
}


def checked(kind: str, **changes: object) -> dict[str, Any]:
    return ENTRIES[kind].check(**(GOOD[kind] | changes))


def refused(kind: str, says: str = ".", **changes: object) -> str:
    """Return the field that the refusal names."""
    with pytest.raises(LedgerError, match=says) as error:
        checked(kind, **changes)
    return error.value.field


def test_every_kind_that_can_be_corrected_has_its_check() -> None:
    assert set(ENTRIES) == set(EventKind) - {EventKind.MODEL_ADDED, EventKind.CORRECTION}
    assert set(GOOD) == set(ENTRIES)


@pytest.mark.parametrize("kind", GOOD)
def test_a_good_entry_passes_as_it_is_and_so_does_its_result(kind: str) -> None:
    once = checked(kind)
    assert once == GOOD[kind]
    assert {name: type(value) for name, value in once.items()} == {
        name: type(value) for name, value in GOOD[kind].items()
    }
    assert ENTRIES[kind].check(**once) == once


@pytest.mark.parametrize(
    ("kind", "detail"),
    [
        (EventKind.BEGUN, "as_built"),
        (EventKind.MEASUREMENT, "as_built"),
        (EventKind.TRIAL, "as_built"),
        (EventKind.CUT, "as_built_after"),
        (EventKind.HEAD_TRIAL, "as_built"),
        (EventKind.ADJUSTMENT, "as_built_after"),
        (EventKind.STATE, None),
        (EventKind.MODEL_ADDED, None),
        (EventKind.CORRECTION, None),
    ],
)
def test_which_detail_states_sizes(kind: str, detail: str | None) -> None:
    assert sizes_detail(kind) == detail


def test_what_a_correction_may_replace() -> None:
    """All that a person said; not the model that a piece is made to, nor the state that it began in."""
    fixed = {name: set(GOOD[name]) - set(entry.correctable) for name, entry in ENTRIES.items()}
    assert {name: details for name, details in fixed.items() if details} == {
        EventKind.BEGUN: {"model_name", "model_version", "state"},
        EventKind.TRIAL: {"model_name"},
        EventKind.HEAD_TRIAL: {"model_name"},
    }
    for name, entry in ENTRIES.items():
        assert set(entry.correctable) <= set(GOOD[name])


# --- numbers


@pytest.mark.parametrize(
    ("kind", "detail", "low", "high", "unit"),
    [
        (EventKind.TRIAL, "temperature_c", -20.0, 60.0, " degC"),
        (EventKind.TRIAL, "relative_humidity", 0.0, 1.0, ""),
        (EventKind.TRIAL, "breath_pa", 1.0, 20000.0, " Pa"),
        (EventKind.HEAD_TRIAL, "temperature_c", -20.0, 60.0, " degC"),
        (EventKind.ADJUSTMENT, "steps", -100.0, 100.0, ""),
    ],
)
def test_numbers_are_taken_up_to_their_limits(kind: str, detail: str, low: float, high: float, unit: str) -> None:
    for value in (low, high):
        assert checked(kind, **{detail: value})[detail] == value
    for value in (low - 1e-6 * max(abs(low), 1.0), high + 1e-6 * max(abs(high), 1.0)):
        assert refused(kind, f"outside {low:g} to {high:g}{unit};", **{detail: value}) == detail
    for value in (float("nan"), "21", None, True):
        if value is not None or detail != "breath_pa":
            assert refused(kind, **{detail: value}) == detail


def test_a_breath_that_was_not_measured_is_none() -> None:
    assert checked(EventKind.TRIAL, breath_pa=None)["breath_pa"] is None


@pytest.mark.parametrize("kind", [EventKind.TRIAL, EventKind.HEAD_TRIAL])
def test_the_versions_of_a_model_are_whole_numbers_from_1(kind: str) -> None:
    assert checked(kind, model_version=1)["model_version"] == 1
    for value in (0, -1, 1.0, "1", True, None):
        assert refused(kind, model_version=value) == "model_version"
    assert checked_model_version(10**6) == 10**6
    with pytest.raises(LedgerError, match="outside 1 to 1000000"):
        checked_model_version(10**6 + 1)


@pytest.mark.parametrize(
    ("name", "low", "high", "unit"),
    [
        ("target_hz", 10.0, 30000.0, " Hz"),
        ("frequency_hz", 10.0, 30000.0, " Hz"),
        ("frequency_uncertainty_hz", 0.0, 30000.0, " Hz"),
        ("cents", -4800.0, 4800.0, " cents"),
    ],
)
def test_the_figures_of_a_note_are_taken_up_to_their_limits(name: str, low: float, high: float, unit: str) -> None:
    for value in (low, high):
        (note,) = checked(EventKind.TRIAL, notes=[NOTE | {name: value}])["notes"]
        assert note == NOTE | {name: value}
    for value in (low - 0.001, high + 0.001, None, float("nan")):
        says = f"outside {low:g} to {high:g}{unit};" if isinstance(value, float) and value == value else "."
        field = refused(EventKind.TRIAL, says, notes=[NOTE, NOTE | {name: value}])
        assert field == f"{name} of note 2 of the trial (D5)"


def test_a_note_has_a_name_and_a_register_from_1_to_9() -> None:
    for register in (1, 9):
        assert checked(EventKind.TRIAL, notes=[NOTE | {"register": register}])["notes"][0]["register"] == register
    for register in (0, 10, 1.5, None):
        field = refused(EventKind.TRIAL, notes=[NOTE | {"register": register}])
        assert field == "register of note 1 of the trial (D5)"
    assert checked(EventKind.TRIAL, notes=[NOTE | {"note": " C#6 "}])["notes"][0]["note"] == "C#6"
    assert checked(EventKind.TRIAL, notes=[NOTE | {"note": "x" * 40}])["notes"][0]["note"] == "x" * 40
    for name in ("", "x" * 41, None):
        assert refused(EventKind.TRIAL, notes=[NOTE | {"note": name}]) == "name of note 1 of the trial"


def test_notes_are_a_list_of_whole_notes() -> None:
    assert checked(EventKind.TRIAL, notes=())["notes"] == []
    assert checked(EventKind.TRIAL, notes=(a_note(), NOTE))["notes"] == [NOTE, NOTE]
    for notes in ("D5", {"D5": NOTE}, 3, None):
        assert refused(EventKind.TRIAL, "give a list of TrialNote", notes=notes) == "notes"
    for note in (NOTE | {"loudness_db": 60.0}, {"note": "D5"}, "D5", None):
        says = "give note, register, target_hz, frequency_hz, frequency_uncertainty_hz, cents"
        assert refused(EventKind.TRIAL, says, notes=[NOTE, NOTE, note]) == "note 3 of the trial"


# --- texts


REQUIRED = [
    (EventKind.TRIAL, "recording_name", 4000),
    (EventKind.TRIAL, "analysis_version", 4000),
    (EventKind.CUT, "tool", 4000),
    (EventKind.CUT, "reason", 4000),
    (EventKind.STATE, "reason", 4000),
    (EventKind.HEAD_TRIAL, "analysis_version", 4000),
    (EventKind.ADJUSTMENT, "adjustment", 80),
    (EventKind.ADJUSTMENT, "title", 400),
]
MAY_BE_EMPTY = [
    (EventKind.BEGUN, "material", 4000),
    (EventKind.BEGUN, "lot", 4000),
    (EventKind.MEASUREMENT, "gauge", 4000),
    (EventKind.MEASUREMENT, "remarks", 4000),
    (EventKind.TRIAL, "remarks", 4000),
    (EventKind.HEAD_TRIAL, "body", 120),
    (EventKind.HEAD_TRIAL, "remarks", 4000),
    (EventKind.ADJUSTMENT, "reason", 4000),
]


@pytest.mark.parametrize(("kind", "detail", "most"), [*REQUIRED, *MAY_BE_EMPTY])
def test_texts_are_stripped_and_taken_up_to_their_length(kind: str, detail: str, most: int) -> None:
    assert checked(kind, **{detail: "  two\nlines\t"})[detail] == "two\nlines"
    assert checked(kind, **{detail: "x" * most})[detail] == "x" * most
    for value in ("x" * (most + 1), "\x00", 3, None, b"x"):
        assert refused(kind, **{detail: value}) == detail


@pytest.mark.parametrize(("kind", "detail"), [(kind, detail) for kind, detail, _ in REQUIRED])
def test_what_must_be_said_is_not_empty(kind: str, detail: str) -> None:
    for value in ("", " \n"):
        assert refused(kind, "is empty", **{detail: value}) == detail


@pytest.mark.parametrize(("kind", "detail"), [(kind, detail) for kind, detail, _ in MAY_BE_EMPTY])
def test_what_need_not_be_said_may_be_empty(kind: str, detail: str) -> None:
    assert checked(kind, **{detail: " "})[detail] == ""


def test_the_hash_of_a_recording_is_kept_in_small_letters() -> None:
    assert checked(EventKind.TRIAL, recording_sha256="AB" * 32)["recording_sha256"] == "ab" * 32
    for value in ("ab" * 31, "ab" * 33, "g" * 64, "", None):
        assert refused(EventKind.TRIAL, recording_sha256=value) == "recording_sha256"


@pytest.mark.parametrize("kind", [EventKind.TRIAL, EventKind.HEAD_TRIAL])
def test_a_time_is_kept_in_utc(kind: str) -> None:
    for value in ("2024-03-05T09:30:00+02:00", datetime(2024, 3, 5, 7, 30, tzinfo=UTC)):
        assert checked(kind, taken_at=value)["taken_at"] == "2024-03-05T07:30:00.000000Z"
    for value in (datetime(2024, 3, 5), "2024-03-05T09:30:00", 5, None):
        assert refused(kind, taken_at=value) == "taken_at"


# --- sizes


WITH_SIZES = [(kind, entry.sizes) for kind, entry in ENTRIES.items() if entry.sizes]


@pytest.mark.parametrize(("kind", "detail"), WITH_SIZES)
def test_sizes_are_a_mapping_by_name_and_unit(kind: str, detail: str) -> None:
    assert refused(kind, "give sizes by name", **{detail: [6.2]}) == detail
    assert refused(kind, "does not end with its unit", **{detail: {"hole 3": 6.2}}) == f"a name in {detail}"
    assert refused(kind, **{detail: {"wall_mm": float("nan")}}) == "wall_mm"
    assert refused(kind, "twice", **{detail: {"wall_mm": 1.0, "wall_mm ": 1.0}}) == detail


def test_a_measurement_names_at_least_one_size_and_others_need_none() -> None:
    for kind, detail in WITH_SIZES:
        if kind == EventKind.MEASUREMENT:
            assert refused(kind, "names no size", **{detail: {}}) == detail
        elif kind != EventKind.CUT:
            assert checked(kind, **{detail: {}})[detail] == {}


def test_the_changed_size_always_stands_among_the_sizes_after_a_cut() -> None:
    assert checked(EventKind.CUT, as_built_after={})["as_built_after"] == {"hole 3 diameter_mm": 6.4}
    more = {"hole 3 diameter_mm": 6.4 + SIZE_AGREEMENT_MM / 2, "wall_mm": 2.0}
    # One value counts: that of the cut.
    assert checked(EventKind.CUT, as_built_after=more)["as_built_after"] == {"hole 3 diameter_mm": 6.4, "wall_mm": 2.0}


@pytest.mark.parametrize("apart_mm", [0.0051, -0.0051, 0.5])
def test_two_sizes_after_one_cut_agree(apart_mm: float) -> None:
    wrong = {"hole 3 diameter_mm": 6.4 + apart_mm}
    assert refused(EventKind.CUT, "give one value", as_built_after=wrong) == "hole 3 diameter_mm"
    right = {"hole 3 diameter_mm": 6.4 + apart_mm / abs(apart_mm) * 0.0049}
    assert checked(EventKind.CUT, as_built_after=right)["after_mm"] == 6.4


def test_readings_agree_within_half_of_a_calipers_last_digit() -> None:
    """The limit included, though no such difference is exact in binary: 6.4 - 6.395 is more than 0.005 there."""
    assert SIZE_AGREEMENT_MM == 0.005
    for apart_mm in (0.005, -0.005):
        for hundredth in range(600, 700):
            size_mm = hundredth / 100
            assert sizes_agree(size_mm, size_mm + apart_mm)
            assert sizes_agree(size_mm + apart_mm, size_mm)
            assert not sizes_agree(size_mm, size_mm + 1.001 * apart_mm)
    for size_mm in (6.395, 6.405):
        sizes = {"hole 3 diameter_mm": size_mm}
        assert checked(EventKind.CUT, as_built_after=sizes)["as_built_after"] == {"hole 3 diameter_mm": 6.4}


def test_a_cut_changes_one_size_in_mm() -> None:
    assert checked(EventKind.CUT, feature=" hole 3 diameter_mm ")["feature"] == "hole 3 diameter_mm"
    assert refused(EventKind.CUT, "a cut changes a size", after_mm=6.2) == "hole 3 diameter_mm"
    assert refused(EventKind.CUT, "not a size in mm", feature="ramp_angle_deg") == "feature"
    assert refused(EventKind.CUT, "its unit", feature="hole 3") == "feature"
    for name in ("before_mm", "after_mm"):
        for value in (-0.1, 5000.1, None, "6.2"):
            assert refused(EventKind.CUT, **{name: value}) == "hole 3 diameter_mm"
    # An edge that is filed back, or a block: a cut may also make a size smaller, and a depth may be negative.
    said = checked(EventKind.CUT, feature="block_depth_mm", before_mm=0.1, after_mm=-0.1, as_built_after={})
    assert (said["before_mm"], said["after_mm"]) == (0.1, -0.1)


@pytest.mark.parametrize("kind", [EventKind.CUT, EventKind.ADJUSTMENT])
def test_a_forecast_is_a_mapping_of_plain_values(kind: str) -> None:
    assert checked(kind, forecast={"risk": (1, 2), "when": None})["forecast"] == {"risk": [1, 2], "when": None}
    for value in ([1], "flat", None):
        assert refused(kind, "name each forecast value", forecast=value) == "forecast"
    assert refused(kind, forecast={"cents": float("inf")}) == "forecast['cents']"
    assert refused(kind, forecast={3: 1}) == "forecast"


# --- heads


def test_a_head_is_good_or_not() -> None:
    assert checked(EventKind.HEAD_TRIAL, good=False)["good"] is False
    for value in (1, 0, "yes", None):
        assert refused(EventKind.HEAD_TRIAL, "not yes or no", good=value) == "good"


def test_readings_name_their_format() -> None:
    for value in ({}, {"format": 1}, {"format": None}, [], "sample/1", None):
        assert refused(EventKind.HEAD_TRIAL, "names its format", readings=value) == "readings"
    assert refused(EventKind.HEAD_TRIAL, readings={"format": "a/1", "x": float("nan")}) == "readings['x']"


def test_an_adjustment_does_something_though_it_need_change_no_size() -> None:
    assert checked(EventKind.ADJUSTMENT, changes={}, as_built_after={})["changes"] == {}
    assert checked(EventKind.ADJUSTMENT, steps=-1)["steps"] == -1.0
    assert refused(EventKind.ADJUSTMENT, "does something", steps=0) == "steps"
    assert refused(EventKind.ADJUSTMENT, "does something", steps=-0.0) == "steps"


def test_changes_are_taken_up_to_a_hundred_either_way() -> None:
    for value in (-100.0, 100.0):
        changes: Mapping[str, float] = {"window_length_mm": value}
        assert checked(EventKind.ADJUSTMENT, changes=changes)["changes"] == changes
    for value in (-100.1, 100.1, None):
        says = "outside -100 to 100;" if value else "."
        field = refused(EventKind.ADJUSTMENT, says, changes={"window_length_mm": value})
        assert field == "change of window_length_mm"
    assert refused(EventKind.ADJUSTMENT, "not a mapping", changes=[0.1]) == "changes"
    assert refused(EventKind.ADJUSTMENT, "its unit", changes={"block_depth": 0.1}) == "a name in changes"
    assert refused(EventKind.ADJUSTMENT, "twice", changes={"wall_mm": 1, "wall_mm ": 2}) == "changes"


# --- states


@pytest.mark.parametrize("kind", [EventKind.BEGUN, EventKind.STATE])
def test_a_state_is_one_of_the_shops(kind: str) -> None:
    for state in PieceState:
        assert checked(kind, state=state)["state"] == str(state)
        assert type(checked(kind, state=state)["state"]) is str
    for value in ("polished", "TUNED", "", None, 3, ["tuned"]):
        assert refused(kind, "use one of planned, in work, voiced, ", state=value) == "state"


def test_a_piece_begins_in_work() -> None:
    said = {name: value for name, value in GOOD[EventKind.BEGUN].items() if name != "state"}
    assert ENTRIES[EventKind.BEGUN].check(**said)["state"] == "in work"


def test_only_scrap_and_cancelling_are_final() -> None:
    assert {state for state in PieceState if state.final} == {PieceState.SCRAPPED, PieceState.CANCELLED}
