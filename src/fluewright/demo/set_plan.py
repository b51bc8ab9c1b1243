"""What the demo's workshop makes, in which order, of what, and how far each piece has come."""

from dataclasses import dataclass
from typing import Literal

from fluewright.demo.tuning import RanOn
from fluewright.ledger import PieceState

__all__ = ["A4_HZ", "HALL_C", "THE_SET", "PlannedPiece", "Stop"]

A4_HZ = 442.0
HALL_C = 23.0

Stop = Literal["", "unplayed", "half way", "voicing"]


@dataclass(frozen=True)
class PlannedPiece:
    """One piece of the order.

    Attributes
    ----------
    model : str
        Starting model that its model is fitted from.
    prefix : str
        Of its serial.
    material, lot : str
    version : int
        Of the model; the second is fitted when its first piece is begun, by what the earlier ones taught.
    until : PieceState
        How far it goes when the bench finishes it.
    stop : str
        Where it is left: not yet played, half way at tuning, or in voicing; empty: it goes on `until`.
    good_head : bool
        Its head is tried, and called a good one.
    fault : tuple of (str, float)
        Key and size of the head's hidden fault, as `voicing.causes` has them; empty for none.
    head_trials : int
        How often a faulty head is tried; between trials what the bench advises is done.
    ran_on : RanOn, optional
        A hand that goes wrong at tuning.
    """

    model: str
    prefix: str
    material: str
    lot: str
    version: int = 1
    until: PieceState = PieceState.DELIVERED
    stop: Stop = ""
    good_head: bool = False
    fault: tuple[str, float] | tuple[()] = ()
    head_trials: int = 3
    ran_on: RanOn | None = None


_PLUM, _TUBE = "plum wood, acetal block", "aluminium tube 25 x 1.5, acetal block"
_D5, _C5, _F4 = "d5-cylinder", "c5-taper", "f4-taper"
_DELIVERED, _ACCEPTED, _TESTED = PieceState.DELIVERED, PieceState.ACCEPTED, PieceState.TESTED

THE_SET: tuple[PlannedPiece, ...] = (
    PlannedPiece(_D5, "D5", _PLUM, "plum 11, acetal 3"),
    PlannedPiece(_D5, "D5", _PLUM, "plum 11, acetal 3"),
    PlannedPiece(_D5, "D5", _PLUM, "plum 11, acetal 3"),
    PlannedPiece(_C5, "C5", _PLUM, "plum 12, acetal 3"),
    PlannedPiece(_C5, "C5", _PLUM, "plum 12, acetal 3", ran_on=RanOn(1, 2, 1.0)),
    PlannedPiece(_F4, "F4", _PLUM, "plum 9, acetal 3"),
    PlannedPiece(_D5, "D5", _PLUM, "plum 11, acetal 4", 2, good_head=True),
    PlannedPiece(_C5, "C5", _PLUM, "plum 12, acetal 3"),
    PlannedPiece(_C5, "C5", _PLUM, "plum 12, acetal 4", until=_ACCEPTED),
    PlannedPiece("d4-cylinder", "D4", _TUBE, "tube 2, acetal 3", until=_ACCEPTED),
    PlannedPiece("c5-eight-hole", "C5E", _PLUM, "plum 9, acetal 4", until=_TESTED),
    PlannedPiece(_F4, "F4", _PLUM, "plum 9, acetal 4", until=_TESTED),
    PlannedPiece(_D5, "D5", _PLUM, "plum 13, acetal 4", 2, until=_ACCEPTED, good_head=True),
    PlannedPiece(_C5, "C5", _PLUM, "plum 12, acetal 4", until=PieceState.TUNED),
    PlannedPiece(_D5, "D5", _PLUM, "plum 13, acetal 4", 2, stop="voicing", fault=("windway-high", 0.10)),
    PlannedPiece(_D5, "D5", _PLUM, "plum 13, acetal 4", 2, stop="half way"),
    PlannedPiece(_D5, "D5", _PLUM, "plum 13, acetal 4", 2, stop="unplayed", fault=("windway-low", 0.10), head_trials=1),
)
"""The order, and one C5 more in place of the one whose hole was cut too far."""
