"""Cents and water columns, and numbers as people read them: one formula and one minus sign for every face."""

from __future__ import annotations  # the command line's help needs the signs, not the arrays

import math
from typing import TYPE_CHECKING, overload

if TYPE_CHECKING:
    from fluewright.arrays import FloatArray

__all__ = [
    "CENTS_PER_OCTAVE",
    "CENTS_PER_RELATIVE",
    "MINUS",
    "MM_OF_WATER_PA",
    "cents_above",
    "minus",
    "shifted",
    "signed",
]

CENTS_PER_OCTAVE = 1200.0
MM_OF_WATER_PA = 9.80665
"""Pressure under one mm of water of 1000 kg/m3 at standard gravity (ISO 80000-4, conventional mm of water)."""
CENTS_PER_RELATIVE = CENTS_PER_OCTAVE / math.log(2.0)
"""Cents of a small relative change of frequency: one per cent is about 17.3."""

MINUS = "\u2212"


@overload
def cents_above(f_hz: float, ref_hz: float) -> float: ...
@overload
def cents_above(f_hz: FloatArray, ref_hz: float | FloatArray) -> FloatArray: ...
@overload
def cents_above(f_hz: float, ref_hz: FloatArray) -> FloatArray: ...
def cents_above(f_hz: float | FloatArray, ref_hz: float | FloatArray) -> float | FloatArray:
    """Return how many cents one frequency lies above another; positive is sharp.

    Parameters
    ----------
    f_hz, ref_hz : float or float array, shapes that broadcast
        Above 0 Hz; NaN stays NaN.

    Raises
    ------
    ValueError
        Two numbers of which one is not above 0 Hz. (Arrays follow NumPy's rules instead.)
    """
    if isinstance(f_hz, float | int) and isinstance(ref_hz, float | int):
        return CENTS_PER_OCTAVE * math.log2(f_hz / ref_hz)
    import numpy as np

    found: FloatArray = CENTS_PER_OCTAVE * np.log2(np.divide(f_hz, ref_hz))
    return found


@overload
def shifted(f_hz: float, cents: float) -> float: ...
@overload
def shifted(f_hz: FloatArray, cents: float | FloatArray) -> FloatArray: ...
@overload
def shifted(f_hz: float, cents: FloatArray) -> FloatArray: ...
def shifted(f_hz: float | FloatArray, cents: float | FloatArray) -> float | FloatArray:
    """Return the frequency in Hz that lies so many cents above another.

    Parameters
    ----------
    f_hz, cents : float or float array, shapes that broadcast
    """
    if isinstance(f_hz, float | int) and isinstance(cents, float | int):
        return float(f_hz * math.pow(2.0, cents / CENTS_PER_OCTAVE))
    import numpy as np

    found: FloatArray = np.asarray(f_hz * np.exp2(np.divide(cents, CENTS_PER_OCTAVE)), dtype=np.float64)
    return found


def minus(text: str) -> str:
    """Return text whose hyphens are minus signs: for a number on its own, not for words."""
    return text.replace("-", MINUS)


def signed(value: float, digits: int = 1) -> str:
    """Return a number with its sign, for people: ``+2.3``, ``\u22120.8``; what rounds to nothing is ``0.0``."""
    text = f"{value:+.{digits}f}"
    return text[1:] if not text.strip("+-0.") else minus(text)
