"""The virtual heads of research/workshop: what was reached, and a few of them run again."""

import json
from pathlib import Path

import pytest

KEPT = Path(__file__).parents[3] / "research" / "workshop" / "heads.json"


@pytest.fixture(scope="module")
def kept():
    return json.loads(KEPT.read_text())


def test_the_right_cause_is_among_the_first_two(kept):
    """300 heads of three models with one hidden fault each: at least 85 %, alone and beside a good head."""
    rows = kept["rows"]
    assert len(rows) == 300
    assert len({r["model"] for r in rows}) == 3
    for way in ("alone", "beside a good head"):
        share = sum(r[way]["rank"] <= 2 for r in rows) / len(rows)
        assert share == pytest.approx(kept["summary"][way]["among_first_two"])
        assert share >= 0.85


def test_the_first_advice_improves_the_symptom_in_the_time_domain(kept):
    """At least 80 % of the heads whose symptom the sound can tell; they are nearly all."""
    judged = [r["beside a good head"] for r in kept["rows"]]
    told = [r for r in judged if r["improved"] is not None]
    assert len(told) >= 0.9 * len(judged)
    assert sum(r["improved"] for r in told) / len(told) >= 0.80
    for r in told:
        assert r["improved"] == (abs(r["off_after"]) < abs(r["off_before"]))


def test_a_diagnosis_was_quick(kept):
    for way in ("alone", "beside a good head"):
        assert kept["summary"][way]["seconds_median"] < 1.0


def test_sizes_are_within_their_own_uncertainty(kept):
    """Where the right cause came first, its size lies within two sigmas as often as it should, or nearly."""
    first = [(r["size"], r[w]) for r in kept["rows"] for w in ("alone", "beside a good head") if r[w]["rank"] == 1]
    within = sum(abs(size - found["size"]) < 2.0 * found["sigma"] for size, found in first) / len(first)
    assert within > 0.8


@pytest.mark.parametrize("place", [1, 3, 5])
def test_heads_run_again_give_the_same(kept, heads, shop, place):
    """A head of the first model is drawn, read and diagnosed again."""
    rows = [r for r in kept["rows"] if r["model"] == "d5-cylinder"]
    row = rows[place]
    shops = dict.fromkeys(heads.MODELS, shop)
    again = heads.study_one(row["head"], shops, sound=False)
    assert (again["fault"], again["size"]) == (row["fault"], row["size"])
    for way in ("alone", "beside a good head"):
        assert again[way]["rank"] == row[way]["rank"]
        assert again[way]["named"][0] == row[way]["named"][0]
        assert again[way]["probability"] == pytest.approx(row[way]["probability"], abs=0.02)


@pytest.mark.long
def test_one_head_in_sound(kept, heads, shop):
    """The advice is made on the head and its sound measured again: the same verdict as kept."""
    row = next(r for r in kept["rows"] if r["model"] == "d5-cylinder" and r["beside a good head"]["improved"])
    again = heads.study_one(row["head"], dict.fromkeys(heads.MODELS, shop))
    assert again["beside a good head"]["improved"]
