"""Whether a cut begins at the size that the ledger has."""

from collections.abc import Mapping
from typing import Any

from fluewright.errors import LedgerError
from fluewright.ledger.entries import sizes_agree
from fluewright.ledger.rows import did_you_mean
from fluewright.ledger.values import mm_text

__all__ = ["check_cut_begins_at_recorded_size"]


def check_cut_begins_at_recorded_size(serial: str, details: Mapping[str, Any], sizes: Mapping[str, float]) -> None:
    """Refuse a cut that contradicts the ledger; a size that it does not have may begin at 0.

    Parameters
    ----------
    serial : str
        The piece.
    details : mapping
        What `cut_entry` returned.
    sizes : mapping of str to float
        The recorded sizes before the cut.

    Raises
    ------
    LedgerError
        The ledger has another size, or none.
    """
    feature, begun_mm = details["feature"], details["before_mm"]
    recorded_mm = sizes.get(feature)
    if recorded_mm is None:
        if begun_mm == 0.0:
            return  # a chamfer or a hole that did not exist yet
        near = did_you_mean(feature, sizes)
        raise LedgerError(f"{serial} has no {feature!r} in the ledger: {near}log a measurement of it before the cut.")
    if not sizes_agree(recorded_mm, begun_mm):
        raise LedgerError(
            f"{feature} of {serial} is {mm_text(recorded_mm)} in the ledger, the cut says it began at "
            f"{mm_text(begun_mm)}: "
            "measure it again; if the ledger is wrong, log a measurement or correct the event that says so."
        )
