"""Small laws of the ear: phases give pitch, parabolas give tops, windows pass noise, channels are weighed."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.listening.channels import ChannelSums
from fluewright.listening.curves import crossing, top_between
from fluewright.listening.phases import stray_cents, stray_hz, turns_along, unwrapped
from fluewright.listening.sound import Sound
from fluewright.listening.thinning import Thinner, thin_out
from fluewright.listening.vibrato import find_vibrato
from fluewright.listening.warbles import find_warbles
from fluewright.listening.windows import blackman, blackman_harris, hann, noise_gain

RATE_HZ = 44_100


# --- phases


@given(st.floats(100.0, 2000.0), st.floats(-50.0, 50.0))
def test_a_gliding_tone_turns_as_often_as_its_mean_pitch_says(hz, slope):
    times = np.linspace(0.0, 1.0, 41)
    turns = turns_along(hz + slope * times, np.diff(times))
    assert turns[0] == 0.0
    assert turns == pytest.approx(hz * times + 0.5 * slope * times**2)


@given(st.lists(st.floats(-40.0, 40.0), min_size=2, max_size=30))
def test_phases_are_unwrapped_as_numpy_does(steps):
    angle = np.angle(np.exp(1j * np.cumsum(steps)))
    out = unwrapped(angle)
    assert np.exp(1j * out) == pytest.approx(np.exp(1j * angle))
    assert (np.abs(np.diff(out)) <= np.pi + 1e-9).all()


@pytest.mark.parametrize("stray", [-3.0, 0.0, 0.7, 4.0])
@pytest.mark.parametrize("partials", [1, 5])
def test_a_tone_beside_its_expected_pitch_is_found_so_far_off_from_all_partials(stray, partials):
    """The amplitudes of exact partials in windows 10 ms apart, demodulated at multiples of 500 Hz from each start."""
    hop, orders = 0.010, np.arange(1, partials + 1)
    turn = np.exp(-2j * np.pi * 500.0 * hop * orders)
    at = np.arange(12)[:, None]
    sizes = 1.0 / orders
    z = sizes * np.exp(2j * np.pi * (500.0 + stray) * hop * orders * at)
    assert (np.abs(z[1:] * np.conj(z[:-1]) * turn) > 0.0).all()
    assert stray_hz(z, 500.0, hop, 1) == pytest.approx(np.full(11, stray), abs=1e-9)
    cents = stray_cents(np.full(3, stray), 500.0)
    assert cents == pytest.approx(np.full(3, 1200.0 * np.log2(1.0 + stray / 500.0)))


# --- curves


@given(st.floats(-0.5, 0.5), st.floats(0.1, 10.0), st.floats(-5.0, 5.0))
def test_the_top_of_a_parabola_is_found_where_it_is(top, bend, height):
    left, middle, right = (height - bend * (x - top) ** 2 for x in (-1.0, 0.0, 1.0))
    assert float(top_between(left, middle, right)) == pytest.approx(top, abs=1e-6)


def test_what_does_not_bend_down_has_its_top_in_the_middle():
    assert top_between(np.array([1.0, 2.0]), np.array([0.0, 2.0]), np.array([1.0, 2.0])) == pytest.approx([0.0, 0.0])


def test_a_curve_crosses_on_the_straight_line_between_its_points():
    places, values = np.array([0.0, 2.0, 4.0]), np.array([0.0, 10.0, 10.0])
    assert crossing(places, values, 0, 2.5) == pytest.approx(0.5)
    assert crossing(places, values, 0, 99.0) == 2.0
    assert crossing(places, values, 0, -99.0) == 0.0
    assert crossing(places, values, 1, 10.0) == pytest.approx(3.0)


# --- windows


@pytest.mark.parametrize(("window", "bins"), [(hann, 1.5), (blackman, 1.727), (blackman_harris, 2.004)])
def test_noise_passes_a_window_by_its_known_bandwidth(window, bins):
    """Equivalent noise bandwidths in bins: Harris 1978, table 1 (the source beside `blackman_harris`)."""
    made = window(512)
    assert not made.flags.writeable
    assert made == pytest.approx(made[::-1])
    # |z|^2 of density 1: two sides, rate over length a bin.
    assert noise_gain(made, 44100.0) / (2.0 * 44100.0 / 512) == pytest.approx(bins, rel=2e-3)


# --- channels


def summed(*blocks):
    sums = ChannelSums()
    for block in blocks:
        sums.add(np.asarray(block, dtype=np.float32))
    return sums


def tone(n=4410, hz=500.0, size=0.3):
    return size * np.sin(2.0 * np.pi * hz * np.arange(n) / RATE_HZ)


def stereo(left, right):
    return np.stack([left, right], axis=1)


def test_two_like_channels_are_mixed_and_a_dead_one_is_left_out():
    weights, odd = summed(stereo(tone(), tone())).weights()
    assert (list(weights), odd) == ([0.5, 0.5], [])
    weights, (said,) = summed(stereo(tone(), 1e-4 * tone())).weights()
    assert list(weights) == [1.0, 0.0]
    assert said == "channel 2 of 2 is dead (no sound); the others are used"


def test_a_channel_with_its_poles_exchanged_is_turned_round():
    weights, (said,) = summed(stereo(tone(), -0.8 * tone())).weights()
    assert list(weights) == [0.5, -0.5]
    assert "channel 2 is inverted against channel 1 (correlation -1.00)" in said
    # Two microphones apart in the room are unlike, and not inverted.
    weights, odd = summed(stereo(tone(), tone(hz=730.0))).weights()
    assert (list(weights), odd) == ([0.5, 0.5], [])


def test_silence_has_equal_weights_and_no_remark():
    weights, odd = summed(np.zeros((100, 2))).weights()
    assert (list(weights), odd) == ([0.5, 0.5], [])


@pytest.mark.parametrize("at", [0, 1, 2, 3, 50])
def test_a_flat_top_counts_once_wherever_the_blocks_are_cut(at):
    sound = tone(200)[:, None].copy()
    sound[48:53] = 1.0
    whole, parts = summed(sound), summed(*(p for p in (sound[:at], sound[at:50], sound[50:]) if len(p)))
    (said,) = whole.clipping()
    assert said.startswith("the sound is clipped: 2.5 % of the samples stand in flat tops at 1 of full scale")
    assert parts.clipping() == [said]


def test_two_samples_at_the_top_are_no_clipping_nor_is_a_flat_stretch_below_it():
    peaks, low = tone(200)[:, None].copy(), tone(200)[:, None].copy()
    peaks[48:50] = 1.0
    low[40:60] = 0.7
    assert summed(peaks).clipping() == summed(low).clipping() == []
    # What stood flat under a top that came later was none.
    later = low.copy()
    later[20:30], later[150] = 0.92, 0.97
    assert summed(later[:100], later[100:]).clipping() == []


def test_offset_and_loudness_are_of_the_mixed_sound():
    sums = summed(stereo(tone() + 0.1, tone() + 0.1))
    offset, loudness = sums.offset_and_loudness(np.array([0.5, 0.5]))
    assert offset == pytest.approx(0.1, abs=1e-3)
    assert loudness == pytest.approx(np.hypot(0.1, 0.3 / np.sqrt(2.0)), rel=1e-2)


# --- thinning


@pytest.mark.parametrize(
    ("rate_hz", "after_hz"), [(44_100, 44_100), (48_000, 48_000), (96_000, 48_000), (192_000, 48_000)]
)
def test_sound_is_thinned_to_a_rate_that_holds_all_that_is_measured(rate_hz, after_hz):
    samples = np.sin(2.0 * np.pi * 1000.0 * np.arange(rate_hz // 2) / rate_hz)
    thinned = thin_out(Sound(samples, rate_hz))
    assert thinned.rate_hz == after_hz
    assert len(thinned) == pytest.approx(after_hz // 2, abs=2)
    middle = thinned.samples[2000:-2000]
    assert np.sqrt(2.0 * np.mean(middle**2)) == pytest.approx(1.0, abs=1e-3)


def test_what_lies_over_the_new_rate_is_taken_off_and_does_not_fold_back():
    """40 kHz sampled 96,000 times a second would be heard as 8 kHz at 48,000."""
    samples = np.sin(2.0 * np.pi * 40_000.0 * np.arange(48_000) / 96_000)
    assert np.abs(thin_out(Sound(samples, 96_000)).samples[1000:-1000]).max() < 1e-3


@given(st.lists(st.integers(1, 4000), min_size=1, max_size=6))
def test_thinning_block_by_block_is_thinning_at_once(lengths):
    samples = np.random.default_rng(1).standard_normal(sum(lengths))
    thinner = Thinner(96_000)
    parts = [thinner.push(p) for p in np.split(samples, np.cumsum(lengths)[:-1])]
    pieces = np.concatenate([*parts, thinner.flush()])
    assert pieces == pytest.approx(thin_out(Sound(samples, 96_000)).samples, abs=1e-12)


# --- swings of the pitch and of the level

HOP_S, WINDOW_S = 0.0055, 0.023


def swinging(rate_hz, extent, *, seconds=2.0, drift=0.0, noise=0.3):
    t = np.arange(int(seconds / HOP_S)) * HOP_S
    wander = noise * np.random.default_rng(3).standard_normal(t.size)
    # What a window and a difference of phases leave of the swing.
    x = rate_hz * WINDOW_S
    left = np.sinc(rate_hz * HOP_S * 2) * np.sinc(x) / (1.0 - x**2)
    return left * extent * np.sin(2.0 * np.pi * rate_hz * t) + drift * t + wander


@pytest.mark.parametrize("rate_hz", [3.5, 5.2, 8.0])
@pytest.mark.parametrize("drift", [0.0, 25.0])
def test_a_swing_of_the_pitch_is_found_with_its_rate_and_extent_whatever_drifts(rate_hz, drift):
    found = find_vibrato(swinging(rate_hz, 12.0, drift=drift), HOP_S, WINDOW_S)
    assert found.rate_hz == pytest.approx(rate_hz, rel=0.03)
    assert found.extent_cents == pytest.approx(12.0, rel=0.08)


@pytest.mark.parametrize(
    "cents",
    [
        swinging(5.0, 0.0), swinging(5.0, 1.5), swinging(5.0, 0.0, drift=40.0), swinging(1.0, 12.0),
        swinging(5.0, 12.0, seconds=0.2),
    ],
    ids=["steady", "too small", "drifting", "too slow", "too short"],
)  # fmt: skip
def test_what_does_not_swing_regularly_is_no_vibrato(cents):
    assert find_vibrato(cents, HOP_S, WINDOW_S) is None


def beating(rate_hz, depth, seconds=2.0):
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return Sound(0.3 * (1.0 + depth * np.sin(2.0 * np.pi * rate_hz * t)) * np.sin(2.0 * np.pi * 700.0 * t), RATE_HZ)


def test_a_level_that_beats_is_a_warble_with_its_rate():
    (warble,) = find_warbles(beating(20.0, 0.6), [(0.0, 2.0)])
    assert warble.rate_hz == pytest.approx(20.0, abs=2.5)
    assert warble.start_s < 0.2
    assert warble.end_s > 1.7


@pytest.mark.parametrize(
    "sound", [beating(20.0, 0.15), beating(3.0, 0.6), beating(20.0, 0.0)], ids=["shallow", "slow", "none"]
)
def test_a_level_that_swings_little_or_slowly_is_no_warble(sound):
    assert find_warbles(sound, [(0.0, 2.0)]) == ()


def test_a_warble_is_looked_for_within_one_register_only():
    assert find_warbles(beating(20.0, 0.6), [(0.0, 0.3), (1.8, 2.0)]) == ()
