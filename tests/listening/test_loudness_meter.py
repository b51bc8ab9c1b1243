"""The loudness and level meters beside the standards (tests/published/test_loudness.py): blocks, silence, refusals."""

import math

import numpy as np
import pytest

from fluewright.errors import RecordingError
from fluewright.listening.calibration import calibrate
from fluewright.listening.level import LevelMeter
from fluewright.listening.loudness import LoudnessMeter, measure_loudness
from fluewright.listening.recordings import Recording

RATE_HZ = 48_000
T = np.arange(2 * RATE_HZ) / RATE_HZ


def sine(level_dbfs, seconds, *, hz=1000.0, rate_hz=RATE_HZ):
    """A sine whose peak is `level_dbfs` below full scale."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * t)


def recording(samples, rate_hz=RATE_HZ):
    samples = np.asarray(samples, dtype=np.float64)
    return Recording(samples, float(rate_hz), 1, len(samples) / rate_hz, "c" * 64)


def test_blocks_of_any_size_give_what_the_whole_gives():
    rng = np.random.default_rng(5)
    sound = 0.1 * rng.standard_normal((44_100 * 7 + 311, 2)) * np.linspace(0.01, 1.0, 44_100 * 7 + 311)[:, None]
    whole = measure_loudness(sound, 44_100)
    meter, place = LoudnessMeter(44_100), 0
    while place < len(sound):
        size = int(rng.integers(1, 9000))
        meter.push(sound[place : place + size])
        place += size
    for name, value in vars(whole).items():
        assert getattr(meter.result, name) == pytest.approx(value, abs=1e-9), name


def test_memory_does_not_grow_with_time():
    meter = LoudnessMeter(8_000)
    block = sine(-30.0, 10.0, rate_hz=8_000)
    meter.push(block)
    held = sum(v.nbytes for v in vars(meter).values() if isinstance(v, np.ndarray))
    for _ in range(30):
        meter.push(block)
    assert sum(v.nbytes for v in vars(meter).values() if isinstance(v, np.ndarray)) == held
    assert meter.result.duration_s == pytest.approx(310.0)


def test_silence_has_no_loudness():
    found = measure_loudness(np.zeros(RATE_HZ * 4), RATE_HZ)
    assert math.isnan(found.integrated_lufs)
    assert math.isnan(found.range_lu)
    assert found.momentary_max_lufs == -math.inf
    assert math.isnan(measure_loudness(np.ones(100), RATE_HZ).momentary_max_lufs)


def test_bad_blocks_are_refused_with_the_reason():
    with pytest.raises(RecordingError, match="4 channels"):
        measure_loudness(np.zeros((100, 4)), RATE_HZ)
    with pytest.raises(RecordingError, match="not numbers"):
        measure_loudness(np.array([0.0, np.nan]), RATE_HZ)
    with pytest.raises(RecordingError, match="rate_hz is 4000"):
        LoudnessMeter(4_000)
    with pytest.raises(RecordingError, match="weights"):
        LoudnessMeter(RATE_HZ, (1.0, -1.0))
    with pytest.raises(RecordingError, match="shape"):
        LevelMeter(RATE_HZ).push(np.zeros((3, 2)))


@pytest.mark.parametrize(
    ("sound", "reason"),
    [
        (np.clip(sine(0.0, 2.0), -0.7, 0.7), "clipped"),
        (np.clip(1.2 * sine(0.0, 2.0), -1.0, 1.0), "clipped"),
        (np.zeros(2 * RATE_HZ), "silent"),
        (0.1 * np.random.default_rng(2).standard_normal(2 * RATE_HZ), "strongest line|noise"),
        (sine(-20.0, 2.0, hz=800.0), "800 Hz"),
        (sine(-20.0, 2.0) * np.linspace(1.0, 0.9, 2 * RATE_HZ), "level moves"),
        (0.1 * np.sin(2 * np.pi * 1000 * T + 3 * np.sin(9 * T)), "pitch moves"),
        (sine(-20.0, 2.0) + sine(-30.0, 2.0, hz=2000.0), "other tones"),
        (sine(-20.0, 0.7), "too short"),
    ],
    ids=["clipped", "clipped at full scale", "silent", "noise", "other", "fading", "wavering", "octave", "short"],
)
def test_a_calibration_that_is_no_steady_clean_tone_is_refused(sound, reason):
    with pytest.raises(RecordingError, match=reason):
        calibrate(recording(sound))


def test_a_calibration_outside_the_recording_is_refused():
    with pytest.raises(RecordingError, match="no stretch"):
        calibrate(recording(sine(-20.0, 2.0)), start_s=1.0, end_s=3.0)
    with pytest.raises(RecordingError, match="level_db is 20"):
        calibrate(recording(sine(-20.0, 2.0)), level_db=20.0)
