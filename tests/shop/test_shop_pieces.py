"""Beginning pieces, measuring them, setting their state; models of the ledger."""

import pytest

from fluewright.errors import InputError, LedgerError, ModelError
from fluewright.instrument.changes import renamed
from fluewright.instrument.sizes import with_sizes
from fluewright.instrument.starting import load, starting_models
from fluewright.ledger import Measurement, PieceState, open_ledger
from fluewright.shop.models import list_models, read_model_of, read_version, recorded_model, save_version, versions_of
from fluewright.shop.pieces import begin_piece, measure_piece, serial_prefix, set_state


def test_serials_count_on_by_prefix(ledger):
    assert begin_piece(ledger, "d5-cylinder", prefix="D5") == "D5-0002"
    assert begin_piece(ledger, "d5-cylinder", prefix="A") == "A-0001"


def test_a_piece_is_begun_with_its_sizes_material_and_version(ledger, model):
    other = with_sizes(model, {"length_mm": model.length_mm + 1.0})
    save_version(ledger, other)
    old = begin_piece(ledger, "d5-cylinder", prefix="D5", version=1, sizes={"length_mm": 266.0}, material="m", lot="l")
    new = begin_piece(ledger, "d5-cylinder", prefix="D5")
    with open_ledger(ledger) as book:
        one, two = book.instrument(old), book.instrument(new)
    assert (one.model_version, two.model_version) == (1, 2)
    assert (one.material, one.lot, dict(one.as_built)) == ("m", "l", {"length_mm": 266.0})
    assert dict(two.as_built) == {}


def test_a_starting_model_is_saved_when_its_first_piece_is_begun(tmp_path):
    ledger = tmp_path / "new.ledger"
    assert begin_piece(ledger, "f4-taper", prefix="F4") == "F4-0001"
    assert [m.version for m in versions_of(ledger, "f4-taper")] == [1]
    begin_piece(ledger, "f4-taper", prefix="F4")
    assert len(versions_of(ledger, "f4-taper")) == 1


def test_pieces_that_cannot_be_are_refused_and_take_no_serial(ledger):
    for words, says in (
        ({"model_name": "nothing"}, "there is no model 'nothing'"),
        ({"sizes": {"holes.9.diameter_mm": 5.0}}, "has no such size"),
        ({"sizes": {"holes.3.diameter_mm": 50.0}}, "less than the bore"),
        ({"prefix": "d5"}, "capital letter"),
    ):
        given = {"model_name": "d5-cylinder", "prefix": "D5", **words}
        with pytest.raises(InputError, match=says):
            begin_piece(ledger, given.pop("model_name"), **given)
    assert begin_piece(ledger, "d5-cylinder", prefix="D5") == "D5-0002"


@pytest.mark.parametrize(("note", "prefix"), [("D5", "D5"), ("F#4", "FS4"), ("Bb3", "BF3")])
def test_serials_begin_with_the_lowest_note_in_letters_that_a_serial_may_have(tmp_path, model, note, prefix):
    about = model.model.model_copy(update={"lowest_note": note})
    assert serial_prefix(model.model_copy(update={"model": about})) == prefix
    assert begin_piece(tmp_path / "a", "d5-cylinder", prefix=prefix) == f"{prefix}-0001"


def test_gauged_sizes_are_entered_with_gauge_and_remarks(ledger, events):
    event = measure_piece(ledger, "D5-0001", {"holes.3.diameter_mm": 7.4}, gauge="plug", remarks="after drilling")
    last = events()[-1]
    assert isinstance(last, Measurement)
    assert (last.event_id, last.as_built, last.gauge, last.remarks) == (
        event, {"holes.3.diameter_mm": 7.4}, "plug", "after drilling",
    )  # fmt: skip
    # The head's own sizes are sizes too.
    measure_piece(ledger, "D5-0001", {"head.windway.exit_height_mm": 0.95})


def test_measurements_that_cannot_be_are_refused(ledger, events):
    before = len(events())
    with pytest.raises(InputError, match="no size is given") as caught:
        measure_piece(ledger, "D5-0001", {})
    assert caught.value.field == "sizes"
    with pytest.raises(ModelError, match="has no such size"):
        measure_piece(ledger, "D5-0001", {"holes.x.diameter_mm": 7.0})
    measure_piece(ledger, "D5-0001", {"length_mm": 250.0})
    # Judged with what is known already, not by itself.
    with pytest.raises(ModelError, match="foot"):
        measure_piece(ledger, "D5-0001", {"holes.6.position_mm": 255.0})
    assert len(events()) == before + 1


def test_states_change_with_a_reason(ledger):
    set_state(ledger, "D5-0001", "voiced", reason="slurs")
    with open_ledger(ledger) as book:
        assert book.instrument("D5-0001").state is PieceState.VOICED
    with pytest.raises(InputError, match="'nice' is no state; there are planned") as caught:
        set_state(ledger, "D5-0001", "nice", reason="x")
    assert caught.value.field == "state"
    with pytest.raises(InputError, match="why the state changes") as caught:
        set_state(ledger, "D5-0001", "tuned", reason=" ")
    assert caught.value.field == "reason"
    with pytest.raises(LedgerError, match="is voiced already"):
        set_state(ledger, "D5-0001", "voiced", reason="x")


def test_models_of_the_ledger_come_before_starting_models_and_each_once(ledger):
    listed = list_models(ledger)
    assert (listed[0].name, listed[0].version) == ("d5-cylinder", 1)
    names = [m.name for m in listed]
    assert len(set(names)) == len(names)
    assert set(names) == set(starting_models())
    assert all(m.version == 0 for m in listed[1:])


def test_versions_are_read_by_number_and_by_name_with_number(ledger, model):
    longer = with_sizes(model, {"length_mm": model.length_mm + 1.0})
    saved = save_version(ledger, longer)
    assert saved.version == 2
    assert [v.version for v in versions_of(ledger, "d5-cylinder")] == [2, 1]
    assert read_model_of(ledger, "d5-cylinder") == longer
    assert read_model_of(ledger, "d5-cylinder", 1) == model
    assert read_version(ledger, "d5-cylinder@1") == model
    assert read_version(ledger, "d5-cylinder") == longer
    assert read_model_of(ledger, "f4-taper") == load("f4-taper")
    with open_ledger(ledger) as book:
        assert recorded_model(book, "d5-cylinder", 1) == model
    for wrong in ("d5-cylinder@x", "d5-cylinder@99999999", "nothing", "nothing@1"):
        with pytest.raises(InputError) as caught:
            read_version(ledger, wrong)
        assert caught.value.field == "model"
    with pytest.raises(LedgerError):
        read_version(ledger, "d5-cylinder@7")


def test_the_same_text_is_the_same_version_and_another_name_has_its_lineage(ledger, model):
    assert save_version(ledger, model).version == 1
    mine = save_version(ledger, model, "mine")
    assert (mine.name, mine.version, mine.lineage) == ("mine", 1, "d5-cylinder")
    assert read_model_of(ledger, "mine") == renamed(model, "mine")
    assert save_version(ledger, model, "d5-cylinder").version == 1
    for wrong in ("a/b", " x", "x" * 61, "-x", "ä"):
        with pytest.raises(InputError, match="cannot be a model's name") as caught:
            save_version(ledger, model, wrong)
        assert caught.value.field == "name"
