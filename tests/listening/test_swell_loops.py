"""Which part of a recording is which breath, and the lines and jumps that a picture of each is drawn from."""

import math

import numpy as np
import pytest

from fluewright.listening.jumps import Jump
from fluewright.listening.swell_loops import swell_loops
from fluewright.listening.swells import Swell, SwellStretch
from fluewright.listening.warbles import Warble


def stretch(start_s, end_s, hz, levels_db=(-30.0, -20.0), pressures_pa=None):
    times = np.arange(start_s, end_s + 1e-9, 0.01)
    levels = np.linspace(*levels_db, len(times))
    pressures = np.full(len(times), math.nan) if pressures_pa is None else np.linspace(*pressures_pa, len(times))
    return SwellStretch(start_s, end_s, times, np.full(len(times), hz), levels, pressures, math.nan)


def two_breaths(*, with_breath):
    """Two breaths that jump an octave, a squeak of 0.3 s between them, each half a second and more from the next."""
    up, down = ((50.0, 200.0), (200.0, 60.0)) if with_breath else (None, None)
    stretches = (
        stretch(1.0, 3.0, 500.0, (-30.0, -20.0), up),
        stretch(3.1, 4.0, 1000.0, (-18.0, -25.0), down),
        stretch(4.6, 4.9, 1500.0),
        stretch(6.0, 8.0, 600.0, (-20.0, -30.0), down),
        stretch(8.4, 9.0, 599.0, (-31.0, -32.0), down),
    )
    jumps = (Jump(3.05, True, 500.0, 1000.0, -20.0, -18.0, 200.0 if with_breath else math.nan),)
    return Swell(stretches, jumps, (Warble(2.9, 3.2, 20.0), Warble(7.0, 7.4, 15.0)), ("odd",))


def test_breaths_are_what_lies_within_half_a_second_and_lasts_a_second():
    swell = two_breaths(with_breath=False)
    one, two = swell.breaths()
    assert one.stretches == swell.stretches[:2]
    assert two.stretches == swell.stretches[3:]
    assert one.jumps == swell.jumps
    assert two.jumps == ()
    assert (one.warbles, two.warbles) == (swell.warbles[:1], swell.warbles[1:])


@pytest.mark.parametrize("with_breath", [False, True])
def test_a_loop_counts_cents_from_its_lowest_register_over_breath_or_level(with_breath):
    swell = two_breaths(with_breath=with_breath)
    one, two = swell_loops(swell)
    assert (one.number, two.number) == (1, 2)
    assert (one.start_s, one.lowest_hz, two.lowest_hz) == (1.0, 500.0, 599.0)
    assert one.by_breath is two.by_breath is with_breath
    assert [line.cents[0] for line in one.lines] == pytest.approx([0.0, 1200.0])
    assert [line.rising for line in one.lines] == [True, False]
    for line, held in zip(one.lines, swell.stretches, strict=False):
        assert np.array_equal(line.over, held.pressures_pa if with_breath else held.levels_db)
    (jump,) = one.jumps
    assert (jump.before_cents, jump.after_cents, jump.up) == (0.0, pytest.approx(1200.0), True)
    assert jump.over == (200.0 if with_breath else -20.0)


def test_a_breath_that_does_not_move_has_no_loop_but_keeps_its_number():
    still = stretch(0.0, 2.0, 500.0, (-20.0, -20.0))
    moving = stretch(4.0, 6.0, 500.0)
    assert [loop.number for loop in swell_loops(Swell((still, moving), (), (), ()))] == [2]
    assert swell_loops(Swell((), (), (), ())) == ()
