"""One call hears a take: what is wanted is there, what is not is None; the breath is found from a table or readings."""

import math

import numpy as np
import pytest
from listening_tones import RATE_HZ, silence, tone
from test_swells import RATE, jumping

from fluewright.errors import RecordingError
from fluewright.listening import Analysis, hear_notes, read_recording, write_recording
from fluewright.listening.takes import BreathBeside, Wanted, find_breath, hear_take


@pytest.fixture(scope="module")
def take(tmp_path_factory):
    path = tmp_path_factory.mktemp("takes") / "swell.wav"
    write_recording(path, jumping(np.random.default_rng(3), low_hz=420.0, jumps_s=(1.8, 4.2)), RATE)
    return path


@pytest.fixture(scope="module")
def log(take):
    """A table beside it that begins 2 s before the sound; breath goes as the level does."""
    times = np.arange(0.0, 10.0, 0.05)
    pressures = 10.0 + 300.0 * np.exp(-(((times - 5.0) / 2.0) ** 2))
    path = take.with_name("log.csv")
    path.write_text("".join(f"{t:.3f},{p:.2f}\n" for t, p in zip(times, pressures, strict=True)))
    return path


def test_notes_alone_keep_no_sound(take):
    found = hear_take(take)
    recording = read_recording(take)
    assert found.hearing.notes == hear_notes(recording).notes
    assert found.sha256 == recording.sha256
    assert found.duration_s == pytest.approx(6.0)
    assert [getattr(found, name) for name in ("analysis", "tones", "swell", "loudness", "level")] == [None] * 5


def test_what_is_wanted_is_there_and_nothing_else(take, tmp_path):
    calibrator = tmp_path / "tone.wav"
    write_recording(calibrator, 0.1 * np.sin(2.0 * np.pi * 1000.0 * np.arange(2 * RATE_HZ) / RATE_HZ), RATE_HZ)
    toned, swelling = hear_take(take, Wanted(tone=True)), hear_take(take, Wanted(swell=True))
    assert len(toned.tones) == len(toned.hearing.notes)
    assert toned.swell is None
    assert swelling.tones is None
    assert [j.up for j in swelling.swell.jumps] == [True, False]
    levelled = hear_take(take, Wanted(calibration=calibrator, calibration_db=100.0))
    assert levelled.level.calibrated
    assert levelled.swell is levelled.tones is None
    assert hear_take(take, Wanted(pictures=True)).analysis.hearing.notes == toned.hearing.notes
    assert all(t.loudness is not None for t in (toned, swelling, levelled))


def test_breath_that_is_told_means_a_swell(take, log):
    read = hear_take(take, Wanted(breath=BreathBeside(readings=("0=40", "3=300", "6=40"))))
    assert read.swell.jumps[0].pressure_pa == pytest.approx(40.0 + 260.0 * read.swell.jumps[0].time_s / 3.0, abs=1.0)
    assert read.alignment is None
    moved = hear_take(take, Wanted(breath=BreathBeside(log, -2.0)))
    assert moved.alignment is None
    assert moved.swell.stretches[0].pressures_pa[0] == pytest.approx(10.0 + 300.0 * math.exp(-9.0 / 4.0), abs=15.0)


def test_the_place_of_a_table_is_found_from_level_and_pressure(tmp_path):
    t = np.arange(8 * RATE_HZ) / RATE_HZ
    pressures = 60.0 * 4.0 ** np.sin(np.pi * t / 8.0)
    sound = 0.001 * pressures * np.sin(2.0 * np.pi * 500.0 * t) + 1e-4 * np.random.default_rng(1).standard_normal(
        len(t)
    )
    write_recording(tmp_path / "swell.wav", sound, RATE_HZ)
    lines = [f"{2.5 + at:.3f},{pa:.2f}\n" for at, pa in zip(t[::2400], pressures[::2400], strict=True)]
    (tmp_path / "log.csv").write_text("".join(lines))
    found = hear_take(tmp_path / "swell.wav", Wanted(breath=BreathBeside(tmp_path / "log.csv")))
    assert found.alignment.shift_s == pytest.approx(-2.5, abs=0.05)
    assert found.alignment.correlation > 0.9
    assert np.nanmax(found.swell.stretches[0].pressures_pa) == pytest.approx(240.0, abs=1.0)


def test_no_breath_told_is_no_breath_and_bad_ones_are_refused(take):
    analysis = Analysis(read_recording(take))
    assert find_breath(analysis, BreathBeside()) == (None, None)
    with pytest.raises(RecordingError, match="at least two"):
        find_breath(analysis, BreathBeside(readings=("1=2",)))
    with pytest.raises(RecordingError, match=r"nothing\.csv"):
        find_breath(analysis, BreathBeside(take.with_name("nothing.csv")))


def test_a_swell_of_noise_is_refused_and_its_notes_are_none(tmp_path):
    path = tmp_path / "noise.wav"
    write_recording(path, 0.01 * np.random.default_rng(6).standard_normal(int(RATE)), RATE)
    assert hear_take(path).hearing.notes == ()
    with pytest.raises(RecordingError, match="no pitch"):
        hear_take(path, Wanted(swell=True))


def test_warnings_come_once(tmp_path):
    path = tmp_path / "dc.wav"
    write_recording(path, 0.05 + np.concatenate([silence(0.2), tone(587.33, 0.5), silence(0.2)]), RATE_HZ)
    for wanted in (Wanted(), Wanted(tone=True), Wanted(swell=True)):
        assert [w for w in hear_take(path, wanted).warnings if "off centre" in w] == [*hear_take(path).warnings][:1]
