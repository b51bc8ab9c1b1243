"""Cells of tables that people open in a spreadsheet: a text is never run as a formula there."""

import math
from typing import Final

__all__ = ["harmless"]

_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")


def harmless(cell: object) -> object:
    """Return a cell as it is written to CSV: a text that a spreadsheet would take for a formula begins with ``'``.

    Numbers stay numbers, also where they are texts (``-5.2``).
    """
    if not isinstance(cell, str) or not cell.startswith(_FORMULA_STARTS):
        return cell
    try:
        number = float(cell)
    except ValueError:
        return f"'{cell}"
    return cell if math.isfinite(number) and cell == cell.strip() else f"'{cell}"
