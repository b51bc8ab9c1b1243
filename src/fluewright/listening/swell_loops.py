"""Pitch against breath or level through each breath of a swell: the lines and jumps of a picture."""

import math
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.listening.swells import Swell, SwellStretch
from fluewright.units import cents_above

__all__ = ["LoopJump", "LoopLine", "SwellLoop", "swell_loops"]


@dataclass(frozen=True, eq=False)
class LoopLine:
    """One register of a breath.

    Attributes
    ----------
    over : float array, shape (n,)
        Blowing pressure in Pa or level in dB, in the order of time.
    cents : float array, shape (n,)
        Above the breath's lowest register.
    rising : bool
        Whether breath rises through it.
    """

    over: FloatArray
    cents: FloatArray
    rising: bool


@dataclass(frozen=True)
class LoopJump:
    """A jump from one register to another: at which pressure or level, from and to how many cents, and whether up."""

    over: float
    before_cents: float
    after_cents: float
    up: bool


@dataclass(frozen=True)
class SwellLoop:
    """One breath.

    Attributes
    ----------
    number : int
        Counted from 1 through the recording, those that cannot be drawn included.
    start_s, lowest_hz : float
        When it begins, and the middle pitch of its lowest register, from which cents count.
    by_breath : bool
        Whether lines run over breath; over level where none is known.
    lines : tuple of LoopLine
    jumps : tuple of LoopJump
    """

    number: int
    start_s: float
    lowest_hz: float
    by_breath: bool
    lines: tuple[LoopLine, ...]
    jumps: tuple[LoopJump, ...]


def swell_loops(swell: Swell) -> tuple[SwellLoop, ...]:
    """Return the loop of every breath in which pressure or level moves at all."""
    loops = [_loop(number, breath) for number, breath in enumerate(swell.breaths(), start=1)]
    return tuple(loop for loop in loops if _moves(loop))


def _loop(number: int, breath: Swell) -> SwellLoop:
    by_breath = any(bool(np.isfinite(s.pressures_pa).any()) for s in breath.stretches)
    lowest_hz = min(s.middle_hz for s in breath.stretches)
    jumps = tuple(
        LoopJump(
            j.pressure_pa if by_breath else j.before_db,
            cents_above(j.before_hz, lowest_hz),
            cents_above(j.after_hz, lowest_hz),
            j.up,
        )
        for j in breath.jumps
    )
    lines = tuple(_line(s, lowest_hz, by_breath=by_breath) for s in breath.stretches)
    return SwellLoop(number, breath.stretches[0].start_s, lowest_hz, by_breath, lines, jumps)


def _line(stretch: SwellStretch, lowest_hz: float, *, by_breath: bool) -> LoopLine:
    over = stretch.pressures_pa if by_breath else stretch.levels_db
    known = over[np.isfinite(over)]
    half = len(known) // 2
    rising = len(known) < 2 or bool(known[half:].mean() >= known[:half].mean())
    return LoopLine(over, cents_above(stretch.frequencies_hz, lowest_hz), rising)


def _moves(loop: SwellLoop) -> bool:
    return len({v for line in loop.lines for v in line.over.tolist() if math.isfinite(v)}) > 1
