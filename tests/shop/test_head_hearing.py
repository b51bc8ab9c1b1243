"""What head recordings are turned into: the room taken out, breath between readings, no level of full scale."""

import math

import numpy as np
import pytest

from fluewright.acoustics.network import build_network
from fluewright.acoustics.sounding import blow, find_jumps
from fluewright.acoustics.synthesis import sound_of, swell_gesture
from fluewright.air import moist_air
from fluewright.bench.voicing.trial import NoteTrial, Reading
from fluewright.demo.sound import play
from fluewright.errors import RecordingError
from fluewright.instrument.starting import load
from fluewright.listening import Analysis, read_recording, write_recording
from fluewright.listening.breath_log import BreathLog
from fluewright.listening.jumps import Jump
from fluewright.listening.swells import Swell, SwellStretch
from fluewright.shop.head_hearing import _by_readings, breath_log_of, hear_swell_file, notes_of_model
from fluewright.shop.head_sitting import HeadSitting


@pytest.fixture(scope="module")
def swell(tmp_path_factory):
    """Return (path, breath log, D5 as blown) of a swell on the lowest note of d5-cylinder."""
    blown = find_jumps(blow(build_network(load("d5-cylinder"))))
    note = blown.notes[0]
    gesture = swell_gesture(0, 0.9 * note.onset_pa, 1.3 * note.highest_pa, seconds=14.0)
    path = tmp_path_factory.mktemp("swell") / "swell.wav"
    sound = sound_of(blown, gesture)
    write_recording(path, sound.samples(), sound.rate_hz)
    times, breaths = np.array(gesture.breath).T
    return path, BreathLog(times, breaths), note


@pytest.mark.parametrize("room_c", [5.0, 14.0, 31.0])
def test_the_room_is_taken_out_as_the_speed_of_sound_has_it(room_c):
    model = load("d5-cylinder")
    notes = notes_of_model(model)
    moved = notes.in_air(room_c, model)
    cents = 1200.0 * math.log2(moved.targets_hz["D5", 1] / notes.targets_hz["D5", 1])
    # An ideal gas: the square root of absolute temperature; humidity adds a little.
    assert cents == pytest.approx(600.0 * math.log2((room_c + 273.15) / 293.15), abs=2.5)
    humid = model.conditions.relative_humidity
    room, planned = (moist_air(t, relative_humidity=humid) for t in (room_c, model.conditions.temperature_c))
    assert cents == pytest.approx(1200.0 * math.log2(room.sound_speed / planned.sound_speed), abs=0.01)
    assert moved.comfortable_pa == notes.comfortable_pa
    assert notes.in_air(math.nan, model) is notes


def test_a_logged_swell_gives_breaths_and_pitch_but_no_level_of_full_scale(swell):
    path, log, note = swell
    heard = hear_swell_file(notes_of_model(load("d5-cylinder")), path, log=log, aligned=True)
    d5 = next(n for n in heard.notes if (n.note, n.register) == ("D5", 1))
    assert d5.readings["lowest_pa"].value == pytest.approx(note.onset_pa, rel=0.1)
    assert "level_db" not in d5.readings
    assert d5.readings["cents"].value == pytest.approx(cents_of(note), abs=3.0)


def test_two_readings_stand_for_a_log_as_unsurely_as_breath_between_them(swell):
    path, _, note = swell
    notes = notes_of_model(load("d5-cylinder"))
    jump = Analysis(read_recording(path)).swell().jumps
    assert any(j.up for j in jump)
    heard = hear_swell_file(notes, path, lowest_pa=note.onset_pa, jump_pa=0.85 * note.highest_pa)
    d5 = heard.notes[0]
    assert set(d5.readings) == {"cents", "cents_per_doubling", "comfortable_pa"}
    pitch = d5.readings["cents"]
    assert pitch.sigma > 2.0
    assert abs(pitch.value - cents_of(note)) < 3.0 * pitch.sigma
    silent = hear_swell_file(notes, path)
    assert silent.notes == ()
    assert "type the breath" in silent.warnings[-1]


def test_of_the_models_notes_some_alone_keep_their_target_and_breath():
    notes = notes_of_model(load("d5-cylinder"))
    two = notes.only([("D5", 1), ("D6", 2), ("Z9", 1)])
    assert set(two.targets_hz) == set(two.comfortable_pa) == {("D5", 1), ("D6", 2)}
    assert two.comfortable_pa["D6", 2] == notes.comfortable_pa["D6", 2]
    assert two.targets_hz["D5", 1] == notes.targets_hz["D5", 1]


def test_a_step_hears_its_own_notes_and_tells_of_others(tmp_path):
    """Three low notes tongued twice, and one that the step does not ask for."""
    sitting = HeadSitting(load("d5-cylinder"))
    step = sitting.step("low")
    hz = [sitting.notes.targets_hz[note] * 2.0 ** (-6.0 / 1200.0) for note in step.notes]
    stranger = sitting.notes.targets_hz["C#6", 1]
    assert ("C#6", 1) not in step.notes
    path = tmp_path / "low.wav"
    write_recording(path, play([*hz, *hz, stranger], note_s=0.7, rng=np.random.default_rng(4)), 44100)
    heard = sitting.hear_step(step, path, name="take 1")
    assert {(n.note, n.register) for n in heard.notes} == set(step.notes)
    for note in heard.notes:
        assert note.readings["cents"].value == pytest.approx(-6.0, abs=1.5)
        assert "hiss_db" in note.readings
    assert heard.source == f"take 1 {read_recording(path).sha256}"
    assert heard.warnings
    # A room of 25 degC made them so sharp: the head is flatter by itself.
    warm = sitting.hear_step(step, path, room_c=25.0)
    assert warm.notes[0].readings["cents"].value == pytest.approx(-6.0 - 15.7, abs=1.5)


def read(note="D5", register=1, **readings):
    return NoteTrial(note, register, {key: Reading(*value) for key, value in readings.items()})


def test_a_pitch_is_as_unsure_as_it_matters_how_breath_rose():
    """By half of what lies between the two ways for breath to rise; by 10 cents where one of them tells nothing."""
    own = read(cents=(4.0, 3.0), cents_per_doubling=(30.0, 1.0), comfortable_pa=(150.0, 3.0), jump_pa=(280.0, 8.0))
    ways = [
        [read(cents=(1.0, 1.0), cents_per_doubling=(28.0, 1.0)), read("D6", 2, cents=(90.0, 1.0))],
        [read("E5", cents=(-70.0, 1.0)), read(cents=(9.0, 1.0))],
    ]
    told = _by_readings(own, ways)
    assert told.readings == {
        "comfortable_pa": Reading(150.0, 3.0), "cents": Reading(4.0, 5.0),
        "cents_per_doubling": Reading(30.0, pytest.approx(math.hypot(1.0, 10.0))),
    }  # fmt: skip
    assert (told.note, told.register) == ("D5", 1)


def cents_of(note):
    return 1200.0 * math.log2(note.frequency_at(note.planned_pa) / note.target_hz)


def made(jumps):
    x = np.linspace(1.0, 5.0, 50)
    one = SwellStretch(1.0, 5.0, x, 0 * x + 587.0, 0 * x - 20.0, x * math.nan, math.nan)
    return Swell((one,), tuple(jumps), (), ())


def test_breath_rises_between_its_readings_in_either_way():
    up = Jump(5.0, True, 587.0, 1175.0, -20.0, -18.0, math.nan)
    even, steady = (breath_log_of(made([up]), 100.0, 400.0, even=e) for e in (1.0, 0.0))
    assert even.at(np.array([1.0, 3.0, 5.0])) == pytest.approx([100.0, 250.0, 400.0])
    assert steady.at(np.array([1.0, 3.0, 5.0])) == pytest.approx([100.0, 200.0, 400.0])
    assert np.isnan(even.at(np.array([6.0]))).all()
    with pytest.raises(RecordingError, match="never jumps up"):
        breath_log_of(made([]), 100.0, 400.0)
    with pytest.raises(RecordingError, match="must be larger"):
        breath_log_of(made([up]), 400.0, 100.0)
