from datetime import UTC, datetime, timedelta

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
