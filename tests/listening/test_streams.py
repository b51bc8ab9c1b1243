"""Notes from blocks: the same as from a whole recording, in bounded memory."""

import time
import tracemalloc

import numpy as np
import pytest
import soundfile

from fluewright.errors import RecordingError
from fluewright.listening import Recording, hear_notes
from fluewright.listening.sound import Sound
from fluewright.listening.streams import Listener, hear_file
from fluewright.listening.thinning import Thinner, thin_out

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


@pytest.mark.parametrize("live", [True, False])
def test_quick_repeats_of_one_pitch_stay_apart(live):
    t = np.arange(6 * RATE) / RATE
    sound = np.where(t % 0.12 < 0.09, 0.3, 0.0) * np.sin(2 * np.pi * 784.0 * t)
    sound = np.concatenate([np.zeros(RATE // 2), sound, np.zeros(RATE // 2)])
    sound += 0.002 * np.random.default_rng(7).standard_normal(len(sound))
    listener = Listener(RATE, live=live)
    found = [n for at in range(0, len(sound), 2205) for n in listener.push(sound[at : at + 2205])]
    found += listener.finish()
    assert [n.onset_s for n in found] == pytest.approx(0.5 + 0.12 * np.arange(50), abs=0.010)


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


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_no_live_block_of_50_ms_takes_15_ms_not_even_where_notes_end_or_pieces_are_cut(rate_hz):
    """Fast notes, slurred notes and one longer than a piece; the least of three runs, in time of this process."""
    rng = np.random.default_rng(5)
    t = np.arange(round(4.0 * rate_hz)) / rate_hz
    fast = np.where(t % 0.12 < 0.09, 0.3, 0.0) * np.sin(2 * np.pi * 784.0 * t)
    slurs = 0.3 * np.sin(2 * np.pi * np.cumsum(587.33 * 2 ** ((t // 0.1 % 12) / 12)) / rate_hz)
    long = 0.3 * np.sin(2 * np.pi * 987.8 * t)
    gap = np.zeros(round(0.4 * rate_hz))
    sound = np.concatenate([gap, fast, gap, slurs, gap, long, gap])
    sound += 0.002 * rng.standard_normal(len(sound))
    step, runs = round(0.05 * rate_hz), []
    for _ in range(3):
        listener, times, count = Listener(rate_hz), [], 0
        for at in range(0, len(sound), step):
            begin = time.process_time()
            count += len(listener.push(sound[at : at + step]))
            times.append(time.process_time() - begin)
        assert count + len(listener.finish()) == 33 + 40 + 1
        runs.append(times)
    spent_ms = 1000 * np.min(runs, axis=0)
    print(f"\nlive block: middle {np.median(spent_ms):.2f}, largest {spent_ms.max():.1f} ms")
    assert spent_ms.max() < 15.0


@pytest.mark.parametrize("rate_hz", [88_200, 96_000, 192_000])
def test_sound_thinned_out_in_blocks_is_that_thinned_out_whole(rate_hz):
    sound = np.random.default_rng(6).standard_normal(20_011)
    thinned = thin_out(Sound(sound, rate_hz))
    thinner = Thinner(rate_hz)
    assert thinner.rate_hz == thinned.rate_hz
    parts = [thinner.push(sound[at : at + 1237]) for at in range(0, len(sound), 1237)]
    assert np.concatenate([*parts, thinner.flush()]) == pytest.approx(thinned.samples, abs=1e-12)
    assert len(thinned) == 1 + (len(sound) - 1) // round(rate_hz / thinned.rate_hz)


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


def test_a_long_file_is_heard_alike_in_one_reading_in_two_and_as_far_as_it_goes(tmp_path):
    sound = np.tile(scale(np.random.default_rng(1)), 16)
    mono, stereo, cut = (tmp_path / name for name in ("mono.flac", "stereo.flac", "cut.flac"))
    soundfile.write(mono, sound, RATE, "PCM_16")
    soundfile.write(stereo, np.stack([sound, sound], axis=1), RATE, "PCM_16")
    cut.write_bytes(mono.read_bytes()[:-400_000])
    one, two, part = (hear_file(path) for path in (mono, stereo, cut))
    assert one.about.duration_s > 2 * 60.0
    assert len(one.hearing.notes) == 16 * 12
    assert [n.onset_s for n in two.hearing.notes] == pytest.approx([n.onset_s for n in one.hearing.notes], abs=1e-4)
    assert [n.frequency_hz for n in two.hearing.notes] == pytest.approx([n.frequency_hz for n in one.hearing.notes])
    assert "cut short" in part.hearing.warnings[0]
    count = len(part.hearing.notes)
    assert 2 < count < 16 * 12
    assert [n.onset_s for n in part.hearing.notes[:-1]] == pytest.approx(
        [n.onset_s for n in one.hearing.notes[: count - 1]], abs=0.005
    )


def test_bad_blocks_are_refused():
    listener = Listener(RATE)
    with pytest.raises(RecordingError, match="one channel"):
        listener.push(np.zeros((10, 2)))
    with pytest.raises(RecordingError, match="not numbers"):
        listener.push(np.array([0.0, np.nan]))
    assert listener.push(np.zeros(0)) == ()
    assert listener.finish() == ()
