from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from fluewright.listening.segments import level_dips, sounding_frames, split_by_pitch


def split(cents, sounding=None):
    hz = 500.0 * 2 ** (np.asarray(cents, dtype=float) / 1200)
    sounding = np.ones(len(hz), dtype=bool) if sounding is None else sounding
    return split_by_pitch(hz, sounding, step_cents=60.0, shortest_frames=8)


def test_a_lasting_step_of_a_semitone_is_cut_at_its_place():
    stretches = split([0] * 30 + [100] * 30)
    assert [(s.first, s.last) for s in stretches] == [(0, 29), (30, 59)]
    assert (stretches[0].joined_after, stretches[1].joined_before) == (True, True)


def test_a_slow_glide_of_any_width_stays_whole():
    assert len(split(np.linspace(0, 300, 200))) == 1


def test_vibrato_stays_whole():
    assert len(split(30 * np.sin(2 * np.pi * 5.0 * np.arange(200) * 0.01))) == 1


@pytest.mark.parametrize("hertz", [2.0, 3.0, 4.0, 5.0, 6.0])
@pytest.mark.parametrize("cents", [40, 50, 70, 100])
def test_wide_vibrato_stays_whole(cents, hertz):
    assert len(split(cents * np.sin(2 * np.pi * hertz * np.arange(200) * 0.01))) == 1


@pytest.mark.parametrize("each", [9, 12, 20])
@pytest.mark.parametrize("cents", [100, 200])
def test_a_trill_is_cut_at_every_note(cents, each):
    assert len(split(cents * (np.arange(10 * each) // each % 2))) == 10


def test_a_vibrato_before_a_step_hides_it_not():
    swing = 50 * np.sin(2 * np.pi * 4.0 * np.arange(100) * 0.01)
    assert len(split(np.concatenate([swing, swing + 200]))) == 2


def test_a_blip_of_five_frames_is_no_note():
    assert len(split([0] * 30 + [1200] * 5 + [0] * 30)) == 1


def test_a_small_step_stays_whole():
    assert len(split([0] * 30 + [40] * 30)) == 1


def test_a_short_hole_at_one_pitch_is_closed_and_a_long_one_is_not():
    sounding = np.ones(60, dtype=bool)
    sounding[30:32] = False
    assert len(split([0] * 60, sounding)) == 1
    sounding[30:35] = False
    assert len(split([0] * 60, sounding)) == 2


def test_the_tail_of_a_loud_note_does_not_sound():
    level = np.concatenate([np.full(50, -10.0), np.full(50, -50.0)])
    sounding = sounding_frames(level, np.full(100, 40.0), clear_db=15.0, frames_per_s=100.0)
    assert sounding[:50].all()
    assert not sounding[50:].any()


def test_dips_are_found_only_where_deep_and_narrow():
    level = np.full(100, -10.0)
    level[40:44] = -30.0
    level[70:74] = -14.0
    assert level_dips(level, depth_db=8.0, reach=16) == [40]
    assert level_dips(np.linspace(-60, 0, 100), depth_db=8.0, reach=16) == []


@given(
    hnp.arrays(float, st.integers(0, 120), elements=st.floats(-1000, 1000)),
    st.integers(0, 2**32 - 1),
)
def test_stretches_are_in_order_apart_and_only_over_sounding_or_closed_frames(cents, seed):
    sounding = np.random.default_rng(seed).random(len(cents)) < 0.8
    stretches = split(cents, sounding)
    for stretch in stretches:
        assert 0 <= stretch.first <= stretch.last < len(cents)
        assert sounding[stretch.first] or stretch.joined_before
    for one, two in pairwise(stretches):
        assert one.last < two.first
    covered = sum(s.last - s.first + 1 for s in stretches)
    assert covered >= np.count_nonzero(sounding)
