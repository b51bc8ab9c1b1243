import dataclasses

import pytest
from ledger_samples import MODEL, a_note

from fluewright import ledger as package
from fluewright.ledger import Instrument, Ledger, PieceState

RECORDS = [getattr(package, name) for name in package.__all__ if dataclasses.is_dataclass(getattr(package, name))]


@pytest.mark.parametrize("record", RECORDS)
def test_a_record_is_made_by_names_and_cannot_be_changed(record: type) -> None:
    """What the ledger answered stays what it answered."""
    assert len(RECORDS) == 16
    assert all(field.kw_only for field in dataclasses.fields(record))
    assert record.__dataclass_params__.frozen  # type: ignore[attr-defined]


def test_states_keep_the_words_that_ledgers_hold() -> None:
    assert [str(state) for state in PieceState] == [
        "planned",
        "in work",
        "voiced",
        "tuned",
        "tested",
        "accepted",
        "delivered",
        "in use",
        "back for service",
        "repaired",
        "revoiced",
        "returned",
        "waiting for material",
        "on hold",
        "scrapped",
        "cancelled",
    ]


def test_a_note_refuses_a_change() -> None:
    note = a_note()
    with pytest.raises(dataclasses.FrozenInstanceError):
        note.cents = 0.0  # type: ignore[misc]


def test_the_text_of_a_model_does_not_flood_a_message(ledger: Ledger, piece: Instrument) -> None:
    model = ledger.model("d5-cylinder")
    assert model.toml_text == MODEL
    assert "fluewright-model/1" not in repr(model)
    assert repr(model).startswith("ModelVersion(name='d5-cylinder', version=1, toml_sha256=")
