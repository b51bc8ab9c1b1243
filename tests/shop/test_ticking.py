"""Which note it is that sounds, and whether a playing of it counts."""

from dataclasses import dataclass

import pytest

from fluewright.bench.session import air_cents
from fluewright.shop.conditions import TrialConditions
from fluewright.shop.ticking import Ticking


@dataclass
class Played:
    frequency_hz: float
    frequency_uncertainty_hz: float = 0.05
    onset_s: float = 1.0
    offset_s: float = 1.6


@pytest.fixture
def ticking(known):
    return Ticking(known, TrialConditions())


def at(ticking, note, register, cents=0.0):
    """Return (fingering, Hz) of a note as the piece should give it."""
    index = next(
        i
        for i, f in enumerate(ticking.sitting.pitch.fingerings)
        if (f.note, f.register, f.alternative) == (note, register, 0)
    )
    return index, float(ticking.expected_hz[index]) * 2.0 ** (cents / 1200.0)


def test_a_pitch_is_the_nearest_note_with_its_distance_from_the_target(ticking):
    index, hz = at(ticking, "G5", 1, cents=-30.0)
    found, cents = ticking.nearest(hz)
    assert found == index
    expected = ticking.sitting.expected_cents[index]
    assert cents == pytest.approx(expected - 30.0, abs=1e-6)


@pytest.mark.parametrize(("cents", "none"), [(-89.0, False), (-91.0, True), (-140.0, True)])
def test_what_is_too_far_from_every_note_is_none_of_them(ticking, cents, none):
    _, hz = at(ticking, "D5", 1, cents=cents)
    assert (ticking.nearest(hz) is None) is none


def test_a_warm_room_makes_no_other_note_of_it(known, model):
    warm = Ticking(known, TrialConditions(temperature_c=35.0))
    assert warm.warm_cents == pytest.approx(air_cents(model, 35.0))
    assert warm.warm_cents > 20.0
    index, hz = at(warm, "G5", 1, cents=warm.warm_cents)
    found, cents = warm.nearest(hz)
    assert (found, cents) == (index, pytest.approx(known.expected_cents[index], abs=1e-6))


def test_only_a_steady_note_of_some_length_counts(ticking):
    index, hz = at(ticking, "A5", 1)
    assert ticking.counts(Played(hz)) == index
    assert ticking.counts(Played(hz, onset_s=1.0, offset_s=1.24)) is None
    assert ticking.counts(Played(hz, onset_s=1.0, offset_s=1.26)) == index
    assert ticking.counts(Played(hz, frequency_uncertainty_hz=hz * 0.0018)) is None
    assert ticking.counts(Played(hz, frequency_uncertainty_hz=hz * 0.0016)) == index
    _, lowest = at(ticking, "D5", 1)
    assert ticking.counts(Played(lowest * 2.0 ** (-1.5 / 12.0))) is None


def test_several_playings_stand_for_one_figure(ticking):
    index, hz = at(ticking, "A5", 1)
    assert ticking.cents(index, []) is None
    spread = [(hz * 2.0 ** (c / 1200.0), 0.05) for c in (-4.0, 0.0, 4.0)]
    assert ticking.cents(index, spread) == pytest.approx(ticking.sitting.expected_cents[index], abs=0.1)
