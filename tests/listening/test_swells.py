"""Swells: jumps at known times, none in steady notes, warbles, the breath log beside them."""

import math

import numpy as np
import pytest

from fluewright.errors import RecordingError
from fluewright.listening import Analysis, Recording
from fluewright.listening.breath_log import (
    BreathLog,
    align_log,
    read_breath_log,
    typed_breath_log,
)
from fluewright.units import MM_OF_WATER_PA

RATE = 44_100.0


def recording(samples):
    return Recording(samples, RATE, 1, len(samples) / RATE, "")


def jumping(rng, *, low_hz, jumps_s, duration_s=6.0, ring_s=0.006, snr_db=25.0):
    """A tone that leaps between an octave's two pitches at given times, each fading into the other."""
    t = np.arange(int(duration_s * RATE)) / RATE
    high = np.zeros(len(t))
    for k, at in enumerate(jumps_s):
        step = 0.5 * (1.0 + np.tanh((t - at) / ring_s))
        high = high + step if k % 2 == 0 else high - step
    swell = 10.0 ** (-(((t - 0.5 * duration_s) / duration_s) ** 2))
    bend = 2.0 ** (0.02 * np.sin(np.pi * t / duration_s))
    phase = 2.0 * np.pi * np.cumsum(low_hz * bend) / RATE
    sound = np.zeros(len(t))
    for k in range(1, 7):
        odd = k % 2 == 1
        sound += (0.3 / k) * (1.0 - high if odd else 0.5 + 0.8 * high) * np.sin(k * phase + rng.uniform(0, 6))
    noise = 10.0 ** (-snr_db / 20.0) * np.std(sound)
    return swell * sound + noise * rng.standard_normal(len(t))


def test_jumps_within_20_ms_of_their_known_times():
    rng = np.random.default_rng(1)
    worst = 0.0
    for _ in range(12):
        up = rng.uniform(1.5, 2.5)
        down = rng.uniform(3.5, 4.5)
        sound = jumping(rng, low_hz=rng.uniform(280, 900), jumps_s=(up, down))
        found = Analysis(recording(sound)).swell().jumps
        assert [j.up for j in found] == [True, False]
        worst = max(worst, abs(found[0].time_s - up), abs(found[1].time_s - down))
        assert found[0].after_hz / found[0].before_hz == pytest.approx(2.0, rel=0.01)
    assert worst < 0.020


def test_no_jump_in_a_hundred_steady_notes_with_vibrato():
    rng = np.random.default_rng(2)
    t = np.arange(int(1.2 * RATE)) / RATE
    for _ in range(100):
        f = rng.uniform(262, 2349)
        cents = rng.uniform(0, 60) * np.sin(2 * np.pi * rng.uniform(4, 7) * t + rng.uniform(0, 6))
        phase = 2 * np.pi * np.cumsum(f * 2 ** (cents / 1200)) / RATE
        sound = sum((0.3 * rng.uniform(0.1, 1.0) / k) * np.sin(k * phase + rng.uniform(0, 6)) for k in range(1, 6))
        sound = sound * (1 + 0.2 * np.sin(2 * np.pi * 5 * t)) + 0.003 * rng.standard_normal(len(t))
        heard = Analysis(recording(sound)).swell()
        assert heard.jumps == ()
        assert heard.warbles == ()


def test_cents_per_doubling_of_breath_is_that_of_the_log():
    t = np.arange(int(8.0 * RATE)) / RATE
    pressure = 60.0 * 4.0 ** np.sin(np.pi * t / 8.0)
    cents = 30.0 * np.log2(pressure / 60.0)
    phase = 2 * np.pi * np.cumsum(500.0 * 2 ** (cents / 1200)) / RATE
    sound = 0.001 * pressure * (np.sin(phase) + 0.4 * np.sin(2 * phase))
    sound += 0.0005 * np.random.default_rng(3).standard_normal(len(t))
    log = BreathLog(t[::2000], pressure[::2000])
    (stretch,) = Analysis(recording(sound)).swell(log).stretches
    assert stretch.cents_per_doubling == pytest.approx(30.0, abs=0.5)
    shifted = log.moved(-3.0)
    _, shift, likely = Analysis(recording(sound)).aligned(shifted)
    assert shift == pytest.approx(3.0, abs=0.05)
    assert likely > 0.9


def test_a_beat_of_two_modes_is_a_warble():
    t = np.arange(int(3.0 * RATE)) / RATE
    sound = 0.3 * np.sin(2 * np.pi * 600 * t) + 0.2 * np.sin(2 * np.pi * 620 * t) * (t > 1.0) * (t < 2.0)
    found = Analysis(recording(sound + 0.001 * np.random.default_rng(4).standard_normal(len(t)))).swell().warbles
    assert len(found) == 1
    assert found[0].rate_hz == pytest.approx(20.0, abs=2.0)
    assert abs(found[0].start_s - 1.0) < 0.25
    assert abs(found[0].end_s - 2.0) < 0.25


def test_logs_are_read_in_every_form(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time,pa\n0.0,1\n0.5,100.5\n1.0,2\n")
    assert read_breath_log(path).pressures_pa.tolist() == [1.0, 100.5, 2.0]
    path.write_text("0,0\n8000,5\n16000,6\n600,7\n8600,8\n")
    log = read_breath_log(path)
    assert np.allclose(np.diff(log.times_s)[2:], [0.984, 8.0])
    assert "ran back" in log.warnings[0]
    path.write_text('"0.0","1"\n"0.5","100.5"\n')
    assert read_breath_log(path).pressures_pa.tolist() == [1.0, 100.5]
    path.write_text("0,5;10\n1,5;20,5\n")
    assert read_breath_log(path).pressures_pa.tolist() == [10.0, 20.5]
    typed = typed_breath_log(["1=12mm", "2.5s=180", "0=1cm"])
    assert typed.pressures_pa.tolist() == pytest.approx([10 * MM_OF_WATER_PA, 12 * MM_OF_WATER_PA, 180.0])


@pytest.mark.parametrize(
    "text",
    ["", "time,pa\n", "0,1\n", "0,1\nfoo bar\n1,2", "0,1\n1,nan\n", "0,1\n1,1e9\n", "5,1\n4.5,2\n", "0,\n1,",
     "1" * 200_000 + ",2\n", "0,1e300\n1e300,2\n", "\x00,\x00\n", "0,1\n1e308,1\n-1e308,2\n"],
    ids=lambda text: text[:20],
)  # fmt: skip
def test_bad_logs_are_refused_by_name(tmp_path, text):
    path = tmp_path / "log.csv"
    path.write_text(text)
    with pytest.raises(RecordingError, match=r"log\.csv"):
        read_breath_log(path)


def test_bad_readings_and_logs_that_fit_nothing_are_refused():
    for readings in (["1=2"], ["1=2", "1=3"], ["a=1", "2=3"], ["1=1=1", "2=2"]):
        with pytest.raises(RecordingError, match="breath reading"):
            typed_breath_log(readings)
    t = np.arange(0.0, 20.0, 0.01)
    log = BreathLog(t, 100 + 80 * np.sin(t))
    with pytest.raises(RecordingError, match="offset"):
        align_log(log, t, -30 + 10 * np.random.default_rng(5).standard_normal(len(t)))
    with pytest.raises(RecordingError, match="no pitch"):
        Analysis(recording(0.01 * np.random.default_rng(6).standard_normal(44100))).swell()


def test_values_beside_the_log_are_not_invented():
    log = BreathLog(np.array([1.0, 2.0]), np.array([10.0, 20.0]))
    assert math.isnan(log.at(np.array([0.5]))[0])
    assert log.at(np.array([1.5]))[0] == 15.0


def test_jumps_of_the_blown_model_are_found_within_20_ms():
    """Truth: the window's own velocity, free of room and noise: its odd partials in windows of four periods."""
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.sounding import blow, find_jumps
    from fluewright.acoustics.synthesis import sound_of, swell_gesture
    from fluewright.instrument.starting import load

    blown = find_jumps(blow(build_network(load("d5-cylinder"))))
    for i in (0, 2):
        note = blown.notes[i]
        sound = sound_of(blown, swell_gesture(i, 1.5 * note.lowest_pa, 1.7 * note.highest_pa, seconds=10.0))
        heard = sound.samples() + 0.003 * np.random.default_rng(i).standard_normal(sound.pressure_pa.size)
        found = Analysis(Recording(heard, 48_000.0, 1, len(heard) / 48_000.0, "")).swell().jumps
        assert [j.up for j in found] == [True, False]
        for jump in found:
            low = min(jump.before_hz, jump.after_hz)
            at = np.arange(jump.time_s - 0.15, jump.time_s + 0.15, 0.001)
            t = np.arange(round(4 / low * 48_000)) / 48_000.0
            starts = np.rint(at * 48_000).astype(int) - len(t) // 2
            frames = np.lib.stride_tricks.sliding_window_view(sound.velocity, len(t))[starts] * np.hanning(len(t))
            odd = sum(np.abs(frames @ np.exp(-2j * np.pi * k * low * t)) ** 2 for k in (1, 3, 5))
            size = np.sqrt(odd)
            before, after = np.median(size[:40]), np.median(size[-40:])
            past = (size - before) / (after - before) >= 0.5
            truth = at[np.flatnonzero(~past)[-1]]
            assert abs(jump.time_s - truth) < 0.020
