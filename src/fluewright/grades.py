"""What a stated effect rests on."""

from enum import StrEnum

__all__ = ["Grade"]


class Grade(StrEnum):
    """What a stated effect rests on: computed from the model, measured in this shop's trials, or a habit of the trade.

    Of practice only a direction is known, no size.
    """

    COMPUTED = "computed"
    MEASURED_HERE = "measured here"
    PRACTICE = "practice"
