"""Hearing a recording of a piece: what it is called, how it is told from others, and when it is refused."""

import hashlib

import numpy as np
import pytest

from fluewright.demo.sound import play
from fluewright.errors import InputError, RecordingError
from fluewright.listening import write_recording
from fluewright.shop.sitting import ANALYSIS_VERSION, judge, take_of_recording

RATE_HZ = 44100


@pytest.fixture(scope="module")
def scale(tmp_path_factory, pitch):
    """Return (path, Hz) of a recording of every main note of d5-cylinder, 12 cents flat of the design's blown pitch."""
    hz = pitch.network.targets_hz * 2.0 ** ((pitch.cents({}) - 12.0) / 1200.0)
    main = [float(hz[i]) for i, f in enumerate(pitch.fingerings) if f.alternative == 0]
    path = tmp_path_factory.mktemp("takes") / "scale.wav"
    write_recording(path, play(main, note_s=0.5, rng=np.random.default_rng(1)), RATE_HZ)
    return path, main


def test_a_recording_is_told_from_others_by_its_contents_and_called_by_its_file(scale, tmp_path):
    path, main = scale
    take = take_of_recording(path)
    assert take.name == "scale.wav"
    assert take.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert take.analysis_version == ANALYSIS_VERSION
    assert [n.frequency_hz for n in take.notes] == pytest.approx(main, rel=6e-4)
    renamed = tmp_path / "other.wav"
    renamed.write_bytes(path.read_bytes())
    again = take_of_recording(renamed, name="upload")
    assert (again.name, again.sha256) == ("upload", take.sha256)


def test_what_was_heard_is_what_is_judged(scale, known):
    judged = judge(known, [take_of_recording(scale[0])])
    assert len(judged.advice.trials[0].notes) == len(scale[1])
    heard = judged.advice.verdict.cents - known.pitch.cents({})
    assert heard[known.pitch.first_register].mean() == pytest.approx(-12.0, abs=3.0)


def test_a_recording_without_a_note_is_refused_by_the_name_that_the_person_knows(tmp_path):
    path = tmp_path / "hiss.wav"
    write_recording(path, 1e-4 * np.random.default_rng(2).standard_normal(RATE_HZ), RATE_HZ)
    with pytest.raises(InputError, match=r"hiss\.wav: ") as by_path:
        take_of_recording(path)
    assert str(path) in str(by_path.value)
    with pytest.raises(InputError, match=r"^morning: ") as by_name:
        take_of_recording(path, name="morning")
    assert str(path) not in str(by_name.value)


def test_each_warning_of_the_ear_is_given_once(scale, tmp_path):
    path = tmp_path / "loud.wav"
    samples = play(scale[1], note_s=0.5, rng=np.random.default_rng(1))
    write_recording(path, np.clip(20.0 * samples, -1.0, 1.0), RATE_HZ)
    warnings = take_of_recording(path).warnings
    assert warnings
    assert len(set(warnings)) == len(warnings)


def test_a_file_that_is_no_sound_is_refused(tmp_path):
    path = tmp_path / "notes.wav"
    path.write_text("not a sound")
    with pytest.raises(RecordingError):
        take_of_recording(path)
