"""Which plain results a picture needs, free of the code that computed or measured them."""

import math
from dataclasses import dataclass
from typing import Literal

from fluewright.errors import InputError

__all__ = ["MarkKind", "NoteMark"]

MarkKind = Literal["predicted", "measured", "forecast"]
_KINDS = ("predicted", "measured", "forecast")


@dataclass(frozen=True)
class NoteMark:
    """One note's deviation from its target, as drawn in the hanging chart.

    Parameters
    ----------
    note : str
        Name of the note, such as ``"F#5"``; printed as it is.
    register : int
        Register of the note, 1 the lowest.
    cents : float
        Deviation from the target in cents, positive when sharp.
    uncertainty_cents : float
        Standard uncertainty in cents; 0 draws no bar.
    kind : {"predicted", "measured", "forecast"}
        Where the number comes from; a forecast is the state after a proposed cut.
    governing_hole : int or None
        Index (head to foot, from 0) of the hole that governs the note; None is the foot.

    Raises
    ------
    InputError
        A number is not finite, the uncertainty is negative or the kind is not known.
    """

    note: str
    register: int
    cents: float
    uncertainty_cents: float
    kind: MarkKind
    governing_hole: int | None

    def __post_init__(self) -> None:
        """Refuse what cannot be drawn."""
        if not math.isfinite(self.cents):
            raise InputError(f"mark {self.note}: cents is {self.cents}, not a finite number. Leave the mark out.")
        if not math.isfinite(self.uncertainty_cents) or self.uncertainty_cents < 0.0:
            raise InputError(
                f"mark {self.note}: uncertainty_cents is {self.uncertainty_cents}; it must be 0 or more. "
                "Give 0 when it is not known."
            )
        if self.register < 1:
            raise InputError(f"mark {self.note}: register is {self.register}; registers count from 1.")
        if self.kind not in _KINDS:
            raise InputError(f"mark {self.note}: kind is {self.kind!r}; use one of {', '.join(_KINDS)}.")
