"""Which quantities a head's trial holds, note by note: their names, units, limits, and how well they are read.

Reading errors are one sigma; those of quantities that are compared as ratios are relative. They are a workshop's with a
water column, a microphone and the program's own listening: common practice, no source.
"""

import math
from dataclasses import dataclass

__all__ = ["QUANTITIES", "Quantity", "in_percent"]


@dataclass(frozen=True)
class Quantity:
    """One quantity of one note.

    Attributes
    ----------
    key, title, unit : str
    relative : bool
        Compared as a ratio (its natural logarithm), else as a difference.
    low, high : float
        What a reading can be.
    reading : float
        Error of one reading, one sigma: relative where compared as a ratio, else in the unit.
    shared : float
        Error that all notes of one trial share (where the microphone stands, how the player tongues), likewise.
    own : float
        By how much the physics misses one head beside another of the same model, likewise; an estimate, no source.
    common : float
        By how much it misses every head of a model alike: what a good head of the same model takes away.
    at_breath : bool
        Taken at the comfortable breath.
    """

    key: str
    title: str
    unit: str
    relative: bool
    low: float
    high: float
    reading: float
    shared: float
    own: float
    common: float
    at_breath: bool = True

    @property
    def unit_of_change(self) -> str:
        """Return the unit of a change: per cent where it is compared as a ratio."""
        return "%" if self.relative else self.unit


_ALL = (
    Quantity("lowest_pa", "lowest breath that speaks", "Pa", True, 1.0, 20_000.0, 0.03, 0.01, 0.015, 0.04, False),
    Quantity("comfortable_pa", "comfortable breath", "Pa", True, 1.0, 20_000.0, 0.02, 0.0, 0.0, 0.0, False),
    Quantity("jump_pa", "breath at which it jumps up", "Pa", True, 1.0, 20_000.0, 0.03, 0.01, 0.03, 0.10, False),
    Quantity("fall_back_pa", "breath at which it falls back", "Pa", True, 1.0, 20_000.0, 0.03, 0.01, 0.02, 0.06, False),
    Quantity("cents", "pitch at comfortable breath", "cents", False, -400.0, 400.0, 1.0, 1.0, 1.0, 4.0),
    Quantity("cents_per_doubling", "pitch a doubling of breath", "cents", False, -50.0, 300.0, 2.0, 0.5, 1.5, 6.0),
    Quantity("rise_s", "rise of the attack", "s", True, 1e-4, 2.0, 0.10, 0.10, 0.05, 0.20),
    Quantity("chiff_db", "noise of the attack", "dB", False, -80.0, 40.0, 2.0, 1.0, 1.0, 6.0),
    Quantity("hiss_db", "noise against tone", "dB", False, -100.0, 30.0, 1.0, 1.0, 1.0, 10.0),
    Quantity("level_db", "level", "dB", False, -120.0, 140.0, 0.7, 3.0, 0.3, 2.0),
    Quantity("air_l_per_min", "air used", "l/min", True, 0.01, 500.0, 0.03, 0.02, 0.01, 0.05),
    Quantity("second_db", "second partial against the first", "dB", False, -100.0, 60.0, 1.0, 0.3, 0.7, 3.0),
    Quantity("third_db", "third partial against the first", "dB", False, -100.0, 60.0, 1.5, 0.5, 1.0, 4.0),
)  # fmt: skip
QUANTITIES: dict[str, Quantity] = {q.key: q for q in _ALL}
"""All quantities by their key, in the order in which they are shown."""


def in_percent(change: float, sigma: float) -> tuple[float, float]:
    """Return the logarithm of a ratio and its uncertainty as a change in per cent and its uncertainty."""
    return 100.0 * math.expm1(change), 100.0 * math.exp(change) * sigma
