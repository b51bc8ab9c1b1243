"""What the quantities of a head's trial mean, held against the instrument's own sound and against each other."""

import math

import numpy as np
import pytest

from fluewright.acoustics.jet import JetSettings
from fluewright.acoustics.network import build_network
from fluewright.acoustics.sounding import at_notes, blow, find_jumps
from fluewright.acoustics.synthesis import RATE_HZ, Gesture, note_gesture, sound_of
from fluewright.bench.voicing.evaluations import MODELLED, evaluate
from fluewright.bench.voicing.guide import guided_steps
from fluewright.bench.voicing.heard import notes_of_swell, notes_of_tones
from fluewright.instrument.fingering import fingerings_of
from fluewright.instrument.pitch import note_to_midi
from fluewright.instrument.starting import load
from fluewright.listening import Analysis, Recording
from fluewright.listening.breath_log import BreathLog


@pytest.fixture(scope="module")
def low_flute():
    """Return (blown, evaluation) of the lowest fingering of d4-cylinder in both registers."""
    model = load("d4-cylinder")
    network = build_network(model)
    lowest = network.fingerings[0].text
    rows = [i for i, f in enumerate(network.fingerings) if f.note in ("D4", "D5") and f.text == lowest]
    blown = find_jumps(blow(at_notes(network, rows), points=20))
    return blown, evaluate(model, rows, JetSettings(), [n.planned_pa for n in blown.notes])


def at(low_flute, ratio, quantity):
    """Return one quantity of both notes at a breath over the planned one."""
    return low_flute[1].at(np.full(2, ratio))[:, MODELLED.index(quantity)]


@pytest.mark.parametrize("note", [0, 1])
def test_partials_are_those_that_are_heard(low_flute, note):
    """Second and third are each against the first: what is computed stands in the sound, within 1 dB."""
    blown, _ = low_flute
    sound = sound_of(blown, note_gesture(blown, note, seconds=1.5)).samples()
    quiet = np.zeros(round(0.2 * RATE_HZ))
    y = np.concatenate([quiet, sound, quiet]) + 1e-4 * np.random.default_rng(1).standard_normal(
        sound.size + 2 * quiet.size
    )
    recording = Recording(y, float(RATE_HZ), 1, y.size / RATE_HZ, "")
    targets = {(n.note, n.register): n.target_hz for n in blown.notes}
    ((heard,), _) = notes_of_tones(Analysis(recording).tones, targets)
    for quantity in ("second_db", "third_db"):
        assert heard.readings[quantity].value == pytest.approx(at(low_flute, 1.0, quantity)[note], abs=1.0)
    # Noise against tone: in a sound with little noise it is far below 0, heard and computed.
    assert heard.readings["hiss_db"].value < -30.0
    assert at(low_flute, 1.0, "hiss_db")[note] < -30.0


@pytest.mark.parametrize("ratio", [0.75, 1.0, 1.25])
def test_pitch_per_doubling_is_the_pitch_of_a_doubling(low_flute, ratio):
    """Cents between two breaths over the binary logarithm of their ratio."""
    step = 2.0**0.1
    rise = (at(low_flute, ratio * step, "cents") - at(low_flute, ratio / step, "cents")) / 0.2
    assert (rise > 5.0).all()
    assert at(low_flute, ratio, "cents_per_doubling") == pytest.approx(rise, rel=0.12)


def test_hiss_is_noise_less_tone(low_flute):
    """Hiss and level together are the noise alone: 60 dB for ten times the jet's speed (acoustics.synthesis), so 9 dB
    and a little more for twice the breath, of which friction takes less and less.
    """
    for low, high in ((0.75, 1.0), (1.0, 1.25)):
        noise = [at(low_flute, r, "hiss_db") + at(low_flute, r, "level_db") for r in (low, high)]
        per_doubling = (noise[1] - noise[0]) / math.log2(high / low)
        assert (per_doubling > 8.5).all()
        assert (per_doubling < 13.0).all()


def test_a_level_is_that_of_a_calibrated_microphone(low_flute):
    """Sound pressure level at 1 m is the level in the recording and what full scale stands for; else there is none."""
    blown, _ = low_flute
    low = blown.notes[0]
    begin, top = 0.8 * low.planned_pa, 1.3 * low.planned_pa
    seconds = math.log(top / begin) / 0.12
    rise = [(seconds * s, begin * (top / begin) ** s) for s in np.linspace(0.0, 1.0, 41)]
    corners = rise + [(2.0 * seconds - t, p) for t, p in reversed(rise[:-1])]
    sound = sound_of(blown, Gesture(tuple(corners), ((0.0, 0),))).samples()
    recording = Recording(sound, float(RATE_HZ), 1, sound.size / RATE_HZ, "")
    swell = Analysis(recording).swell(BreathLog(*np.array(corners).T))
    names = [(n.note, n.register) for n in blown.notes]
    targets = dict(zip(names, (n.target_hz for n in blown.notes), strict=True))
    planned = dict(zip(names, (n.planned_pa for n in blown.notes), strict=True))

    def level(**calibration):
        notes, _ = notes_of_swell(swell, targets, planned, **calibration)
        return next(n for n in notes if n.name == "D4.1").readings.get("level_db")

    assert level() is None
    assert level(full_scale_db=100.0).value - level(full_scale_db=94.0).value == pytest.approx(6.0)
    rms_db = 20.0 * math.log10(float(np.sqrt(np.mean(np.square(sound)))) * math.sqrt(2.0))
    assert level(full_scale_db=94.0).value == pytest.approx(94.0 + rms_db, abs=3.0)


@pytest.mark.parametrize("name", ["d5-cylinder", "c5-eight-hole"])
def test_a_guided_trial_begins_low_and_ends_with_the_highest_notes(name):
    """The trade's order: the two lowest notes first, the two highest last, the octave by notes of one name."""
    model = load(name)
    notes = sorted({(f.note, f.register) for f in fingerings_of(model)}, key=lambda n: (n[1], note_to_midi(n[0])))
    steps = {s.key: s for s in guided_steps(model)}
    assert steps["low"].notes == tuple(notes[:2])
    assert set(steps["top"].notes) == set(notes[-2:])
    assert next(iter(steps)) == "low"
    assert list(steps)[-1] == "top"
    for below, above in zip(steps["slur"].notes[::2], steps["slur"].notes[1::2], strict=True):
        assert note_to_midi(above[0]) - note_to_midi(below[0]) == 12
        assert (below[1], above[1]) == (1, 2)
    assert steps["swell"].breaths == tuple((*notes[0], q) for q in ("lowest_pa", "jump_pa", "fall_back_pa"))
