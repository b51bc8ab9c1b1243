import time

import numpy as np
import pytest
from listening_tones import MAJOR_D5_HZ, RATE_HZ, following, recording, silence, slurred, tone

from fluewright.errors import RecordingError
from fluewright.listening import ListeningSettings, hear_notes

CENTS = 1200 / np.log(2.0)


def with_noise(sound, sd, seed=8):
    return sound + sd * np.random.default_rng(seed).standard_normal(len(sound))


def hear(sound, rate_hz=RATE_HZ, **settings):
    return hear_notes(recording(sound, rate_hz), settings=ListeningSettings(**settings))


def pitches(hearing):
    return np.array([n.frequency_hz for n in hearing.notes])


@pytest.mark.parametrize("noise", [0.0, 0.01, 0.05])
def test_tongued_scale_with_50_ms_gaps_gives_onsets_and_ends_within_20_ms(noise):
    pieces, onsets, ends, now = [silence(0.3)], [], [], 0.3
    for hz in MAJOR_D5_HZ:
        pieces += [tone(hz, 0.4), silence(0.05)]
        onsets.append(now)
        ends.append(now + 0.4)
        now += 0.45
    hearing = hear(with_noise(np.concatenate([*pieces, silence(0.3)]), noise))
    assert pitches(hearing) == pytest.approx(MAJOR_D5_HZ, rel=1e-4)
    assert [n.onset_s for n in hearing.notes] == pytest.approx(onsets, abs=0.020)
    assert [n.offset_s for n in hearing.notes] == pytest.approx(ends, abs=0.020)


@pytest.mark.parametrize("each_s", [0.1, 0.3])
def test_slurred_scale_of_eight_notes_gives_eight_notes(each_s):
    sound = np.concatenate([silence(0.2), slurred(MAJOR_D5_HZ, each_s), silence(0.2)])
    hearing = hear(with_noise(sound, 0.003))
    assert len(hearing.notes) == 8
    assert np.all(np.abs(CENTS * np.log(pitches(hearing) / MAJOR_D5_HZ)) < 5.0)
    starts = [n.onset_s for n in hearing.notes]
    assert starts == pytest.approx(0.2 + each_s * np.arange(8), abs=0.020)


def test_octave_jumps_are_split():
    hearing = hear(with_noise(slurred(np.array([587.0, 1174.0, 587.0, 1174.0]), 0.4), 0.01))
    assert pitches(hearing) == pytest.approx([587, 1174, 587, 1174], rel=1e-3)


@pytest.mark.parametrize("gap_s", [0.02, 0.04])
def test_tongued_repeats_of_one_pitch_are_split(gap_s):
    one = np.concatenate([tone(784.0, 0.2, ramp_s=0.01), silence(gap_s)])
    assert len(hear(with_noise(np.tile(one, 6), 0.01)).notes) == 6


def test_a_swell_with_wide_slow_pitch_change_stays_one_note():
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    swell = np.sin(np.pi * t / 4.0)
    sound = following(1000.0 * 2 ** (80 * swell / 1200)) * (0.03 + swell)
    hearing = hear(with_noise(sound, 0.001))
    assert len(hearing.notes) == 1
    # The mean of 80 cents times a half sine is 51 cents; faint ends count less.
    note = hearing.notes[0]
    assert abs(CENTS * np.log(note.frequency_hz / 1000.0) - 53.0) < 6.0
    assert CENTS * note.frequency_uncertainty_hz / note.frequency_hz > 1.0


def test_vibrato_and_tremolo_stay_one_note():
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    beat = np.sin(2 * np.pi * 5.0 * t)
    sound = following(700.0 * 2 ** (20 * beat / 1200)) * (1 + 0.25 * beat)
    hearing = hear(with_noise(sound, 0.002))
    assert len(hearing.notes) == 1
    assert hearing.notes[0].steadiness_cents > 5.0


@pytest.mark.parametrize("rate_hz", [2.0, 4.0, 6.0])
@pytest.mark.parametrize("cents", [50.0, 100.0])
def test_a_vibrato_up_to_a_tone_wide_stays_one_note(cents, rate_hz):
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    (note,) = hear(with_noise(following(700.0 * 2 ** (cents * np.sin(2 * np.pi * rate_hz * t) / 1200)), 0.002)).notes
    assert abs(CENTS * np.log(note.frequency_hz / 700.0)) < 0.02 * cents
    assert note.offset_s - note.onset_s > 1.95


@pytest.mark.parametrize("each_s", [0.1, 0.2])
@pytest.mark.parametrize("cents", [100.0, 200.0])
@pytest.mark.parametrize("change_s", [0.005, 0.04])
def test_a_slurred_trill_is_split(change_s, cents, each_s):
    trill = slurred(700.0 * 2 ** (cents * (np.arange(10) % 2) / 1200), each_s, change_s=change_s)
    notes = hear(with_noise(np.concatenate([silence(0.2), trill, silence(0.2)]), 0.002)).notes
    assert [n.onset_s for n in notes] == pytest.approx(0.2 + each_s * np.arange(10), abs=0.010)


def test_a_note_that_rings_on_under_a_tongued_one_ends_where_that_begins():
    """Room or resonator: the first dies away by 60 dB in 0.35 s, the gap is bridged, and only the pitch tells."""
    t = np.arange(RATE_HZ) / RATE_HZ
    sounds = []
    for at_s, end_s, hz in ((0.0, 0.45, 587.33), (0.5, 0.95, 659.26)):
        level = np.clip((t - at_s) / 0.02, 0.0, 1.0) * np.where(t > end_s, 10 ** (-3 * (t - end_s) / 0.35), 1.0)
        sounds.append(level * np.sin(2 * np.pi * hz * t))
    sound = np.concatenate([silence(0.2), 0.2 * (sounds[0] + sounds[1]), silence(0.2)])
    one, two = hear(with_noise(sound, 1e-4)).notes
    assert two.onset_s == pytest.approx(0.704, abs=0.008)  # as loud as the one before, at -9 dB of its own
    assert one.offset_s <= two.onset_s


def test_the_first_moment_of_a_note_that_dips_at_once_is_not_lost():
    sound = tone(1760.0, 0.5, ramp_s=0.005)
    t = np.arange(len(sound)) / RATE_HZ
    sound *= 1.0 - 0.85 * np.exp(-(((t - 0.045) / 0.006) ** 2))
    (note,) = hear(with_noise(np.concatenate([silence(0.2), sound, silence(0.2)]), 0.001)).notes
    assert note.onset_s == pytest.approx(0.2, abs=0.010)


@pytest.mark.parametrize("duration_s", [0.06, 0.1, 2.0])
def test_one_tone_among_silence_is_one_note(duration_s):
    sound = np.concatenate([silence(0.2), tone(587.33, duration_s, ramp_s=0.01), silence(0.2)])
    hearing = hear(with_noise(sound, 0.002))
    assert len(hearing.notes) == 1
    note = hearing.notes[0]
    assert abs(note.frequency_hz - 587.33) < max(4 * note.frequency_uncertainty_hz, 0.003)
    assert note.offset_s - note.onset_s == pytest.approx(duration_s, abs=0.010)


def test_a_click_of_30_ms_is_no_note():
    sound = np.concatenate([silence(0.3), tone(900.0, 0.03, ramp_s=0.005), silence(0.3)])
    hearing = hear(with_noise(sound, 0.001))
    assert hearing.notes == ()
    assert "no notes heard" in hearing.warnings[-1]


@pytest.mark.parametrize(("rate_hz", "count"), [(8000, 6), (44_100, 6), (96_000, 6), (192_000, 6)])
def test_levels_and_purity_are_those_put_in_at_any_rate(rate_hz, count):
    amplitudes = (0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
    sound = tone(500.0, 1.0, amplitudes=amplitudes, rate_hz=rate_hz, scale=1.0)
    # Noise of a given density: 8 harmonics of 500 Hz share it.
    sd = 1e-3 * np.sqrt(rate_hz / 2 / 4000.0)
    hearing = hear(with_noise(sound, sd), rate_hz)
    note = hearing.notes[0]
    heard = note.harmonic_levels_db[:count]
    assert heard == pytest.approx(20 * np.log10(amplitudes), abs=0.5)
    power = np.sum(np.square(amplitudes))
    assert note.level_db == pytest.approx(10 * np.log10(power), abs=0.3)
    # Harmonics that fit under 0.45 of the rate: 7 at 8 kHz, else 8.
    shared = 1e-6 * min(8, int(0.45 * rate_hz / 500)) / 8
    assert note.harmonic_to_noise_db == pytest.approx(10 * np.log10(0.5 * power / shared), abs=2.0)


def test_silence_and_noise_give_no_notes_and_say_why():
    assert "silent" in hear(silence(1.0)).warnings[-1]
    for sound in (
        with_noise(silence(8.0), 0.1),
        1e-3 * np.cumsum(np.random.default_rng(9).standard_normal(8 * RATE_HZ)),
    ):
        hearing = hear(sound)
        assert hearing.notes == ()
        assert hearing.warnings[-1].startswith("no notes heard: ")


@pytest.mark.parametrize("mains_hz", [50.0, 60.0, 49.97])
def test_mains_hum_and_offset_are_no_notes_but_a_note_in_them_is(mains_hz):
    t = np.arange(3 * RATE_HZ) / RATE_HZ
    hum = sum(0.05 / k * np.sin(2 * np.pi * mains_hz * k * t + k) for k in range(1, 20)) + 0.3
    noisy = with_noise(hum, 0.001)
    hearing = hear(noisy)
    assert hearing.notes == ()
    assert "hum" in hearing.warnings[-1]
    noisy[RATE_HZ : 2 * RATE_HZ] += tone(587.33, 1.0)
    assert pitches(hear(noisy)) == pytest.approx([587.33], abs=0.02)


def test_a_note_on_a_multiple_of_the_mains_frequency_is_heard():
    assert pitches(hear(with_noise(tone(600.0, 1.5), 0.01))) == pytest.approx([600.0], abs=0.01)


@pytest.mark.parametrize("hz", [185.0, 293.66, 1174.66, 4186.0])
def test_a_tone_at_10_db_snr_is_heard_and_its_uncertainty_holds(hz):
    sound = tone(hz, 1.0)
    hearing = hear(with_noise(sound, float(np.std(sound)) * 10**-0.5))
    assert len(hearing.notes) == 1
    note = hearing.notes[0]
    assert abs(note.frequency_hz - hz) < 4 * note.frequency_uncertainty_hz
    assert CENTS * note.frequency_uncertainty_hz / hz < 0.1


def test_settings_out_of_range_are_refused_by_name():
    with pytest.raises(RecordingError, match="lowest_hz is 10"):
        ListeningSettings(lowest_hz=10.0)
    with pytest.raises(RecordingError, match="octave"):
        ListeningSettings(lowest_hz=1000.0, highest_hz=1500.0)
    with pytest.raises(RecordingError, match="too few"):
        hear(silence(1.0, 8000), 8000, lowest_hz=2000.0)


@pytest.mark.parametrize("count", [1, 2, 500, 2400])
def test_very_short_recordings_do_no_harm(count):
    assert hear(np.sin(0.1 * np.arange(count))).notes == ()


def test_listening_runs_far_faster_than_the_sound():
    sound = with_noise(np.concatenate([np.append(tone(hz, 0.9), silence(0.1)) for hz in MAJOR_D5_HZ]), 0.01)
    hear(sound)
    start = time.process_time()
    hear(sound)
    # Some 200 times real time on an idle core; the bound leaves room for busy machines.
    assert time.process_time() - start < len(sound) / RATE_HZ / 50
