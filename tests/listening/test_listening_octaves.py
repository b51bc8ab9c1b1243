"""No octave is mistaken: random tones from C4 to D7 down to 3 dB of signal to noise, from the sound to the notes."""

from collections import Counter
from functools import partial
from multiprocessing import get_context

import numpy as np
import pytest
from flute_tones import KINDS, flute_tone
from listening_tones import RATE_HZ, recording, tone

from fluewright.listening import hear_notes
from fluewright.listening.pitch import track_pitch
from fluewright.listening.sound import Sound

WRONG_CENTS = 50.0


def hear_one(seed, **how):
    """Return the seed, the kind, and how far in cents each note heard lies from the pitch that was played."""
    played = flute_tone(seed, **how)
    notes = hear_notes(recording(played.samples, played.rate_hz)).notes
    cents = tuple(1200.0 * float(np.log2(n.frequency_hz / played.hz)) for n in notes)
    text = f"{played.kind}, {played.hz:.1f} Hz, {played.snr_db:.1f} dB, {np.round(played.levels_db, 1)}: {cents}"
    return seed, played.kind, cents, text


def hear_many(count, **how):
    # Fresh processes, not forked ones: the numerical libraries' threads must not be copied.
    with get_context("spawn").Pool(2) as pool:
        return pool.map(partial(hear_one, **how), range(count), chunksize=50)


def wrong(heard):
    return [h for h in heard if any(abs(c) > WRONG_CENTS for c in h[2])]


def lost(heard):
    return [h for h in heard if not h[2]]


def split(heard):
    return [h for h in heard if len(h[2]) > 1]


def show(title, heard):
    print(
        f"\n{title}: {len(heard)} tones, pitch wrong {len(wrong(heard))}, not heard {len(lost(heard))}, heard as more"
    )
    print(f"than one note {len(split(heard))}; by kind:", dict(Counter(h[1] for h in wrong(heard) + split(heard))))
    for seed, _, _, text in [*wrong(heard), *lost(heard)][:20]:
        print(f"  {seed}: {text}")


def test_no_octave_error_in_500_random_tones():
    heard = [hear_one(seed) for seed in range(500)]
    show("white noise", heard)
    assert wrong(heard) == []
    assert lost(heard) == []
    assert split(heard) == []


@pytest.mark.long
def test_no_octave_error_in_10000_random_tones():
    heard = hear_many(10_000)
    show("white noise", heard)
    assert {h[1] for h in heard} == set(KINDS)
    assert wrong(heard) == []
    assert lost(heard) == []
    assert len(split(heard)) <= 5


@pytest.mark.long
def test_octave_errors_in_breath_noise_and_with_very_weak_fundamentals_are_few():
    """Where the fundamental sinks into the noise of a single 43 ms frame the octave can no longer be certain.

    Measured when written, of 3000: 1, 3 and 44 wrong or not heard, all with a weak fundamental.
    """
    for title, allowed, how in (
        ("breath noise", 3, {"breath": True}),
        ("white noise, fundamental down to 20 dB under the second", 10, {"weakest_db": 20.0}),
        ("breath noise, fundamental down to 20 dB under the second", 60, {"breath": True, "weakest_db": 20.0}),
    ):
        heard = hear_many(3000, **how)
        show(title, heard)
        assert len(wrong(heard)) + len(lost(heard)) <= allowed


@pytest.mark.parametrize("order", [3, 4, 5, 6])
def test_a_faint_high_partial_with_none_between_does_not_drag_the_pitch_down_an_octave(order):
    amplitudes = [1.0] + [0.0] * (order - 2) + [0.045]
    track = track_pitch(Sound(tone(660.0, 0.3, amplitudes=amplitudes, ramp_s=0.0), RATE_HZ))
    assert 1200 * np.log2(track.pitch_hz[4:-4] / 660.0) == pytest.approx(0.0, abs=1.0)
