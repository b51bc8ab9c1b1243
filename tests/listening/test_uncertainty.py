"""The stated uncertainty of a pitch covers its scatter: for a steady tone, a wandering one, and one put together.

Each test would fail were a variance taken as zero: the scatter over trials is compared with what is stated, both ways.
"""

import math

import numpy as np
import pytest
from listening_tones import RATE_HZ, recording, silence, tone

from fluewright.listening import hear_notes
from fluewright.listening.calibration import calibrate
from fluewright.listening.partials import measure_partials
from fluewright.listening.sound import Sound
from fluewright.listening.streams import Listener
from fluewright.listening.tones import cramer_rao_hz, fit_tone

HZ = 587.33


def heard(samples):
    (note,) = hear_notes(recording(np.concatenate([silence(0.2), samples, silence(0.2)]))).notes
    return note


def wandering(rng, seconds, cents, memory_s=0.06):
    """A tone whose pitch wanders (first order), and the mean pitch that was played, Hz."""
    step = 0.002
    keep = math.exp(-step / memory_s)
    nodes = [rng.standard_normal()]
    for _ in range(int(seconds / step) + 1):
        nodes.append(keep * nodes[-1] + math.sqrt(1.0 - keep**2) * rng.standard_normal())
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    hz = HZ * 2.0 ** (cents * np.interp(t, step * np.arange(len(nodes)), nodes) / 1200.0)
    phase = 2.0 * np.pi * np.cumsum(hz) / RATE_HZ
    ramp = np.clip(np.minimum(t, seconds - t) / 0.02, 0.0, 1.0)
    return 0.2 * ramp * (np.sin(phase) + 0.4 * np.sin(2.0 * phase))


def ratio_of_scatter(errors, stated):
    """Return the scatter over trials in units of what each states."""
    return math.sqrt(float(np.mean(np.square(np.asarray(errors) / np.asarray(stated)))))


@pytest.mark.parametrize("noise", [0.003, 0.03])
def test_noise_scatters_the_pitch_by_what_is_stated(noise):
    rng = np.random.default_rng(1)
    errors, stated = [], []
    for _ in range(60):
        note = heard(tone(HZ, 0.5) + noise * rng.standard_normal(RATE_HZ // 2))
        errors.append(note.frequency_hz - HZ)
        stated.append(note.frequency_uncertainty_hz)
    # 60 trials tell the ratio to 9 % (one sigma).
    assert 0.65 < ratio_of_scatter(errors, stated) < 1.3
    assert min(stated) > 0.2 * float(np.std(errors))


def test_more_noise_is_stated_in_proportion():
    rng = np.random.default_rng(2)
    quiet, loud = (
        np.median(
            [heard(tone(HZ, 0.5) + n * rng.standard_normal(RATE_HZ // 2)).frequency_uncertainty_hz for _ in range(9)]
        )
        for n in (0.003, 0.03)
    )
    assert loud / quiet == pytest.approx(10.0, rel=0.3)


def test_a_pitch_that_wanders_is_stated_as_unsure_as_its_mean_scatters():
    """About the pitch round which it wanders: with 4 cents over 60 ms the mean of 0.8 s scatters by 1.5 cents."""
    rng = np.random.default_rng(3)
    errors, stated = [], []
    for _ in range(60):
        note = heard(wandering(rng, 0.8, 4.0) + 1e-4 * rng.standard_normal(round(0.8 * RATE_HZ)))
        errors.append(1200.0 * math.log2(note.frequency_hz / HZ))
        stated.append(1200.0 / math.log(2.0) * note.frequency_uncertainty_hz / note.frequency_hz)
    assert float(np.std(errors)) > 0.7
    assert 0.6 < ratio_of_scatter(errors, stated) < 1.6


def fits_of_wandering(seed, count, seconds, cents, noise):
    rng = np.random.default_rng(seed)
    for _ in range(count):
        sound = wandering(rng, seconds, cents)
        sound = Sound(sound + noise * rng.standard_normal(len(sound)), RATE_HZ)
        track = {"track_times_s": np.array([0.0, seconds]), "track_hz": np.full(2, HZ)}
        yield fit_tone(measure_partials(sound, start_s=0.025, end_s=seconds - 0.025, **track))


def test_a_short_note_that_wanders_is_stated_wider_than_its_few_stretches_show():
    """Of four stretches the spread itself is unsure: with Student's factor two sigma cover 95 %, without it 80 %."""
    found = list(fits_of_wandering(1, 120, 0.3, 4.0, 1e-3))
    within = [abs(f.frequency_hz - HZ) < 2.0 * f.frequency_uncertainty_hz for f in found]
    # 120 trials tell a share of 95 % to 2 %.
    assert np.mean(within) > 0.88


def test_the_part_of_noise_is_stated_under_a_wander_too():
    seconds, noise = 0.8, 0.1
    bound_hz = cramer_rao_hz(0.2 * np.array([1.0, 0.4]), noise, round((seconds - 0.05) * RATE_HZ), RATE_HZ)
    for fit in fits_of_wandering(2, 10, seconds, 2.0, noise):
        assert bound_hz < fit.noise_uncertainty_hz < 4.0 * bound_hz
        assert fit.noise_uncertainty_hz < fit.frequency_uncertainty_hz


def test_the_drift_scatters_by_what_is_stated():
    rng = np.random.default_rng(4)
    errors, stated = [], []
    for _ in range(60):
        sound = tone(HZ, 0.5, ramp_s=0.0) + 0.03 * rng.standard_normal(RATE_HZ // 2)
        track = {"track_times_s": np.array([0.0, 0.5]), "track_hz": np.full(2, HZ)}
        found = fit_tone(measure_partials(Sound(sound, RATE_HZ), start_s=0.0, end_s=0.5, **track))
        errors.append(found.drift_hz_per_s)
        stated.append(found.drift_uncertainty_hz_per_s)
    assert 0.65 < ratio_of_scatter(errors, stated) < 1.3


def pieced(samples):
    """Return the note of a live listener, which hears it in pieces of 2.5 s and puts them together."""
    listener = Listener(RATE_HZ)
    sound = np.concatenate([silence(0.3), samples, silence(0.5)])
    found = [n for at in range(0, len(sound), 2400) for n in listener.push(sound[at : at + 2400])]
    (note,) = [*found, *listener.finish()]
    return note


def test_a_note_put_together_from_pieces_states_the_noise_of_all():
    rng = np.random.default_rng(5)
    errors, stated = [], []
    for _ in range(20):
        note = pieced(tone(HZ, 4.0) + 0.03 * rng.standard_normal(4 * RATE_HZ))
        errors.append(note.frequency_hz - HZ)
        stated.append(note.frequency_uncertainty_hz)
    # The change from piece to piece counts as wander of the whole: never boastful, at most some three times too wide.
    assert 0.2 < ratio_of_scatter(errors, stated) < 1.3


def test_a_note_whose_pieces_differ_is_as_unsure_as_they_differ():
    t = np.arange(5 * RATE_HZ) / RATE_HZ
    hz = HZ * 2.0 ** (np.where(t < 2.5, -8.0, 8.0) / 1200.0)
    note = pieced(
        0.2 * np.sin(2.0 * np.pi * np.cumsum(hz) / RATE_HZ) + 1e-4 * np.random.default_rng(6).standard_normal(len(t))
    )
    cents = 1200.0 / math.log(2.0) * note.frequency_uncertainty_hz / note.frequency_hz
    # Halves 16 cents apart: half of that, with equal weights, over 2.
    assert cents == pytest.approx(4.0, rel=0.35)


def test_a_calibrators_level_scatters_by_what_is_stated():
    rng = np.random.default_rng(7)
    pascals, stated = [], []
    for _ in range(40):
        sine = 0.1 * np.sin(2.0 * np.pi * 1000.0 * np.arange(2 * RATE_HZ) / RATE_HZ)
        known = calibrate(recording(sine + 0.003 * rng.standard_normal(len(sine))))
        pascals.append(20.0 * math.log10(known.pascals_per_unit))
        stated.append(known.uncertainty_db)
    assert 0.6 < float(np.std(pascals)) / float(np.median(stated)) < 1.6
