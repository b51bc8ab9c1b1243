"""Pieces of the ledger: beginning one, entering measured sizes, saying where it stands."""

from collections.abc import Mapping
from pathlib import Path

from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import checked_sizes
from fluewright.ledger import PieceState, open_ledger
from fluewright.shop.models import list_models, recorded_model, save_version

__all__ = ["begin_piece", "measure_piece", "serial_prefix", "set_state"]


def serial_prefix(model: Model) -> str:
    """Return what the serials of a model begin with where nobody says otherwise: its lowest note, in letters."""
    note = model.model.lowest_note
    return note[0] + note[1:].replace("#", "S").replace("b", "F").replace("-", "M")


def begin_piece(
    ledger: Path, model_name: str, *, prefix: str, sizes: Mapping[str, float] | None = None, material: str = "",
    lot: str = "", version: int | None = None,
) -> str:  # fmt: skip
    """Enter a new piece and return its serial; a starting model that the ledger lacks is saved in it first.

    Without a version it is begun with the newest.

    Raises
    ------
    InputError
        There is no such model, a size does not belong to it, or they make no instrument.
    LedgerError
        The prefix cannot be one.
    """
    with open_ledger(ledger) as book:
        known = {m.name for m in book.models()}
    if model_name not in known:
        start = next((m.model for m in list_models(ledger) if m.name == model_name and m.version == 0), None)
        if start is None:
            raise InputError(f"there is no model {model_name[:60]!r}; choose one from the list", field="model")
        save_version(ledger, start)
    with open_ledger(ledger, create=False) as book:
        built = checked_sizes(recorded_model(book, model_name, version), sizes or {})
        serial = book.next_serial(prefix)
        book.add_instrument(serial, model_name, version, material=material, lot=lot, as_built=built)
        return serial


def measure_piece(ledger: Path, serial: str, sizes: Mapping[str, float], *, gauge: str = "", remarks: str = "") -> int:
    """Enter gauged sizes of a piece, and return the event.

    Raises
    ------
    InputError
        No size is given, one does not belong to the piece's model, or they make no instrument.
    """
    if not sizes:
        raise InputError("no size is given; enter at least one", field="sizes")
    with open_ledger(ledger, create=False) as book:
        piece = book.instrument(serial)
        model = recorded_model(book, piece.model_name, piece.model_version)
        checked_sizes(model, {**piece.as_built, **sizes})
        return book.log_measurement(serial, as_built=sizes, gauge=gauge, remarks=remarks).event_id


def set_state(ledger: Path, serial: str, state: str, *, reason: str) -> int:
    """Say where a piece stands now, and return the event.

    Raises
    ------
    InputError
        There is no such state, or no reason is given.
    LedgerError
        It cannot follow the present state.
    """
    if state not in list(PieceState):
        raise InputError(f"{state!r} is no state; there are {', '.join(PieceState)}", field="state")
    if not reason.strip():
        raise InputError("write in a few words why the state changes", field="reason")
    with open_ledger(ledger, create=False) as book:
        return book.set_state(serial, state, reason).event_id
