"""Levels against a calculation by hand: every place that states one, for a sine of known amplitude.

0 dB is a sine of full scale: a sine of amplitude A, whose root mean square is A / sqrt(2), stands at 20 log10 A. With a
calibrator's tone of 94 dB SPL (1.0024 Pa effective) recorded at amplitude B, it is 94 + 20 log10(A / B) dB SPL.
"""

import json
import math
import sys

import numpy as np
import pytest
from listening_tones import RATE_HZ, recording, silence

from fluewright.cli import main
from fluewright.listening import Analysis, hear_notes, write_recording
from fluewright.listening.calibration import calibrate
from fluewright.listening.level import LevelMeter, measure_level
from fluewright.listening.loudness import LoudnessMeter, measure_loudness
from fluewright.listening.streams import Listener, hear_file
from fluewright.listening.swell_loops import swell_loops

HZ = 1000.0  # where the A-weighting is 0 dB
AMPLITUDES = (0.5, 0.1, 0.004)
NOISE = 1e-5


def sine(amplitude, seconds=2.0, *, hz=HZ, rate_hz=RATE_HZ):
    return amplitude * np.sin(2.0 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)


def level_by_hand(samples):
    """Return the level of a sine from its root mean square: over that of a sine of full scale, 1 / sqrt(2)."""
    return 20.0 * math.log10(math.sqrt(float(np.mean(np.square(samples)))) * math.sqrt(2.0))


def held(amplitude, *, rate_hz=RATE_HZ):
    """A sine between silences, in a trace of noise."""
    sound = np.concatenate([silence(0.4, rate_hz), sine(amplitude, rate_hz=rate_hz), silence(0.4, rate_hz)])
    return recording(sound + NOISE * np.random.default_rng(0).standard_normal(len(sound)), rate_hz)


def test_the_calculation_by_hand():
    assert level_by_hand(sine(1.0)) == pytest.approx(0.0, abs=1e-9)
    assert level_by_hand(sine(0.1)) == pytest.approx(-20.0, abs=1e-9)
    assert float(np.sqrt(np.mean(sine(0.1) ** 2))) == pytest.approx(0.0707107, abs=1e-6)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("amplitude", AMPLITUDES)
def test_every_level_in_a_recording_is_that_of_the_sine(amplitude, rate_hz):
    wanted = level_by_hand(sine(amplitude))
    analysis = Analysis(held(amplitude, rate_hz=rate_hz))
    (note,), (tone,) = analysis.hearing.notes, analysis.tones
    assert note.level_db == pytest.approx(wanted, abs=0.05)
    assert note.harmonic_levels_db[0] == pytest.approx(wanted, abs=0.05)
    assert tone.harmonic_levels_db[0] == pytest.approx(wanted, abs=0.05)
    # The nearest bin of the padded transform: up to 0.4 dB under the line's own top.
    steady = (analysis.track.times_s > 0.6) & (analysis.track.times_s < 2.2)
    assert np.median(analysis.track.level_db[steady]) == pytest.approx(wanted - 0.2, abs=0.25)
    (stretch,) = analysis.swell().stretches
    assert np.median(stretch.levels_db) == pytest.approx(wanted - 0.2, abs=0.25)
    table = analysis.spectrogram
    row = int(HZ / table.top_hz * len(table.levels_db))
    assert table.levels_db[row, 300:600] == pytest.approx(wanted, abs=0.1)


def test_the_background_is_the_level_of_a_sine_that_would_equal_it():
    sd = 0.01
    track = Analysis(recording(sd * np.random.default_rng(1).standard_normal(3 * RATE_HZ))).track
    # White noise of variance sd**2 gives |z|**2 = 4 sd**2 sum(w**2) / sum(w)**2 in a bin; 1.5 / n for a Hann window.
    wanted = 10.0 * math.log10(4.0 * sd**2 * 1.5 / (0.0427 * RATE_HZ))
    assert np.median(track.floor_db) == pytest.approx(wanted, abs=0.7)


@pytest.mark.parametrize("amplitude", AMPLITUDES)
def test_a_jump_and_the_picture_of_a_swell_keep_the_levels_of_both_registers(amplitude):
    upper = 0.6 * amplitude
    sound = np.concatenate([sine(amplitude, hz=600.0), sine(upper, hz=1200.0)])
    swell = Analysis(recording(sound + NOISE * np.random.default_rng(2).standard_normal(len(sound)))).swell()
    (jump,), (loop,) = swell.jumps, swell_loops(swell)
    for level, wanted in ((jump.before_db, amplitude), (jump.after_db, upper)):
        # Frames beside the change hold a part of each.
        assert level == pytest.approx(20.0 * math.log10(wanted) - 0.2, abs=1.2)
    for line, wanted in zip(loop.lines, (amplitude, upper), strict=True):
        assert np.median(line.over) == pytest.approx(20.0 * math.log10(wanted) - 0.2, abs=0.25)
    assert loop.jumps[0].over == jump.before_db


@pytest.mark.parametrize("amplitude", AMPLITUDES)
def test_blocks_and_long_files_state_the_same_level(amplitude, tmp_path):
    wanted = level_by_hand(sine(amplitude))
    sound = held(amplitude)
    listener = Listener(sound.rate_hz)
    now, found = [], []
    for at in range(0, len(sound), 2400):
        found += listener.push(sound.samples[at : at + 2400])
        now.append((listener.now.time_s, listener.now.level_db))
    (note,) = [*found, *listener.finish()]
    assert note.level_db == pytest.approx(wanted, abs=0.05)
    assert np.median([level for at, level in now if 0.8 < at < 2.0]) == pytest.approx(wanted - 0.2, abs=0.25)
    # A note longer than a piece of a file is put together from two.
    long = np.concatenate([silence(0.5), sine(amplitude, 130.0), silence(0.5)])
    write_recording(tmp_path / "long.wav", long, RATE_HZ)
    (whole,) = hear_file(tmp_path / "long.wav").hearing.notes
    assert whole.level_db == pytest.approx(wanted, abs=0.05)
    assert whole.harmonic_levels_db[0] == pytest.approx(wanted, abs=0.05)


@pytest.mark.parametrize("amplitude", AMPLITUDES)
def test_loudness_and_level_of_a_sine(amplitude):
    wanted = level_by_hand(sine(amplitude))
    # ITU-R BS.1770: a sine of 997 Hz at full scale in one front channel reads -3.01 LUFS.
    loud = measure_loudness(sine(amplitude, 5.0, hz=997.0), RATE_HZ)
    meter = LoudnessMeter(RATE_HZ)
    curve = meter.push(sine(amplitude, 5.0, hz=997.0))
    for value in (loud.integrated_lufs, loud.momentary_lufs, loud.short_term_max_lufs, curve.momentary_lufs[-1]):
        assert value == pytest.approx(wanted - 3.01, abs=0.02)
    level = measure_level(sine(amplitude, 5.0), RATE_HZ)
    assert level.equivalent_db == pytest.approx(wanted, abs=0.05)
    assert level.fast_db == pytest.approx(wanted, abs=0.05)


@pytest.mark.parametrize("amplitude", AMPLITUDES)
@pytest.mark.parametrize("at_94_db", [0.3, 0.02])
def test_a_calibrated_microphone_states_db_spl(amplitude, at_94_db):
    known = calibrate(recording(sine(at_94_db, 2.0)), level_db=94.0)
    # 94 dB re 20 uPa are 1.0024 Pa effective; a full-scale sine is 1 / B times that.
    pascals = 20e-6 * 10.0 ** (94.0 / 20.0) / (at_94_db / math.sqrt(2.0))
    assert pascals == pytest.approx(1.0023745 * math.sqrt(2.0) / at_94_db, rel=1e-6)
    assert known.pascals_per_unit == pytest.approx(pascals, rel=1e-3)
    assert known.full_scale_db == pytest.approx(94.0 - 20.0 * math.log10(at_94_db), abs=0.01)
    effective_pa = pascals * float(np.sqrt(np.mean(sine(amplitude) ** 2)))
    by_hand = 20.0 * math.log10(effective_pa / 20e-6)
    assert by_hand == pytest.approx(94.0 + 20.0 * math.log10(amplitude / at_94_db), abs=1e-6)
    meter = LevelMeter(RATE_HZ, known)
    meter.push(sine(amplitude, 5.0))
    for level in (meter.result, measure_level(sine(amplitude, 5.0), RATE_HZ, calibration=known)):
        assert level.equivalent_db == pytest.approx(by_hand, abs=0.05)
        assert level.fast_max_db == pytest.approx(by_hand, abs=0.1)


def test_the_command_prints_these_levels(monkeypatch, capsys, tmp_path):
    write_recording(tmp_path / "take.wav", held(0.1).samples, RATE_HZ)
    write_recording(tmp_path / "tone.wav", sine(0.2), RATE_HZ)
    words = ["listen", tmp_path / "take.wav", "--swell", "--tone", "--calibration", tmp_path / "tone.wav"]

    def said(*more):
        monkeypatch.setattr(sys, "argv", ["fluewright", *map(str, words), *more])
        with pytest.raises(SystemExit):
            main()
        return capsys.readouterr().out

    data = json.loads(said("--json"))
    assert data["notes"][0]["level_db"] == pytest.approx(-20.0, abs=0.05)
    assert data["tones"][0]["harmonic_levels_db"][0] == pytest.approx(-20.0, abs=0.05)
    # The sine fills 2 of 2.8 s; the mean square over all of it counts.
    assert data["level"]["level_dba"] == pytest.approx(94.0 - 6.02 + 10.0 * math.log10(2.0 / 2.8), abs=0.05)
    # Silence stays under the gate; blocks of 0.4 s that hold a part of it take half a decibel off.
    assert data["level"]["loudness_lufs"] == pytest.approx(-23.01 - 0.5, abs=0.3)
    out = said()
    assert "A-weighted level 86.5 dB" in out
    assert hear_notes(held(0.1)).notes[0].level_db == pytest.approx(-20.0, abs=0.05)
