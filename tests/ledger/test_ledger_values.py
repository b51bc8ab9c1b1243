from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.errors import LedgerError
from fluewright.ledger import values
from fluewright.ledger.chain import canonical_json

json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(-1e300, 1e300) | st.just("words"),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("abc"), inner, max_size=3),
    max_leaves=8,
)


@given(json_values)
def test_json_values_pass_unchanged_and_are_stable(value: object) -> None:
    once = values.checked_json("forecast", value)
    assert once == value
    assert canonical_json(values.checked_json("forecast", once)) == canonical_json(once)


@pytest.mark.parametrize(
    "value",
    [
        float("nan"),
        float("inf"),
        {"a": [1, {"b": float("-inf")}]},
        {1: 2},
        object(),
        b"bytes",
        "\x00",
        2**60,
        "\ud800",
    ],
)
def test_json_that_cannot_be_kept_is_refused(value: object) -> None:
    with pytest.raises(LedgerError, match="forecast"):
        values.checked_json("forecast", value)


def test_json_takes_numpy_values() -> None:
    said = values.checked_json("forecast", {"a": np.float32(0.5), "b": np.int64(3), "c": np.array([1.0, 2.0])})
    assert canonical_json(said) == '{"a":0.5,"b":3,"c":[1.0,2.0]}'


def test_endless_nesting_is_refused() -> None:
    loop: list = []
    loop.append(loop)
    with pytest.raises(LedgerError, match="nested"):
        values.checked_json("forecast", loop)


@pytest.mark.parametrize("serial", ["D5-0001", "F#4-0012", "Low3-12345", "D5-999999999"])
def test_good_serials(serial: str) -> None:
    text, prefix, number = values.checked_serial(f" {serial} ")
    assert text == serial
    assert f"{prefix}-{number:04d}" == serial


@pytest.mark.parametrize(
    "serial", ["", "D5", "D5-1", "D5-0000", "D5-00001", "d5-0001", "D5 0001", "D5-٠٠٠١", 7, "D5-0001x"]
)
def test_bad_serials(serial: object) -> None:
    with pytest.raises(LedgerError, match="serial"):
        values.checked_serial(serial)


@pytest.mark.parametrize(
    ("name", "size", "says"),
    [
        ("hole 3 diameter_mm", float("nan"), "finite"),
        ("hole 3 diameter_mm", float("inf"), "finite"),
        ("hole 3 diameter_mm", -0.1, "outside 0 to 5000 mm"),
        ("hole 3 diameter_mm", 6000, "outside 0 to 5000 mm"),
        ("hole 3 diameter_mm", True, "not a number"),
        ("hole 3 diameter_mm", "6.2", "not a number"),
        ("hole 3 diameter", 6.2, "unit"),
        ("moisture_fraction", 8, "outside 0 to 1"),
        ("  ", 6.2, "empty"),
    ],
)
def test_sizes_that_cannot_be(name: str, size: object, says: str) -> None:
    with pytest.raises(LedgerError, match=says):
        values.checked_sizes("as_built", {name: size})


def test_one_size_is_named_once() -> None:
    with pytest.raises(LedgerError, match="twice"):
        values.checked_sizes("as_built", {"wall_mm": 1, " wall_mm": 2})


def test_depths_and_offsets_may_be_negative_and_zero_has_no_sign() -> None:
    sizes = values.checked_sizes("as_built", {"block_depth_mm": -0.2, "edge_offset_mm": -0.0})
    assert canonical_json(sizes) == '{"block_depth_mm":-0.2,"edge_offset_mm":0.0}'


@pytest.mark.parametrize(
    "value", [datetime(2031, 5, 6), "2031-05-06T10:00", "yesterday", 5, "0001-01-01T00:00:00+14:00"]
)
def test_times_without_a_zone_or_sense_are_refused(value: object) -> None:
    with pytest.raises(LedgerError, match="taken_at"):
        values.checked_time("taken_at", value)


def test_a_time_to_come_is_refused() -> None:
    with pytest.raises(LedgerError, match="still to come"):
        values.checked_time("taken_at", datetime.now(UTC) + timedelta(hours=1))


@pytest.mark.parametrize(("size_mm", "text"), [(6.2, "6.20"), (0.895, "0.895"), (12.0, "12.00"), (6.2049, "6.2049")])
def test_sizes_are_shown_as_the_shop_reads_them(size_mm: float, text: str) -> None:
    assert values.mm_text(size_mm) == text


def test_a_size_in_a_list_of_mm_has_its_unit_from_the_list():
    assert values.checked_size_name("feature", "bore.stations_mm.2.diameter") == "bore.stations_mm.2.diameter"
    assert values.checked_size("bore.stations_mm.1.x", -28.0) == -28.0
    with pytest.raises(LedgerError, match="diameter"):
        values.checked_size("bore.stations_mm.1.diameter", -1.0)
    with pytest.raises(LedgerError, match="does not end with its unit"):
        values.checked_size_name("feature", "bore.stations.1.diameter")


# --- every limit from both sides, and the field that a refusal names


def field_of(check, *args, says: str = ".", **kwargs) -> str:
    with pytest.raises(LedgerError, match=says) as error:
        check(*args, **kwargs)
    return error.value.field


def test_a_text_is_taken_up_to_its_length_without_the_space_around_it() -> None:
    assert values.checked_text("reason", " \tflat in\nboth registers \n") == "flat in\nboth registers"
    assert values.checked_text("reason", "x" * 4000) == "x" * 4000
    assert values.checked_text("reason", " " * 9 + "x" * 7, most=7) == "x" * 7
    assert field_of(values.checked_text, "reason", "x" * 8, most=7, says="has 8 characters, more than 7;") == "reason"
    assert field_of(values.checked_text, "reason", "x" * 4001, says="4000") == "reason"
    assert values.checked_text("remarks", " ", required=False) == ""
    assert field_of(values.checked_text, "reason", " ", says="is empty") == "reason"
    assert field_of(values.checked_text, "reason", 3, says="is 3, not a text") == "reason"


@pytest.mark.parametrize(
    "character", [chr(code) for code in (0, 1, 0x0B, 0x0D, 0x1F, 0x7F, 0x9B, 0x202E, 0x2066, 0xD800, 0xDFFF)]
)
def test_characters_that_cannot_be_shown_or_kept_are_refused(character: str) -> None:
    assert field_of(values.checked_text, "reason", f"a{character}b", says="unprintable") == "reason"


@pytest.mark.parametrize("character", [chr(code) for code in (0x09, 0x0A, 0x20, 0x21, 0x266F, 0xD7FF, 0xE000, 0x1D15E)])
def test_all_other_characters_are_kept(character: str) -> None:
    assert values.checked_text("reason", f"a{character}b") == f"a{character}b"


@pytest.mark.parametrize("value", [-1.0, 2.5, 7, np.float64(7.0)])
def test_a_number_is_taken_up_to_its_limits(value: float) -> None:
    number = values.checked_number("steps", value, -1.0, 7.0, unit="", mend="count")
    assert (number, type(number)) == (float(value), float)


@pytest.mark.parametrize(
    ("value", "says"),
    [
        (-1.001, "is -1.001 mm, outside -1 to 7 mm; gauge it."),
        (7.001, "is 7.001 mm, outside -1 to 7 mm; gauge it."),
        (float("nan"), "is nan, not a finite number of mm; gauge it."),
        (float("-inf"), "is -inf, not a finite number of mm; gauge it."),
        (True, "is True, not a number; gauge it."),
        ("2", "is '2', not a number; gauge it."),
        (None, "is None, not a number; gauge it."),
        (2j, "is 2j, not a number; gauge it."),
    ],
)
def test_what_is_no_such_number_is_told_with_limit_and_mend(value: object, says: str) -> None:
    with pytest.raises(LedgerError) as error:
        values.checked_number("wall_mm", value, -1.0, 7.0, unit="mm", mend="gauge it")
    assert (error.value.field, error.value.problem) == ("wall_mm", says)


def test_a_number_without_a_unit_is_told_without_one() -> None:
    for value, says in ((8, "is 8, outside 0 to 7; count."), (float("inf"), "not a finite number of this kind;")):
        assert field_of(values.checked_number, "steps", value, 0, 7, unit="", mend="count", says=says) == "steps"


def test_a_whole_number_is_taken_up_to_its_limits() -> None:
    for value in (1, 9, np.int64(4)):
        number = values.checked_whole("register", value, 1, 9, mend="count")
        assert (number, type(number)) == (int(value), int)
    for value, says in (
        (0, "is 0, outside 1 to 9; count."),
        (10, "is 10, outside 1 to 9; count."),
        (2.0, "is 2.0, not a whole number; count."),
        (True, "is True, not a whole number; count."),
        (None, "is None, not a whole number; count."),
    ):
        assert field_of(values.checked_whole, "register", value, 1, 9, mend="count", says=says) == "register"


def test_a_sha256_has_64_hexadecimal_digits() -> None:
    assert values.checked_sha256("recording_sha256", f" {'0123456789ABCDEF' * 4} ") == "0123456789abcdef" * 4
    for value in ("0" * 63, "0" * 65, "g" + "0" * 63, "0" * 64 + "\nx"):
        assert field_of(values.checked_sha256, "recording_sha256", value, says="not a SHA-256") == "recording_sha256"
    assert field_of(values.checked_sha256, "recording_sha256", "y" * 200, says=f"is '{'y' * 80}', not") == (
        "recording_sha256"
    )


def test_a_time_is_brought_to_utc() -> None:
    moment = datetime(2024, 3, 5, 7, 30, tzinfo=UTC)
    for value in ("2024-03-05T09:30:00+02:00", "2024-03-05T07:30:00Z", moment):
        found = values.checked_time("taken_at", value)
        assert (found, found.utcoffset()) == (moment, timedelta(0))
    for value, says in (
        ("yesterday", "is 'yesterday', not a time; write it like"),
        (5, "is 5, not a time; give a datetime"),
        ("2024-03-05T09:30:00", "is 2024-03-05T09:30:00 without a time zone"),
        ("0001-01-01T00:00:00+14:00", "outside the calendar"),
    ):
        assert field_of(values.checked_time, "taken_at", value, says=says) == "taken_at"


def test_a_clock_may_be_ten_minutes_ahead() -> None:
    now = datetime.now(UTC)
    assert values.checked_time("taken_at", now + timedelta(minutes=9)) == now + timedelta(minutes=9)
    says = "which is still to come"
    assert field_of(values.checked_time, "taken_at", now + timedelta(minutes=11), says=says) == "taken_at"


@pytest.mark.parametrize("prefix", ["D", "D5", "F#4", "Low3", "A" * 16])
def test_good_prefixes(prefix: str) -> None:
    assert values.checked_prefix(f" {prefix}") == prefix


@pytest.mark.parametrize("prefix", ["", "d5", "5D", "#F", "D-5", "D 5", "A" * 17, "Ä5", None, 5])
def test_bad_prefixes(prefix: object) -> None:
    assert field_of(values.checked_prefix, prefix) == "prefix"


@pytest.mark.parametrize(
    ("serial", "parts"),
    [
        ("D5-0001", ("D5", 1)),
        ("D5-9999", ("D5", 9999)),
        ("D5-10000", ("D5", 10000)),
        ("A" * 16 + "-0420", ("A" * 16, 420)),
        ("D5-999999999", ("D5", 999_999_999)),
    ],
)
def test_a_serial_is_taken_apart(serial: str, parts: tuple[str, int]) -> None:
    assert values.checked_serial(serial) == (serial, *parts)


@pytest.mark.parametrize(
    "serial", ["D5-001", "D5-0000", "D5-00010", "D5-1000000000", "A" * 17 + "-0001", "-0001", "D5_0001", None]
)
def test_other_forms_of_a_serial_are_refused(serial: object) -> None:
    assert field_of(values.checked_serial, serial) == "serial"


@pytest.mark.parametrize(
    ("name", "low", "high", "unit"),
    [
        ("block_depth_mm", -5000.0, 5000.0, " mm"),
        ("edge_offset_mm", -5000.0, 5000.0, " mm"),
        ("ramp_angle_deg", -360.0, 360.0, " deg"),
        ("swarf_g", 0.0, 50000.0, " g"),
        ("moisture_fraction", 0.0, 1.0, ""),
        ("hole 3 diameter_mm", 0.0, 5000.0, " mm"),
        ("window_length_mm", 0.0, 5000.0, " mm"),
        ("window_width_mm", 0.0, 5000.0, " mm"),
        ("head.windway.exit_height_mm", 0.0, 5000.0, " mm"),
        ("wall_thickness_mm", 0.0, 5000.0, " mm"),
        ("outer_round_radius_mm", 0.0, 5000.0, " mm"),
        ("bore.stations_mm.2.diameter", 0.0, 5000.0, " mm"),
        ("bore.stations_mm.2.x", -5000.0, 5000.0, " mm"),
    ],
)
def test_a_size_is_taken_up_to_what_its_unit_allows(name: str, low: float, high: float, unit: str) -> None:
    assert values.checked_size_name("feature", name) == name
    for size in (low, high):
        assert values.checked_size(name, size) == size
    for size in (low - 0.01, high + 0.01):
        says = f"outside {low:g} to {high:g}{unit}; measure it again."
        assert field_of(values.checked_size, name, size, says=says) == name


def test_a_size_is_named_with_its_unit_in_at_most_120_characters() -> None:
    assert values.checked_size_name("feature", f" {'x' * 117}_mm") == "x" * 117 + "_mm"
    for name in ("x" * 118 + "_mm", "hole 3", "hole_mm 3", "mm", "", None, 3):
        assert field_of(values.checked_size_name, "feature", name) == "feature"


def test_sizes_are_checked_one_by_one() -> None:
    given = {"wall_mm": 2, " ramp_angle_deg": np.float64(14.5)}
    assert values.checked_sizes("as_built", given) == {"wall_mm": 2.0, "ramp_angle_deg": 14.5}
    assert values.checked_sizes("as_built", {}) == {}
    doubled = values.checked_sizes("changes", given, check=lambda name, size: 2.0 * size)
    assert doubled == {"wall_mm": 4.0, "ramp_angle_deg": 29.0}
    assert field_of(values.checked_sizes, "as_built", [2], says="not a mapping; give sizes by name") == "as_built"
    assert field_of(values.checked_sizes, "as_built", {"wall_mm": -6000}) == "wall_mm"
    assert field_of(values.checked_sizes, "as_built", {3: 2.0}) == "a name in as_built"


def test_json_is_taken_up_to_its_limits() -> None:
    deepest: object = 1
    for _ in range(20):
        deepest = [deepest]
    for value in (2**53, -(2**53), 1e308, -1e308, "x" * 100_000, deepest, [], {}, None, False, ""):
        assert values.checked_json("forecast", value) == value
    for value, says in (
        (2**53 + 1, "give it as text"),
        (-(2**53) - 1, "give it as text"),
        (1.1e308, "leave it out"),
        (-1.1e308, "leave it out"),
        ("x" * 100_001, "more than 100000"),
        (b"x", "is a bytes, which JSON cannot hold"),
        (bytearray(b"x"), "is a bytearray"),
        ({1, 2}, "is a set"),
        ({"a": 1, 2: 3}, "has the key 2, not a text"),
    ):
        assert field_of(values.checked_json, "forecast", value, says=says) == "forecast"
    too_deep = field_of(values.checked_json, "forecast", [deepest], says="nested more than 20 deep")
    assert too_deep == "forecast" + "[0]" * 21


def test_json_tells_where_a_value_stands() -> None:
    value = {"cents": [1.0, {"G5": float("nan")}]}
    assert field_of(values.checked_json, "forecast", value, says="is nan") == "forecast['cents'][1]['G5']"
    array = {"cents": np.array([1.0, np.nan])}
    assert field_of(values.checked_json, "forecast", array, says="is nan") == "forecast['cents'][1]"
    assert field_of(values.checked_json, "forecast", {"a\x00": 1}, says="unprintable") == "a key in forecast"
    assert field_of(values.checked_json, "forecast", {"": 1}, says="is empty") == "a key in forecast"
    nested: object = {}
    for _ in range(21):
        nested = {"a": nested}
    assert field_of(values.checked_json, "forecast", nested, says="nested") == "forecast" + "['a']" * 21


def test_json_turns_what_it_can_into_plain_values() -> None:
    moment = datetime(2024, 3, 5, 9, 30, tzinfo=timezone(timedelta(hours=2)))
    said = values.checked_json("forecast", {"at": moment, "t": (1, 2), "b": np.bool_(True), "s": " x "})
    assert said == {"at": "2024-03-05T07:30:00+00:00", "t": [1, 2], "b": True, "s": "x"}
    assert field_of(values.checked_json, "forecast", {"at": datetime(2024, 3, 5)}, says="zone") == "forecast['at']"
    deep = np.zeros((1,) * 20)
    assert field_of(values.checked_json, "forecast", [deep], says="nested") != ""


@pytest.mark.parametrize(
    ("size_mm", "text"),
    [(6.0, "6.00"), (6.25, "6.25"), (6.255, "6.255"), (6.123456, "6.12346"), (-0.15, "-0.15"), (0.001, "0.001")],
)
def test_a_size_has_two_decimals_and_more_only_where_they_matter(size_mm: float, text: str) -> None:
    assert values.mm_text(size_mm) == text
