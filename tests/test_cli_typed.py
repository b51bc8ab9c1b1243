"""What is typed on the command line: how it is read, and what a slip of the finger is told."""

import inspect
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.bench.voicing.quantities import QUANTITIES
from fluewright.cli.arguments import existing_ledger, piece_in_ledger, sizes_of, theme_of
from fluewright.cli.fields import with_field_words
from fluewright.cli.ledger import ledger_correct, ledger_cut
from fluewright.cli.listening import breath_given
from fluewright.cli.readings import typed_readings
from fluewright.errors import InputError


def test_sizes_are_read_by_their_keys():
    assert sizes_of([" holes.3.diameter_mm =6.2", "length_mm=264"]) == {"holes.3.diameter_mm": 6.2, "length_mm": 264.0}
    assert sizes_of([]) == {}


@pytest.mark.parametrize("text", ["holes.3.diameter_mm", "holes.3.diameter_mm=", "length_mm=6,2", "length_mm=6.2mm"])
def test_a_size_that_cannot_be_read_is_shown_as_it_was_typed_with_an_example(text):
    with pytest.raises(InputError, match=r"write KEY=MILLIMETRES, for example --size holes\.3\.diameter_mm=6\.2") as e:
        sizes_of([text])
    assert repr(text) in str(e.value)
    assert e.value.field == "size"


def test_a_size_given_twice_is_refused_even_where_both_agree():
    with pytest.raises(InputError, match="length_mm is given twice; keep one of them"):
        sizes_of(["length_mm=264", " length_mm=264"])


@given(st.dictionaries(st.from_regex(r"holes\.[1-9]\.diameter_mm", fullmatch=True), st.floats(0.1, 99.0), max_size=6))
def test_any_sizes_come_back_as_they_were_typed(sizes):
    assert sizes_of([f"{key}={value!r}" for key, value in sizes.items()]) == sizes


def read(*texts):
    return {(n.note, n.register): dict(n.readings) for n in typed_readings(texts)}


def test_readings_are_of_a_note_its_register_and_a_quantity():
    found = read("D5.jump_pa=280", "d5.lowest_pa=62", "D6.2.lowest_pa=210+-8", "F#5:cents=-4.5 ~ 2")
    assert list(found) == [("D5", 1), ("D6", 2), ("F#5", 1)]
    assert found["D5", 1]["jump_pa"].value == 280.0
    assert found["D5", 1]["lowest_pa"].value == 62.0
    assert (found["D6", 2]["lowest_pa"].value, found["D6", 2]["lowest_pa"].sigma) == (210.0, 8.0)
    assert (found["F#5", 1]["cents"].value, found["F#5", 1]["cents"].sigma) == (-4.5, 2.0)


def test_a_reading_without_an_uncertainty_has_the_usual_one_of_its_quantity():
    (jump,) = read("D5.jump_pa=280")["D5", 1].values()
    known = QUANTITIES["jump_pa"]
    assert jump.sigma == pytest.approx(known.reading * 280.0 if known.relative else known.reading)


def test_a_column_of_water_is_read_in_its_millimetres_with_its_uncertainty():
    (jump,) = read("D5.jump_mm=28.5+-0.5")["D5", 1].values()
    assert (jump.value, jump.sigma) == pytest.approx((28.5 * 9.80665, 0.5 * 9.80665))


@pytest.mark.parametrize(
    "text", ["D5=280", "jump_pa=280", "D5.jump_pa", "D5.jump_pa=x", "H5.jump_pa=280", "D5.jump_pa=1e"]
)
def test_a_reading_that_cannot_be_read_is_told_with_examples_and_all_quantities(text):
    with pytest.raises(InputError, match=r"like D5\.jump_pa=280 or D6\.2\.lowest_pa=210\+-8") as caught:
        typed_readings([text])
    assert repr(text) in str(caught.value)
    assert all(quantity in str(caught.value) for quantity in QUANTITIES)
    assert caught.value.field == "reading"


@pytest.mark.parametrize(
    ("texts", "says"),
    [
        (["D5.jump_pa=280", "D5.1.jump_mm=28"], "D5.1 has its jump_pa twice; keep one of them"),
        (["D5.lowest_pa=300", "D5.jump_pa=280"], "look whether two readings were exchanged"),
        (["D5.jump_pa=280", "D5.fall_back_pa=300"], "look whether two readings were exchanged"),
        (["D5.jump_pa=1e9"], "read the "),
        (["D5.jump_pa=280+-0"], "give one above 0, or leave it out"),
        (["D5.colour=3"], "there is no quantity 'colour'"),
    ],
)
def test_readings_that_cannot_be_together_or_at_all_are_refused(texts, says):
    with pytest.raises(InputError, match=says):
        typed_readings(texts)


def test_a_picture_is_light_or_dark():
    assert [theme_of("light"), theme_of("dark")] == ["light", "dark"]
    for wrong in ("pink", "Light", ""):
        with pytest.raises(InputError, match="it can be light or dark"):
            theme_of(wrong)


def test_ledger_and_serial_go_together(tmp_path):
    ledger = tmp_path / "shop.ledger"
    assert piece_in_ledger(None, None) is None
    for one in ((ledger, None), (None, "D5-0001")):
        with pytest.raises(InputError, match="--ledger and --serial go together: name both, or neither"):
            piece_in_ledger(*one)
    with pytest.raises(InputError, match=r"begin one with `fluewright ledger add-model MODEL --ledger .*shop\.ledger`"):
        piece_in_ledger(ledger, "D5-0001")
    ledger.touch()
    assert piece_in_ledger(ledger, "D5-0001") == (ledger, "D5-0001")
    assert existing_ledger(ledger) == ledger


def test_breath_is_told_by_a_log_or_by_readings(tmp_path):
    log = tmp_path / "breath.csv"
    assert breath_given(log, 0.5, []) == breath_given(log, 0.5, [])
    assert breath_given(None, None, ["0=40"]).readings == ("0=40",)
    with pytest.raises(InputError, match="give the log, or the readings"):
        breath_given(log, None, ["0=40"])
    for offset in (math.nan, math.inf):
        with pytest.raises(InputError, match=r"--log-offset is (nan|inf); give seconds"):
            breath_given(log, offset, [])


@pytest.mark.parametrize(
    ("verb", "field", "typed"),
    [
        (ledger_cut, "after_mm", "AFTER_MM"),
        (ledger_cut, "tool", "--tool"),
        (ledger_correct, "event", "EVENT"),
        (ledger_cut, "no_such_field", "no_such_field"),
    ],
)
def test_an_error_calls_its_field_as_the_verb_has_it_typed(verb, field, typed):
    def fails():
        raise InputError("is wrong", field=field)

    fails.__signature__ = inspect.signature(verb)
    with pytest.raises(InputError) as caught:
        with_field_words(fails)()
    assert str(caught.value) == f"{typed}: is wrong"


def test_an_error_without_a_field_stays_as_it_is():
    fault = InputError("the file is gone")

    def fails():
        raise fault

    with pytest.raises(InputError) as caught:
        with_field_words(fails)()
    assert caught.value is fault
