"""Sounds that no instrument makes are heard, or refused by name, and nothing else."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from listening_tones import RATE_HZ, tone

from attack.sounds import odd_sound
from fluewright.errors import RecordingError
from fluewright.listening import Analysis, Recording, hear_notes, write_recording
from fluewright.listening.streams import hear_file
from fluewright.listening.survey import LARGEST_SAMPLE


def heard(samples, rate_hz):
    return hear_notes(Recording(samples, float(rate_hz), 1, len(samples) / rate_hz, ""))


@pytest.mark.parametrize(("on_s", "size"), [(0.128, 0.0065), (0.128, 0.02), (0.130, 0.0065), (0.130, 0.02)])
def test_two_bursts_with_nothing_between_are_no_note(tmp_path, on_s, size):
    """The edges of one note lay in the tail of the first burst and in the second: all its blocks were silent."""
    sound = np.zeros(2784)
    t = np.arange(len(sound)) / 16_000
    first, second = t < 0.057, (t >= on_s) & (t < on_s + 0.010)
    sound[first] = 0.05 * np.random.default_rng(1).standard_normal(int(first.sum()))
    sound[second] = size * np.sin(2.0 * np.pi * 2000.0 * t[second])
    assert heard(sound, 16_000).notes == ()
    path = tmp_path / "take.wav"
    write_recording(path, sound, 16_000)
    assert hear_file(path).hearing.notes == ()


@pytest.mark.parametrize("cut_s", [0.055, 0.065, 0.08, 0.1, 0.2])
@pytest.mark.parametrize("at", ["beginning", "end"])
def test_a_burst_cut_off_by_the_end_of_the_file_is_heard_or_too_short(at, cut_s):
    burst = tone(880.0, 1.0)
    piece = burst[-round(cut_s * RATE_HZ) :] if at == "beginning" else burst[: round(cut_s * RATE_HZ)]
    rest = np.zeros(RATE_HZ // 2)
    found = heard(np.concatenate([piece, rest] if at == "beginning" else [rest, piece]), RATE_HZ).notes
    assert len(found) <= 1
    for note in found:
        assert abs(1200.0 * np.log2(note.frequency_hz / 880.0)) < 20.0
    if cut_s >= 0.1:
        assert len(found) == 1


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_no_odd_sound_breaks_what_hears_it(seed):
    samples, rate_hz = odd_sound(np.random.default_rng(seed))
    with np.errstate(invalid="ignore"):  # samples may be infinite, either way
        samples = samples.mean(axis=1) if samples.ndim == 2 else samples
    long_enough = 8000 <= rate_hz <= 768_000 and len(samples) >= 0.05 * rate_hz
    if not (long_enough and np.isfinite(samples).all() and np.abs(samples).max() <= LARGEST_SAMPLE):
        return  # a file of these is refused as it is read
    try:
        analysis = Analysis(Recording(samples, float(rate_hz), 1, len(samples) / rate_hz, ""))
        notes = analysis.hearing.notes
        assert len(analysis.tones) == len(notes)
        assert analysis.loudness is not None
        assert analysis.spectrogram is not None
    except RecordingError:
        return
    for note in notes:
        assert 0.0 <= note.onset_s < note.offset_s
        assert 0.0 < note.frequency_hz < 0.5 * rate_hz
