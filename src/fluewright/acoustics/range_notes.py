"""One formula used beyond the range in which it was derived or checked, and how such a note is made."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

__all__ = ["RangeNote", "outside"]


@dataclass(frozen=True)
class RangeNote:
    """One formula used beyond its range.

    Attributes
    ----------
    formula : str
        Which formula, with its source.
    key : str
        The size that leads beyond the range, as it stands in the model file.
    quantity : str
        What is compared with the range, for example "W/a".
    value, low, high : float
        In `unit`; a side without a bound is infinite.
    unit : str
        Empty for a ratio.
    effect : str
        What to expect of the result.
    """

    formula: str
    key: str
    quantity: str
    value: float
    low: float
    high: float
    unit: str
    effect: str

    @property
    def text(self) -> str:
        """Return the note as one sentence."""
        unit = f" {self.unit}" if self.unit else ""
        if math.isinf(self.low):
            limit = f"at most {self.high:.4g}{unit}"
        elif math.isinf(self.high):
            limit = f"at least {self.low:.4g}{unit}"
        else:
            limit = f"{self.low:.4g} to {self.high:.4g}{unit}"
        found = f"{self.key}: {self.quantity} is {self.value:.4g}{unit}"
        return f"{found}, but {self.formula} holds for {limit}; {self.effect}"


def outside(
    formula: str,
    key: str,
    quantity: str,
    value: float,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    unit: str = "",
    effect: str,
) -> Iterator[RangeNote]:
    """Yield the note, see `RangeNote`, when the value lies outside; the last digits of a sum do not count."""
    slack = 1e-9 * max(abs(value), 1.0)
    if not low - slack <= value <= high + slack:
        yield RangeNote(formula, key, quantity, value, low, high, unit, effect)
