"""What counts as a safe cut and as a finished piece."""

from dataclasses import dataclass

from fluewright.errors import InputError
from fluewright.instrument.sizes import CutKind

__all__ = ["CutPolicy"]


@dataclass(frozen=True)
class CutPolicy:
    """What counts as safe and as finished.

    Attributes
    ----------
    risk : float
        Chance, over the whole piece, that a first-register note ends sharper than its tolerance by our cutting.
    share : float
        Of what is left of the risk, how much one round may spend.
    doubt : float
        A piece is finished when the chance that any first-register note lies outside its tolerance is under this.
    accuracy_mm : float
        One-sigma error of a hole's cut; the foot is cut to `foot_accuracy_mm`.
    accuracy_share : float
        One-sigma error of any cut beside it, as a share of the cut.
    smallest_step_mm : float
        Below this a cut at a hole is not worth making.
    close_enough_cents : float
        A note this near is left alone.
    kinds : tuple of CutKind
        That may be proposed; see `features.KINDS`.
    instead : tuple of CutKind
        Kinds tried, in this order, where a hole's diameter has reached its limit.
    shelf_only : bool
        Only hole sizes of the model's drills and reamers.
    one_at_a_time : bool
        Propose a single cut, then play.
    """

    risk: float = 0.02
    share: float = 0.4
    doubt: float = 0.03
    accuracy_mm: float = 0.03
    foot_accuracy_mm: float = 0.10
    accuracy_share: float = 0.05
    smallest_step_mm: float = 0.03
    close_enough_cents: float = 1.5
    kinds: tuple[CutKind, ...] = (CutKind.HOLE, CutKind.FOOT)
    instead: tuple[CutKind, ...] = (CutKind.ROUNDING, CutKind.UNDERCUT_UP, CutKind.UNDERCUT)
    shelf_only: bool = False
    one_at_a_time: bool = False

    def __post_init__(self) -> None:
        for name, low, high in (
            ("risk", 0.0, 0.5), ("share", 0.0, 1.0), ("doubt", 0.0, 0.5), ("accuracy_mm", 0.0, 1.0),
            ("foot_accuracy_mm", 0.0, 2.0), ("smallest_step_mm", 0.0, 1.0), ("close_enough_cents", 0.0, 50.0),
        ):  # fmt: skip
            value = getattr(self, name)
            if not low < value < high:
                raise InputError(f"is {value}; it must lie between {low:g} and {high:g}", field=name)
