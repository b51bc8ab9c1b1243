"""One analysis of a recording: each part is computed once, whatever is asked for and in whichever order."""

import sys
import tracemalloc

import numpy as np
import pytest
from listening_tones import RATE_HZ, recording, silence, tone
from test_swells import jumping

from fluewright.cli import listening as listening_command
from fluewright.cli import listening_pictures, listening_report, main
from fluewright.listening import (
    Analysis,
    hear_notes,
    note_tones,
    notes,
    spectra,
    swells,
    takes,
    thinning,
    write_recording,
)
from fluewright.listening.breath_log import BreathLog
from fluewright.listening.pitch import pitch_of_spectra
from fluewright.shop import note_names

#: What the command loads when it runs must be loaded before anything is counted.
LOADED = (listening_command, listening_pictures, listening_report, note_names, takes)


@pytest.fixture
def counted(monkeypatch):
    """Return what counts the calls of a function, by whichever module it is called."""

    def count(function):
        calls = []

        def counting(*args, **named):
            calls.append(1)
            return function(*args, **named)

        for name, module in list(sys.modules.items()):
            if name.startswith("fluewright."):
                for known, value in list(vars(module).items()):
                    if value is function:
                        monkeypatch.setattr(module, known, counting)
        return calls

    return count


@pytest.fixture(scope="module")
def swell_at_96_khz(tmp_path_factory):
    """A file at a rate that has to be thinned: a tone that jumps up an octave and back."""
    path = tmp_path_factory.mktemp("take") / "swell.wav"
    sound = jumping(np.random.default_rng(3), low_hz=420.0, jumps_s=(1.8, 4.2))
    write_recording(path, 0.5 * np.repeat(sound, 2), 88_200)
    return path


def run(monkeypatch, *words):
    monkeypatch.setattr(sys, "argv", ["fluewright", *map(str, words)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code


def test_tone_swell_and_pictures_thin_the_sound_once_and_track_its_pitch_once(
    monkeypatch, capsys, counted, swell_at_96_khz, tmp_path
):
    parts = {
        f.__name__: counted(f)
        for f in (
            thinning.thin_out, spectra.find_hum, pitch_of_spectra, notes.find_notes, note_tones.measure_tones,
            swells.follow_registers,
        )
    }  # fmt: skip
    thinners = []
    made = thinning.Thinner.__init__
    monkeypatch.setattr(
        thinning.Thinner, "__init__", lambda self, rate_hz: (thinners.append(1), made(self, rate_hz))[1]
    )
    run(monkeypatch, "listen", swell_at_96_khz, "--tone", "--swell", "--plot", tmp_path)
    out = capsys.readouterr().out
    assert "attack and tone" in out
    assert "registers held" in out
    assert {"spectrogram.svg", "swell-01.svg"} <= {p.name for p in tmp_path.iterdir()}
    assert {name: len(calls) for name, calls in parts.items()} == dict.fromkeys(parts, 1)
    assert len(thinners) == 1


def test_a_breath_log_is_laid_beside_a_swell_that_is_followed_once(counted):
    analysis = Analysis(recording(jumping(np.random.default_rng(3), low_hz=420.0, jumps_s=(1.8, 4.2)), 44_100))
    followed = counted(swells.follow_registers)
    alone = analysis.swell()
    for low in (50.0, 100.0):
        log = BreathLog(np.array([0.0, 3.0, 6.0]), np.array([low, 400.0, low]), ("a remark",))
        beside = analysis.swell(log)
        assert [j.time_s for j in beside.jumps] == [j.time_s for j in alone.jumps]
        assert [j.pressure_pa for j in beside.jumps] == [float(log.at(np.array([j.time_s]))[0]) for j in alone.jumps]
        assert beside.warnings == ("a remark",)
        for one, other in zip(alone.stretches, beside.stretches, strict=True):
            assert np.array_equal(one.frequencies_hz, other.frequencies_hz)
            assert np.array_equal(other.pressures_pa, log.at(one.times_s))
    assert len(followed) == 1
    assert all(np.isnan(j.pressure_pa) for j in alone.jumps)


def test_the_order_of_asking_changes_nothing():
    sound = recording(np.concatenate([silence(0.3), tone(587.33, 1.2), silence(0.1), tone(880.0, 0.8), silence(0.3)]))
    one, other = Analysis(sound), Analysis(sound)
    asked = (one.tones, one.swell().stretches, one.spectrogram.levels_db)
    backwards = (other.spectrogram.levels_db, other.swell().stretches, other.tones)[::-1]
    assert [t.rise_s for t in asked[0]] == [t.rise_s for t in backwards[0]]
    assert [s.middle_hz for s in asked[1]] == [s.middle_hz for s in backwards[1]]
    assert np.array_equal(asked[2], backwards[2])
    assert one.hearing == hear_notes(sound)


def test_an_analysis_holds_little_beside_the_recording():
    """Over two minutes: a few numbers for every 10 ms are kept, and while it works at most 2.5 times the samples."""
    rng = np.random.default_rng(1)
    piece = np.concatenate([silence(0.2), tone(587.33, 0.7), silence(0.1), tone(880.0, 0.9), silence(0.1)])
    sound = recording(np.tile(piece, 60) + 1e-3 * rng.standard_normal(60 * len(piece)))
    Analysis(recording(piece)).swell()  # libraries are loaded before
    tracemalloc.start()
    analysis = Analysis(sound)
    assert len(analysis.tones) == len(analysis.hearing.notes) == 120
    assert len(analysis.swell().stretches) > 100
    kept, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert kept < 0.1 * sound.samples.nbytes
    assert most < 2.5 * sound.samples.nbytes
    assert analysis.sound is sound  # 48 kHz need no thinning, and no copy
    assert RATE_HZ < 88_200
