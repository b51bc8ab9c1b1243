"""Notes from blocks: the same as from a whole recording, in bounded memory."""

import tracemalloc

import numpy as np
import pytest
import soundfile

from fluewright.errors import RecordingError
from fluewright.listening import Recording, hear_notes
from fluewright.listening.streams import Listener, hear_file

RATE = 44_100


def scale(rng, notes=12, note_s=0.5, gap_s=0.12):
    pieces = [np.zeros(int(0.3 * RATE))]
    for k in range(notes):
        t = np.arange(int(note_s * RATE)) / RATE
        f = 587.33 * 2 ** (k / 12)
        envelope = np.minimum(1, np.minimum(t / 0.02, (note_s - t) / 0.03))
        pieces += [envelope * 0.3 * (np.sin(2 * np.pi * f * t) + 0.3 * np.sin(4 * np.pi * f * t))]
        pieces += [np.zeros(int(gap_s * RATE))]
    sound = np.concatenate([*pieces, np.zeros(int(0.5 * RATE))])
    return sound + 0.001 * rng.standard_normal(len(sound))


@pytest.mark.parametrize("block_s", [0.05, 0.0231, 1.7])
@pytest.mark.parametrize("live", [True, False])
def test_blocks_give_the_notes_of_the_whole(block_s, live):
    sound = np.concatenate([scale(np.random.default_rng(i)) for i in range(9)])
    whole = hear_notes(Recording(sound, RATE, 1, len(sound) / RATE, "")).notes
    listener = Listener(RATE, live=live)
    step = int(block_s * RATE)
    found = [n for at in range(0, len(sound), step) for n in listener.push(sound[at : at + step])]
    found += listener.finish()
    assert len(found) == len(whole)
    for a, b in zip(whole, found, strict=True):
        assert b.onset_s == pytest.approx(a.onset_s, abs=0.012)
        assert b.offset_s == pytest.approx(a.offset_s, abs=0.012)
        assert abs(1200 * np.log2(b.frequency_hz / a.frequency_hz)) < 0.3


def test_a_note_longer_than_a_piece_stays_one_note():
    rng = np.random.default_rng(0)
    t = np.arange(15 * RATE) / RATE
    sound = 0.3 * np.sin(2 * np.pi * 587.0 * t) * ((t > 1) & (t < 14)) + 0.002 * rng.standard_normal(len(t))
    listener = Listener(RATE, live=True)
    found = [n for at in range(0, len(sound), 2205) for n in listener.push(sound[at : at + 2205])]
    found += listener.finish()
    assert len(found) == 1
    assert found[0].onset_s == pytest.approx(1.0, abs=0.02)
    assert found[0].offset_s == pytest.approx(14.0, abs=0.02)
    assert found[0].frequency_hz == pytest.approx(587.0, abs=0.01)


def test_the_present_pitch_is_known_within_two_blocks():
    listener = Listener(RATE, live=True)
    t = np.arange(RATE) / RATE
    sound = np.where(t > 0.5, 0.3 * np.sin(2 * np.pi * 880.0 * t), 0.0) + 1e-4 * np.random.default_rng(
        0
    ).standard_normal(RATE)
    seen = []
    for at in range(0, RATE, 2205):
        listener.push(sound[at : at + 2205])
        seen.append((listener.now.time_s, listener.now.pitch_hz))
    first = next(time for time, pitch in seen if abs(pitch - 880.0) < 3.0)
    assert first <= 0.61
    assert all(not pitch > 0 for time, pitch in seen if time <= 0.5)


def test_a_long_file_is_heard_in_bounded_memory(tmp_path):
    path = tmp_path / "long.flac"
    piece = scale(np.random.default_rng(1))
    with soundfile.SoundFile(path, "w", RATE, 1, "PCM_16") as file:
        for _ in range(40):
            file.write(piece)
    tracemalloc.start()
    heard = hear_file(path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert heard.about.duration_s > 300
    assert len(heard.hearing.notes) == 40 * 12
    assert peak < 150e6
    assert [n.onset_s for n in heard.hearing.notes] == sorted(n.onset_s for n in heard.hearing.notes)


def test_bad_blocks_are_refused():
    listener = Listener(RATE)
    with pytest.raises(RecordingError, match="one channel"):
        listener.push(np.zeros((10, 2)))
    with pytest.raises(RecordingError, match="not numbers"):
        listener.push(np.array([0.0, np.nan]))
    assert listener.push(np.zeros(0)) == ()
    assert listener.finish() == ()
