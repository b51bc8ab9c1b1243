"""The blown instrument in time: pitch, jumps and loudness as predicted, and what a gesture may and may not ask for."""

import math
from functools import cache

import numpy as np
import pytest
from blown_sounds import breaths_of, heard, settled, slow_swell
from hypothesis import given, settings
from hypothesis import strategies as st

from fluewright.acoustics.branches import Walker
from fluewright.acoustics.kernels.played import Played, Score, lagged, play
from fluewright.acoustics.network import build_network
from fluewright.acoustics.sounding import blow, find_jumps
from fluewright.acoustics.synthesis import (
    LONGEST_S,
    RATE_HZ,
    Gesture,
    Sound,
    note_gesture,
    octave_gesture,
    scale_gesture,
    sound_of,
    swell_gesture,
)
from fluewright.errors import InputError
from fluewright.instrument.starting import load

PITCH_CENTS = 3.0
JUMP_SHARE = 0.10
RATE_OF_SWELL = 0.05  # of the breath a second


@cache
def blown_model(name):
    """Return a starting model, blown."""
    return find_jumps(blow(build_network(load(name))))


@pytest.fixture
def cylinder():
    return blown_model("d5-cylinder")


@pytest.fixture
def eight_hole():
    return blown_model("c5-eight-hole")


def note_at(blown, name, register):
    return next(i for i, n in enumerate(blown.notes) if (n.note, n.register) == (name, register))


def cents_of_notes(blown, slurred_from=None):
    """Return {(note, register, row): largest |cents| between sound and prediction}, and the same of loudness."""
    off, loud = {}, {}
    for i, note in enumerate(blown.notes):
        if not math.isfinite(note.lowest_pa):
            continue
        rows = settled(blown, i, from_index=(slurred_from or {}).get((note.note, note.register)))
        off[note.note, note.register, i] = max(abs(1200.0 * math.log2(hz / note.frequency_at(p))) for p, hz, _ in rows)
        walker = Walker(blown.law, blown.modes[i], blown.modes[i].row_of(int(blown.network.modes[i])))
        for p, hz, rms in rows:
            at = walker.log_speed(p)
            motions, _ = walker.motions(np.array([at - 0.003, at]), 2.0 * np.pi * hz)
            there = math.sqrt(2.0 * float((np.abs(motions[1, 1:]) ** 2).sum()))
            key = note.note, note.register, i
            loud[key] = max(loud.get(key, 0.0), abs(rms / there - 1.0))
    return off, loud


def test_every_note_of_the_cylinder_sounds_as_predicted(cylinder):
    """14 notes, five breaths each: the worst is 1.8 cents (G6 at 5.7 kPa); the sound is stepped, the prediction not."""
    off, loud = cents_of_notes(cylinder)
    assert len(off) == 14
    assert max(off.values()) < PITCH_CENTS
    assert sorted(off.values())[-3] < 1.8
    assert max(loud.values()) < 0.025


def test_every_note_of_the_eight_holes_sounds_as_predicted(eight_hole):
    """16 notes; A6 holds at no breath. F#6, forked, is slurred to: tongued it begins in register 1 (see below).

    Loudness within 3.1 %, of which all but one note keep 1 %: the time to settle grows where a register hardly holds.
    """
    off, loud = cents_of_notes(eight_hole, {("F#6", 2): note_at(eight_hole, "G6", 2)})
    assert len(off) == 16
    assert [n.note for n in eight_hole.notes if not math.isfinite(n.lowest_pa)] == ["A6"]
    assert max(off.values()) < PITCH_CENTS
    assert max(loud.values()) < 0.035
    assert sorted(loud.values())[-2] < 0.025


def swells_of(blown, rate, **options):
    return {n.note: slow_swell(blown, i, rate, **options) for i, n in enumerate(blown.notes) if n.register == 1}


def assert_jumps(swells, within=JUMP_SHARE):
    for name, swell in swells.items():
        assert swell.held, name
        assert swell.jump_pa == pytest.approx(swell.predicted_jump_pa, rel=within), name
        if math.isfinite(swell.predicted_fall_pa):
            assert swell.fall_pa == pytest.approx(swell.predicted_fall_pa, rel=within), name


def test_slow_swells_of_the_cylinder_jump_and_fall_back_where_predicted(cylinder):
    """5 % of breath a second: jumps 0 to 5 % late, falls back from 4 % early to 3 % late.

    In a breath that moves, a jump waits for its disturbance to grow; at 10 % a second it is up to 8 % late. On the way
    down some fall early by more the slower the swell: the prediction leaves out what grows slower than 2/s.
    """
    swells = swells_of(cylinder, RATE_OF_SWELL)
    assert len(swells) == 7
    assert_jumps(swells)
    for i, note in enumerate(cylinder.notes[:7]):
        swell = swells[note.note]
        assert swell.mode == 2
        assert cylinder.notes[i].fall_back_pa == pytest.approx(swell.predicted_fall_pa, rel=1e-9)
        # Hysteresis: back in register 1 at a lower breath than it was left at.
        assert swell.fall_pa < 0.8 * swell.jump_pa


def test_slow_swells_of_the_eight_holes_jump_and_fall_back_where_predicted(eight_hole):
    """Forked fingerings jump to whatever mode is near, number 3 or 4; each is tried against its own lowest breath."""
    swells = swells_of(eight_hole, RATE_OF_SWELL)
    assert len(swells) == 11
    assert_jumps(swells)
    for name in ("C5", "D5", "E5", "F5", "G5"):
        note = eight_hole.notes[note_at(eight_hole, name, 1)]
        assert swells[name].mode == 2
        assert note.fall_back_pa == pytest.approx(swells[name].predicted_fall_pa, rel=1e-9)


@pytest.mark.long
@pytest.mark.parametrize("name", ["d5-cylinder", "c5-eight-hole", "d4-cylinder", "f4-taper", "c5-taper"])
def test_slower_and_faster_swells(name):
    """All register-1 notes at 10, 3 and 1 % a second, with and without turbulence; prints measured over predicted.

    At 1 % a second turbulence finds the way over a low barrier before the motion itself becomes unstable: the lowest
    note of d4-cylinder leaves 11 % early. The faster or the quieter, the later a jump: it waits for its disturbance.
    """
    blown = blown_model(name)
    print(f"\n{name}: jump and fall back over predicted; loud: with turbulence")
    for rate in (0.1, 0.03, 0.01):
        for noise in (True, False):
            swells = swells_of(blown, rate, noise=noise, over=1.4)
            cells = [
                f"{n} {s.jump_pa / s.predicted_jump_pa:.3f} (to {s.mode}) {s.fall_pa / s.predicted_fall_pa:.3f}"
                for n, s in swells.items()
            ]
            print(f"{rate:g}/s {'loud ' if noise else 'quiet'} " + "  ".join(cells), flush=True)
            within = {0.03: JUMP_SHARE, 0.01: 0.12}.get(rate, 0.25) if noise else 0.25
            assert_jumps(swells, within)


def test_a_swell_is_heard_to_jump_to_the_octave_and_fall_back(cylinder):
    """Through the program's own listening: D5, D6, D5; up near 278 Pa, back near 209 Pa."""
    note = cylinder.notes[0]
    sound = sound_of(cylinder, swell_gesture(0, 100.0, 400.0, seconds=12.0))
    notes = heard(sound)
    assert [round(12.0 * math.log2(hz / note.target_hz)) for _, _, hz in notes] == [0, 12, 0]
    breath = np.interp([notes[1][0], notes[2][0]], np.arange(sound.breath_pa.size) / RATE_HZ, sound.breath_pa)
    assert breath[0] == pytest.approx(note.highest_pa, rel=JUMP_SHARE)
    assert breath[1] == pytest.approx(note.fall_back_pa, rel=JUMP_SHARE)
    assert notes[1][0] < 6.0 < notes[1][1]


def test_the_note_below_the_octave_reaches_register_2_when_blown_harder(cylinder):
    """C#6, nearly all holes open, whose jump at 2.2 kPa is the highest of register 1."""
    i = note_at(cylinder, "C#6", 1)
    note = cylinder.notes[i]
    low, high = note.planned_pa, 1.3 * note.highest_pa
    gesture = Gesture(((0.0, 0.0), (0.02, low), (1.0, low), (1.3, high), (2.5, high), (2.55, 0.0)), ((0.0, i),))
    notes = heard(sound_of(cylinder, gesture))
    assert [round(12.0 * math.log2(hz / note.target_hz)) for _, _, hz in notes] == [0, 12]
    assert notes[1][0] > 1.0


@pytest.mark.parametrize("row", [0, 1])
def test_a_tongued_octave_starts_directly_in_register_2(cylinder, row):
    """Both fingerings of D6: two notes are heard, and nothing of register 1 in the second."""
    above = [i for i, n in enumerate(cylinder.notes) if n.note == "D6"][row]
    gesture = octave_gesture(cylinder, 0, above, tongued=True)
    notes = heard(sound_of(cylinder, gesture))
    assert [round(12.0 * math.log2(hz / cylinder.notes[0].target_hz)) for _, _, hz in notes] == [0, 12]
    assert notes[0][1] < 1.0 < notes[1][0] < 1.1
    sound = sound_of(cylinder, gesture)
    late = sound.velocity[round(1.03 * RATE_HZ) : round(1.13 * RATE_HZ)] * np.hanning(round(0.1 * RATE_HZ))
    power, f = np.abs(np.fft.rfft(late)) ** 2, np.fft.rfftfreq(late.size, 1.0 / RATE_HZ)
    lower = cylinder.modes[above].table[0, 0] / (2.0 * np.pi)
    assert power[np.abs(f / lower - 1.0) < 0.1].sum() < 0.05 * power.sum()


def test_a_slurred_octave_on_one_fingering(cylinder):
    above = [i for i, n in enumerate(cylinder.notes) if n.note == "D6"][1]
    notes = heard(sound_of(cylinder, octave_gesture(cylinder, 0, above, tongued=False)))
    assert [round(12.0 * math.log2(hz / cylinder.notes[0].target_hz)) for _, _, hz in notes] == [0, 12]


@pytest.mark.parametrize("slurred", [False, True])
def test_a_scale_is_heard_note_for_note(cylinder, slurred):
    """Both registers, one fingering a note; the D6 of the lowest note's own fingering, which a slur can reach."""
    rows = [i for i in range(14) if i != 7]
    notes = heard(sound_of(cylinder, scale_gesture(cylinder, rows, slurred=slurred)))
    assert len(notes) == 13
    for (_, _, hz), i in zip(notes, rows, strict=True):
        assert 1200.0 * math.log2(hz / cylinder.notes[i].target_hz) == pytest.approx(0.0, abs=45.0)


# Where a tongued note is known to fall into another register: F#6 (forked) has no accent, its register ending at the
# breath at which the one below jumps; G6's accent is too short for some turbulence; A6 holds at no breath.
NOT_REACHED = {"c5-eight-hole": {("F#6", 2), ("G6", 2), ("A6", 2)}}


@pytest.mark.parametrize("name", ["d5-cylinder", "c5-eight-hole", "d4-cylinder", "f4-taper", "c5-taper"])
def test_every_note_tongued_by_itself_is_that_note(name):
    """At its own breath, with an accent where it needs one: most of the sound is its own, a tenth at most below it."""
    blown = blown_model(name)
    wrong = set()
    for i, note in enumerate(blown.notes):
        v = sound_of(blown, note_gesture(blown, i, seconds=1.0)).velocity[round(0.55 * RATE_HZ) : round(0.8 * RATE_HZ)]
        power, f = np.abs(np.fft.rfft(v * np.hanning(v.size))) ** 2, np.fft.rfftfreq(v.size, 1.0 / RATE_HZ)
        below = f < 0.94 * note.target_hz
        near = np.abs(f / note.target_hz - 1.0) < 0.05
        if power[below].sum() > 0.1 * power.sum() or power[near].sum() < 0.3 * power.sum():
            wrong.add((note.note, note.register))
    assert wrong <= NOT_REACHED.get(name, set())


def test_level_in_time_is_the_predicted_level(cylinder):
    """Settled tones without turbulence, rms at 1 m, against the branch's level."""
    for i in (0, 4, 6, 11):
        note = cylinder.notes[i]
        p = breaths_of(note)[3]
        corners = ((0.0, 0.0), (0.02, p), (1.5, p))
        sound = sound_of(cylinder, Gesture(corners, ((0.0, i),)), noise=False)
        part = Sound(sound.pressure_pa[RATE_HZ:], sound.velocity[RATE_HZ:], sound.breath_pa[RATE_HZ:], RATE_HZ)
        print(part.level_db - note.level_db_at(p))
        assert part.level_db == pytest.approx(note.level_db_at(p), abs=0.6)


@pytest.mark.parametrize("share", [0.8, 1.25])
def test_a_breath_under_the_onset_is_silent_and_one_above_is_not(cylinder, share):
    """D5, onset 68 Pa, reached slowly so that no other tone is woken; without turbulence."""
    p = share * cylinder.notes[0].onset_pa
    gesture = Gesture(((0.0, 0.0), (2.0, 0.7 * p), (3.0, p), (8.0, p)), ((0.0, 0),))
    late = sound_of(cylinder, gesture, noise=False).velocity[-RATE_HZ // 2 :]
    near = np.abs(np.fft.rfft(late * np.hanning(late.size)))
    f = np.fft.rfftfreq(late.size, 1.0 / RATE_HZ)
    tone = 4.0 / late.size * near[np.abs(f / cylinder.notes[0].onset_hz - 1.0) < 0.05].max()
    assert (tone > 0.5) if share > 1.0 else (tone < 1e-3)


@given(
    speeds=st.lists(st.floats(0.0, 40.0), min_size=2, max_size=30),
    length=st.floats(0.005, 0.1),
    dt=st.floats(1e-5, 0.01),
)
@settings(max_examples=60, deadline=None)
def test_the_windways_air_lags_and_never_overshoots(speeds, length, dt):
    steady = np.array(speeds)
    out = lagged(steady, length, dt)
    assert out[0] == steady[0]
    for before, to, now in zip(out[:-1], steady[1:], out[1:], strict=True):
        assert min(before, to) - 1e-12 <= now <= max(before, to) + 1e-12
    held = lagged(np.concatenate([steady, np.full(20_000, steady[-1])]), length, max(dt, 1e-3))
    assert held[-1] == pytest.approx(steady[-1], abs=1e-6)


def run_free(blown, index, start, blocks, block=32):
    """Return the modes' energies sum (v^2 + w^2 x^2)/a after every block, without breath."""
    modes = blown.modes[index].table
    x = start.copy()
    energies = [float((((x[:, 1] ** 2) + (modes[:, 0] * x[:, 0]) ** 2) / modes[:, 2]).sum())]
    for _ in range(blocks):
        score = Score(
            np.array([np.log(10.0)]), np.zeros(1), np.zeros(1), np.ones(1), modes[None], np.ones((1, len(modes)))
        )
        played = Played(np.zeros(block), np.zeros(block), np.zeros(1))
        play(float(RATE_HZ), block, score, blown.law.grid, 0.0, np.zeros(block), x, played)
        energies.append(float((((x[:, 1] ** 2) + (modes[:, 0] * x[:, 0]) ** 2) / modes[:, 2]).sum()))
    return np.array(energies)


@given(seed=st.integers(0, 2**31), size=st.floats(1e-6, 30.0), index=st.integers(0, 13))
@settings(max_examples=60, deadline=None)
def test_energy_never_grows_without_breath(seed, size, index):
    """Any motion of the modes, from a millionth to 30 m/s: with the source off it only falls, block for block."""
    cylinder = blown_model("d5-cylinder")
    modes = cylinder.modes[index].table
    start = size * np.random.default_rng(seed).standard_normal((len(modes), 2)) / math.sqrt(len(modes))
    start[:, 0] /= modes[:, 0]
    energies = run_free(cylinder, index, start, 40)
    assert np.isfinite(energies).all()
    assert (np.diff(energies) < 0.0).all()


def test_small_free_motions_fade_at_their_own_rate(cylinder):
    """exp(-w t/Q) of energy, a mode at a time, turned exactly."""
    modes = cylinder.modes[0].table
    for k in range(len(modes)):
        start = np.zeros((len(modes), 2))
        start[k, 1] = 1e-7
        energies = run_free(cylinder, 0, start, 60)
        rate = math.log(energies[0] / energies[-1]) / (60 * 32 / RATE_HZ)
        assert rate == pytest.approx(modes[k, 0] / modes[k, 1], rel=0.05)


BREATHS = st.lists(st.floats(0.0, 20_000.0), min_size=2, max_size=6)
MOVES = st.lists(st.tuples(st.floats(0.0, 0.25), st.integers(0, 13)), max_size=5)


@given(
    breaths=BREATHS,
    moves=st.lists(st.tuples(st.floats(0.0, 0.25), st.integers(0, 13)), max_size=5),
    seed=st.integers(0, 99),
)
@settings(max_examples=40, deadline=None)
def test_any_gesture_stays_finite(breaths, moves, seed):
    """Any breath to 20 kPa within milliseconds, any fingers at any time: no NaN, no runaway, one seed one sound."""
    cylinder = blown_model("d5-cylinder")
    corners = tuple((0.05 * k, p) for k, p in enumerate(breaths))
    fingers = ((0.0, 0), *sorted(moves))
    sound = sound_of(cylinder, Gesture(corners, fingers), seed=seed)
    assert sound.pressure_pa.shape == sound.velocity.shape == sound.breath_pa.shape
    for part in (sound.pressure_pa, sound.velocity, sound.breath_pa):
        assert np.isfinite(part).all()
    # The window's air moves slower than the fastest jet.
    assert np.abs(sound.velocity).max() < cylinder.law.speeds[-1]
    assert np.abs(sound.samples(0.5)).max() <= 0.5 + 1e-12
    again = sound_of(cylinder, Gesture(corners, fingers), seed=seed)
    assert np.array_equal(again.pressure_pa, sound.pressure_pa)


def test_the_seed_is_all_that_tells_two_sounds_apart(cylinder):
    gesture = note_gesture(cylinder, 3, seconds=0.4)
    first, other = (sound_of(cylinder, gesture, seed=s) for s in (0, 1))
    assert not np.array_equal(first.pressure_pa, other.pressure_pa)
    still, same = (sound_of(cylinder, gesture, noise=False, seed=s) for s in (0, 1))
    assert np.array_equal(still.pressure_pa, same.pressure_pa)
    assert first.pressure_pa == pytest.approx(sound_of(cylinder, gesture).pressure_pa, abs=0.0)


@given(pair=st.tuples(st.integers(0, 16), st.integers(0, 16)), at=st.floats(0.1, 0.3))
@settings(max_examples=25, deadline=None)
def test_fingers_that_move_let_the_modes_glide_finitely(pair, at):
    """From any fingering to any other, modes that one of them lacks included; no click louder than the tone."""
    eight_hole = blown_model("c5-eight-hole")
    low, high = pair
    p = eight_hole.notes[low].planned_pa
    gesture = Gesture(((0.0, 0.0), (0.02, p), (0.5, p)), ((0.0, low), (at, high)))
    sound = sound_of(eight_hole, gesture, noise=False)
    assert np.isfinite(sound.pressure_pa).all()
    assert np.abs(sound.velocity).max() < 2.0 * np.interp(p, eight_hole.law.pressures_pa, eight_hole.law.speeds)
    # The same without the move sounds the same up to it.
    still = sound_of(eight_hole, Gesture(gesture.breath, ((0.0, low),)), noise=False)
    before = round((at - 0.01) * RATE_HZ)
    if max(eight_hole.modes[low].numbers) >= max(eight_hole.modes[high].numbers):
        assert np.array_equal(sound.velocity[:before], still.velocity[:before])


def test_no_breath_no_sound(cylinder):
    sound = sound_of(cylinder, Gesture(((0.0, 0.0), (0.3, 0.0)), ((0.0, 0),)))
    assert not sound.pressure_pa.any()
    assert sound.level_db == -math.inf
    assert np.array_equal(sound.samples(), sound.pressure_pa)


def test_hiss_grows_with_the_jets_speed():
    """docs/physics/synthesis.md#hiss: 18 dB a doubling of speed, p ~ U^3; ours, while the jet is laminar, 11 to 14 dB.

    Its pressure grows as U^2 and its spectrum moves up with U, which a flat radiation alone would turn into U^3. Beyond
    Re 2000 the jet's turbulence comes in on top, tenfold by Re 4000. A head whose edge misses the jet, so that nothing
    but hiss is heard.
    """
    model = load("d5-cylinder")
    model = model.model_copy(update={"head": model.head.model_copy(update={"edge_offset_mm": -1.3})})
    blown = blow(build_network(model))
    assert not any(math.isfinite(n.onset_pa) for n in blown.notes)
    pressures = (40.0, 160.0, 640.0, 5120.0)
    loud = np.array(
        [
            20.0 * math.log10(np.std(sound_of(blown, Gesture(((0.0, p), (2.0, p)), ((0.0, 0),)), seed=3).pressure_pa))
            for p in pressures
        ]
    )
    speeds = np.log2(np.interp(pressures, blown.law.pressures_pa, blown.law.speeds))
    slope = np.diff(loud) / np.diff(speeds)
    assert (slope[:2] > 10.0).all()
    assert (slope[:2] < 15.0).all()
    assert slope[2] > 18.0


GESTURES = [
    (((0.0, 0.0),), ((0.0, 0),), "two corners"),
    ((), ((0.0, 0),), "two corners"),
    (((0.0, 0.0), (0.0, 100.0)), ((0.0, 0),), "rise"),
    (((0.5, 0.0), (0.2, 100.0)), ((0.0, 0),), "rise"),
    (((-0.1, 0.0), (1.0, 100.0)), ((0.0, 0),), "rise"),
    (((0.0, 0.0), (LONGEST_S + 1.0, 100.0)), ((0.0, 0),), "601 s"),
    (((0.0, 0.0), (math.inf, 100.0)), ((0.0, 0),), "at most 600 s"),
    (((0.0, 0.0), (math.nan, 100.0)), ((0.0, 0),), "at most 600 s"),
    (((0.0, -1.0), (1.0, 100.0)), ((0.0, 0),), "-1 Pa"),
    (((0.0, 0.0), (1.0, 20_001.0)), ((0.0, 0),), "20001 Pa"),
    (((0.0, 0.0), (1.0, math.nan)), ((0.0, 0),), "nan Pa"),
    (((0.0, 0.0), (1.0, 100.0)), (), "at least one fingering"),
    (((0.0, 0.0), (1.0, 100.0)), ((0.0, 14),), "the model has 14"),
    (((0.0, 0.0), (1.0, 100.0)), ((0.0, 0), (0.5, -1)), "fingering -1"),
]


@pytest.mark.parametrize(("breath", "fingers", "says"), GESTURES)
def test_a_gesture_that_cannot_be_played_says_why(cylinder, breath, fingers, says):
    with pytest.raises(InputError) as failed:
        sound_of(cylinder, Gesture(breath, fingers))
    assert says in str(failed.value)
    assert "\n" not in str(failed.value)


@pytest.mark.parametrize("pressure", [10.0, 12_001.0, math.nan, math.inf, -5.0])
def test_a_note_at_a_breath_that_cannot_sound_says_from_where(cylinder, pressure):
    with pytest.raises(InputError, match=r"D5 \(register 1\) will not sound at .* starts at 68 Pa.* 12000 Pa"):
        note_gesture(cylinder, 0, pressure_pa=pressure)


SWELLS = [(100, 50, 5), (0, 50, 5), (-1, 50, 5), (50, 50, 5), (math.nan, 50, 5), (10, math.nan, 5), (10, 50, 0.49)]


@pytest.mark.parametrize(("low", "high", "seconds"), SWELLS)
def test_a_swell_that_is_none_says_so(low, high, seconds):
    with pytest.raises(InputError, match=r"swell: .* Pa in .* s; pressures must rise"):
        swell_gesture(0, low, high, seconds=seconds)


def test_a_head_that_cannot_sound_says_why(cylinder):
    model = load("d5-cylinder")
    closed = model.head.windway.model_copy(update={"exit_height_mm": 0.1})
    silent = blow(build_network(model.model_copy(update={"head": model.head.model_copy(update={"windway": closed})})))
    with pytest.raises(InputError, match=r"will not sound: head\.windway\.exit_height_mm is 0\.1 mm"):
        sound_of(silent, Gesture(((0.0, 0.0), (1.0, 100.0)), ((0.0, 0),)))


def test_gestures_have_the_shape_they_say(cylinder):
    swell = swell_gesture(2, 50.0, 800.0, seconds=10.0)
    times, pressures = np.array(swell.breath).T
    assert swell.seconds == 10.0
    assert times[pressures.argmax()] == pytest.approx(5.0)
    assert pressures.max() == pytest.approx(800.0)
    assert pressures[0] == pressures[-1] == pytest.approx(50.0)
    assert pressures == pytest.approx(pressures[::-1])
    # Even in the logarithm.
    assert np.ptp(np.diff(np.log(pressures[:41]))) < 1e-12
    assert swell.fingers == ((0.0, 2),)
    note = note_gesture(cylinder, 0, seconds=2.0, pressure_pa=120.0)
    assert max(p for _, p in note.breath) == 120.0
    assert note.seconds == pytest.approx(2.0, abs=1e-3)
    # An accent where the register below still holds at the note's own breath, as D6 does at 369 Pa.
    accent = note_gesture(cylinder, note_at(cylinder, "D6", 2), seconds=1.0)
    assert max(p for _, p in accent.breath) > cylinder.notes[7].lower_jump_pa > cylinder.notes[7].planned_pa
    scale = scale_gesture(cylinder, [0, 1, 2], seconds=0.5)
    assert scale.seconds == pytest.approx(1.5, abs=1e-3)
    assert [i for _, i in scale.fingers] == [0, 1, 2]
