"""Readings typed on the command line, like ``D5.jump_pa=280``."""

import re
from collections.abc import Sequence

from fluewright.bench.voicing.quantities import QUANTITIES
from fluewright.bench.voicing.trial import NoteTrial, Reading, check_order, checked_reading
from fluewright.errors import InputError
from fluewright.units import MM_OF_WATER_PA

__all__ = ["typed_readings"]

_TYPED = re.compile(
    r"\s*(?P<note>[A-Ga-g](?:#|b)?-?\d)(?:[.:](?P<register>\d))?[.:](?P<quantity>[a-z_]+)\s*=\s*"
    r"(?P<value>[-+0-9.eE]+?)\s*(?:(?:\+/-|\+-|~)\s*(?P<sigma>[0-9.eE-]+))?\s*"
)


def typed_readings(texts: Sequence[str]) -> tuple[NoteTrial, ...]:
    """Return notes from readings typed like ``D5.jump_pa=280``, ``D6.2.lowest_pa=210+-8`` (register 2).

    Breaths may be given in mm of water by ``_mm`` instead of ``_pa``: ``D5.jump_mm=28.5``.

    Raises
    ------
    InputError
        A text is none of these, a quantity comes twice, or breaths stand in the wrong order.
    """
    found: dict[tuple[str, int], dict[str, Reading]] = {}
    for text in texts:
        match = _TYPED.fullmatch(text)
        try:
            if match is None:
                raise ValueError
            value = float(match["value"])
            sigma = float(match["sigma"]) if match["sigma"] else None
        except ValueError:
            raise InputError(
                f"{text!r}: write NOTE.QUANTITY=VALUE, with the register and an uncertainty where needed, "
                f"like D5.jump_pa=280 or D6.2.lowest_pa=210+-8; quantities are {', '.join(QUANTITIES)}",
                field="reading",
            ) from None
        quantity = match["quantity"]
        if quantity.endswith("_mm"):
            quantity = quantity.removesuffix("_mm") + "_pa"
            value *= MM_OF_WATER_PA
            sigma = sigma * MM_OF_WATER_PA if sigma is not None else None
        key = (match["note"][0].upper() + match["note"][1:], int(match["register"] or 1))
        mine = found.setdefault(key, {})
        if quantity in mine:
            raise InputError(f"{text!r}: {key[0]}.{key[1]} has its {quantity} twice; keep one of them", field="reading")
        mine[quantity] = checked_reading(f"--reading {text!r}", quantity, value, sigma)
    notes = tuple(NoteTrial(n, r, readings) for (n, r), readings in found.items())
    for note in notes:
        check_order(note)
    return notes
