"""A trial heard from the model's own sound: a swell beside its breath, and tongued notes."""

import math

import numpy as np
import pytest

from fluewright.acoustics.network import build_network
from fluewright.acoustics.sounding import at_notes, blow, find_jumps
from fluewright.acoustics.synthesis import RATE_HZ, Gesture, note_gesture, sound_of
from fluewright.bench.voicing.heard import notes_of_swell, notes_of_tones
from fluewright.errors import RecordingError
from fluewright.instrument.starting import load
from fluewright.listening import Analysis, Recording
from fluewright.listening.breath_log import BreathLog
from fluewright.listening.jumps import Jump
from fluewright.listening.swells import Swell, SwellStretch


@pytest.fixture(scope="module")
def blown():
    network = build_network(load("d4-cylinder"))
    names = [(f.note, f.register, f.text) for f in network.fingerings]
    rows = [names.index(n) for n in names if n[0] in ("D4", "D5") and n[2] == names[0][2]]
    return find_jumps(blow(at_notes(network, rows), points=20))


def recorded(sound):
    quiet = np.zeros(round(0.2 * RATE_HZ))
    y = np.concatenate([quiet, sound.samples(), quiet])
    y = y + 1e-4 * np.random.default_rng(1).standard_normal(y.size)
    return Recording(y, float(RATE_HZ), 1, y.size / RATE_HZ, "")


def named(blown):
    targets = {(n.note, n.register): n.target_hz for n in blown.notes}
    return targets, {(n.note, n.register): n.planned_pa for n in blown.notes}


def test_a_swell_gives_breaths_jumps_and_pitch(blown):
    """What is heard is what the blown model says: breaths within a tenth or two, pitch within 3 cents."""
    low = blown.notes[0]
    begin, top = 0.75 * low.onset_pa, 1.5 * low.highest_pa
    seconds = math.log(top / begin) / 0.12
    rise = [(seconds * s, begin * (top / begin) ** s) for s in np.linspace(0.0, 1.0, 81)]
    corners = rise + [(2.0 * seconds - t, p) for t, p in reversed(rise[:-1])]
    sound = sound_of(blown, Gesture(tuple(corners), ((0.0, 0),)))
    times, pressures = np.array(corners).T
    log = BreathLog(times + 0.2, pressures)
    notes, _ = notes_of_swell(Analysis(recorded(sound)).swell(log), *named(blown))
    found = {n.name: n.readings for n in notes}
    assert found["D4.1"]["lowest_pa"].value == pytest.approx(low.onset_pa, rel=0.15)
    assert found["D4.1"]["jump_pa"].value == pytest.approx(low.highest_pa, rel=0.25)
    assert found["D4.1"]["fall_back_pa"].value == pytest.approx(low.fall_back_pa, rel=0.15)
    assert found["D5.2"]["lowest_pa"].value == found["D4.1"]["fall_back_pa"].value
    assert found["D4.1"]["cents"].value == pytest.approx(low.planned_cents, abs=3.0)
    x, y = low.planned_pa * np.array([1 / 1.2, 1.2]), []
    for p in x:
        y.append(1200.0 * math.log2(low.frequency_at(float(p)) / low.target_hz))
    assert found["D4.1"]["cents_per_doubling"].value == pytest.approx((y[1] - y[0]) / math.log2(1.44), abs=4.0)
    curve = next(n.curve for n in notes if n.name == "D4.1")
    assert [p for p, _ in curve] == sorted(p for p, _ in curve)


def test_tongued_notes_give_attack_hiss_and_partials(blown):
    recording = recorded(sound_of(blown, note_gesture(blown, 0, seconds=1.2)))
    notes, warnings = notes_of_tones(Analysis(recording).tones, named(blown)[0])
    (note,) = notes
    assert note.name == "D4.1"
    assert {"rise_s", "hiss_db", "second_db", "third_db"} <= set(note.readings)
    assert 0.003 < note.readings["rise_s"].value < 0.3
    assert warnings == ()


def test_a_swell_without_breath_is_refused(blown):
    sound = sound_of(blown, note_gesture(blown, 0, seconds=1.0))
    with pytest.raises(RecordingError, match="no breath beside it: give --breath-log"):
        notes_of_swell(Analysis(recorded(sound)).swell(), *named(blown))


def register_held(start_s, end_s, hz, pressures_pa):
    """One register of a swell whose breath goes from one pressure to another."""
    times = np.arange(start_s, end_s, 0.01)
    pressures = np.linspace(*pressures_pa, len(times))
    return SwellStretch(start_s, end_s, times, np.full(len(times), hz), 0.0 * times - 20.0, pressures, math.nan)


def test_of_a_note_in_both_registers_the_upper_is_meant_only_where_a_jump_led_to_it():
    """D6 can be played in the first register, and is what D5 jumps up to: one pitch, two names."""
    targets = {("D5", 1): 587.33, ("D6", 1): 1174.66, ("D6", 2): 1174.66}
    comfortable = dict.fromkeys(targets, 150.0)
    low, high = register_held(1.0, 4.0, 587.5, (60.0, 220.0)), register_held(4.0, 7.0, 1175.0, (220.0, 400.0))
    back = register_held(7.0, 9.0, 587.5, (170.0, 60.0))
    jumps = (
        Jump(4.0, True, 587.5, 1175.0, -20.0, -18.0, 220.0),
        Jump(7.0, False, 1175.0, 587.5, -18.0, -20.0, 170.0),
    )
    notes, warnings = notes_of_swell(Swell((low, high, back), jumps, (), ()), targets, comfortable)
    assert warnings == ()
    found = {n.name: n for n in notes}
    assert set(found) == {"D5.1", "D6.2"}
    assert found["D5.1"].readings["jump_pa"].value == pytest.approx(220.0)
    assert [hz for _, hz in found["D6.2"].curve] == pytest.approx([1175.0] * len(found["D6.2"].curve))
    # The same pitch from the first breath on: nothing led to it.
    alone, _ = notes_of_swell(Swell((high,), (), (), ()), targets, comfortable)
    assert {n.name for n in alone} == {"D6.1"}
    # After a fall from above the lower register is meant.
    down = Swell(
        (register_held(7.0, 9.0, 1175.0, (170.0, 60.0)),), (Jump(7.0, False, 2349.0, 1175.0, -18.0, -20.0),), (), ()
    )
    assert {n.name for n in notes_of_swell(down, targets, comfortable)[0]} == {"D6.1"}
