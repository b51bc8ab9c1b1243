"""Records are plain values, one dict a row with the same keys, so that a data-frame library takes them at once."""

import json

import pandas as pd
import pytest

import fluewright as fw

PLAIN = {str, int, float, bool, type(None)}


def test_records_are_plain_values_in_even_rows(results):
    for name, result in results.items():
        rows = result.records()
        assert isinstance(rows, list), name
        for row in rows:
            assert type(row) is dict, name
            assert list(row) == list(rows[0]), name
            assert {type(v) for v in row.values()} <= PLAIN, (name, row)
            assert all(v == v and abs(v) != float("inf") for v in row.values() if isinstance(v, float)), (name, row)
        assert json.loads(json.dumps(rows, allow_nan=False)) == rows


def test_every_kind_of_result_has_rows_here(results):
    """Else the test above would look at nothing."""
    empty = {name for name, result in results.items() if not result.records()}
    assert empty <= {"forecasts", "new piece", "left cuts"}


def test_a_caller_may_change_its_records(predicted):
    rows = predicted.records()
    rows[0]["cents"] = None
    assert predicted.records()[0]["cents"] is not None
    table = fw.models()
    table.records()[0]["name"] = ""
    assert table.records()[0]["name"]


def test_a_data_frame_library_takes_them_at_once(predicted, blown, heard):
    frame = pd.DataFrame(predicted.records())
    assert frame.shape == (14, 10)
    assert frame["cents"].dtype == "float64"
    assert (frame["cents"] ** 2).mean() ** 0.5 == pytest.approx(predicted.rms_cents)
    breaths = pd.DataFrame(blown.records())
    assert breaths["jumps_at_pa"].isna().sum() == sum(r["jumps_at_pa"] is None for r in blown.records())
    assert breaths["jumps_at_pa"].dtype == "float64"
    assert pd.DataFrame(heard.records())["cents"].between(-35.0, 0.0).all()


def test_records_say_what_the_packages_say(predicted, blown, heard, advice, model):
    for row, note, spread in zip(predicted.records(), predicted.notes, predicted.prediction.uncertainties, strict=True):
        assert (row["note"], row["cents"]) == (note.note, note.cents)
        assert row["from_sizes_cents"] == spread.from_dimensions_cents
        assert row["hole"] == ("foot" if note.governing_hole is None else model.holes[note.governing_hole].name)
    for row, note in zip(blown.records(), blown.notes, strict=True):
        assert (row["starts_pa"], row["planned_cents"]) == (note.onset_pa, note.planned_cents)
    for row, named in zip(heard.records(), heard.notes, strict=True):
        assert (row["note"], row["frequency_hz"]) == (named.name, named.heard.frequency_hz)
    last = advice.plan[-1]
    for i, row in enumerate(advice.records()):
        assert row["cents"] == pytest.approx(float(advice.verdict.cents[i]))
        assert row["cents_after"] == pytest.approx(float(last.cents_after[i]))
