"""The blown instrument as a sound: breath and fingers over time in, pressure at one metre out.

The same jet and the same resonators as in `sounding`, stepped through time (`kernels.played`), so that onset, pitch,
jumps and chiff come from the physics and not from a recording. Fingers that move let every resonance glide from its
old to its new place, as a hole does that opens little by little.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fluewright.acoustics.jet import breath_air, turbulent_share, window_area_m2
from fluewright.acoustics.kernels.played import Played, Score, lagged, play
from fluewright.acoustics.sounding import Blown
from fluewright.arrays import FloatArray
from fluewright.errors import InputError

__all__ = [
    "RATE_HZ",
    "Gesture",
    "Sound",
    "note_gesture",
    "octave_gesture",
    "scale_gesture",
    "scale_rows",
    "sound_of",
    "swell_gesture",
]


RATE_HZ = 48_000
LONGEST_S = 600.0
_BLOCK = 32  # samples between two settings
_STEPS = 2  # a sample: the jet's switching makes partials far above, which would fold down
_FINGER_S = 0.012  # how long a finger takes to open or close a hole
_ATTACK_S = 0.02
_RELEASE_S = 0.05
_ACCENT_S = 0.09
_SILENT_PA = 1.0


@dataclass(frozen=True)
class Gesture:
    """What the player does.

    Attributes
    ----------
    breath : tuple of (seconds, Pa)
        Corners of the blowing pressure, joined by straight lines; times rise, pressures are 0 to 20000 Pa.
    fingers : tuple of (seconds, int)
        From when on which of the network's fingerings is held; the first from the beginning.
    """

    breath: tuple[tuple[float, float], ...]
    fingers: tuple[tuple[float, int], ...]

    @property
    def seconds(self) -> float:
        """Return how long it lasts."""
        return self.breath[-1][0]


@dataclass(frozen=True)
class Sound:
    """What is heard, and what made it.

    Attributes
    ----------
    pressure_pa : array, shape (n,)
        Sound pressure at 1 m in the open, all directions' mean, Pa.
    velocity : array, shape (n,)
        Through the window, m/s.
    breath_pa : array, shape (n,)
        Blowing pressure.
    rate_hz : int
    """

    pressure_pa: FloatArray
    velocity: FloatArray
    breath_pa: FloatArray
    rate_hz: int

    @property
    def level_db(self) -> float:
        """Return the sound pressure level over all of it, dB re 20 uPa."""
        power = float(np.mean(self.pressure_pa**2))
        return 10.0 * math.log10(power / 4e-10) if power > 0.0 else -math.inf

    def samples(self, peak: float = 0.7) -> FloatArray:
        """Return the pressure, shape (n,), scaled to a largest value of `peak` of full scale; silence stays silent."""
        top = float(np.abs(self.pressure_pa).max(initial=0.0))
        return self.pressure_pa * (peak / top) if top > 0.0 else self.pressure_pa.copy()


def sound_of(blown: Blown, gesture: Gesture, *, noise: bool = True, seed: int = 0) -> Sound:
    """Play a gesture.

    Parameters
    ----------
    blown : Blown
        From `sounding.blow`.
    gesture : Gesture
    noise : bool
        Turbulence of the jet.
    seed : int
        Of the turbulence; one seed, one sound.

    Raises
    ------
    InputError
        The head cannot sound; the gesture is empty, not in order, longer than `LONGEST_S`, has pressures outside 0 to
        20000 Pa, or fingerings that the network lacks.

    References
    ----------
    .. [1] docs/physics/synthesis.md#stepping, docs/physics/synthesis.md#level and docs/physics/synthesis.md#hiss;
       `kernels.played` for the scheme.
    """
    from scipy.signal import firwin, upfirdn

    _check(blown, gesture)
    law, network = blown.law, blown.network
    dt = _BLOCK / RATE_HZ
    blocks = max(math.ceil(gesture.seconds / dt), 1)
    times = np.asarray((np.arange(blocks) + 0.5) * dt, dtype=np.float64)
    breath = np.interp(times, [t for t, _ in gesture.breath], [p for _, p in gesture.breath])
    steady = np.exp(np.interp(np.log(np.maximum(breath, 1e-3)), np.log(law.pressures_pa), np.log(law.speeds)))
    steady *= np.clip(breath / law.pressures_pa[0], 0.0, 1.0)
    head = network.model.head
    speeds = lagged(steady, head.windway.length_mm * 1e-3, dt)
    level = np.clip(speeds / law.speeds[0], 0.0, 1.0)
    log_speed = np.log(np.maximum(speeds, law.speeds[0]))
    rho, mu = breath_air(network.model, network.air)
    height = head.windway.exit_height_mm * 1e-3
    mean = np.array([f.mean_speed for f in law.flows])
    reynolds = np.interp(log_speed, np.log(law.speeds), mean) * height * rho / mu
    quiet, turbulent = blown.settings.noise
    gusts = (quiet + turbulent_share(reynolds) * (turbulent - quiet)) * 0.5 * rho * speeds**2
    modes, radiation = _glide(blown, gesture, times)
    score = Score(log_speed, level, gusts if noise else np.zeros(blocks), 0.2 * speeds / height, modes, radiation)
    steps = blocks * _BLOCK * _STEPS
    played = Played(np.zeros(steps), np.zeros(steps), np.zeros(blocks))
    white = np.random.default_rng(seed).standard_normal(steps) if noise else np.zeros(steps)
    direct = 1.0 / (rho * network.air.sound_speed)
    play(
        float(RATE_HZ * _STEPS), _BLOCK * _STEPS, score, law.grid, direct, white, np.zeros((modes.shape[1], 2)), played
    )  # fmt: skip
    # Passes up to 21 kHz, 80 dB down from 24 kHz on.
    taps = firwin(161, 22_500.0, window=("kaiser", 8.0), fs=RATE_HZ * _STEPS)
    late = (taps.size - 1) // 2 // _STEPS
    flow, heard = (upfirdn(taps, x, down=_STEPS)[late : late + blocks * _BLOCK] for x in (played.flow, played.sounding))
    pressure = network.air.density * window_area_m2(head) / (4.0 * math.pi) * np.diff(heard, prepend=0.0) * RATE_HZ
    return Sound(pressure, flow, np.repeat(breath, _BLOCK), RATE_HZ)


def _check(blown: Blown, gesture: Gesture) -> None:
    blown.check_sounds()
    times = [t for t, _ in gesture.breath]
    if len(times) < 2 or times[0] < 0.0 or any(b <= a for a, b in pairwise(times)):
        raise InputError("breath: give at least two corners (seconds, Pa) whose times rise from 0 on")
    if not times[-1] <= LONGEST_S:
        raise InputError(f"breath: {times[-1]:g} s are asked for; at most {LONGEST_S:g} s are played at once")
    for _, pressure in gesture.breath:
        if not 0.0 <= pressure <= 20_000.0:
            raise InputError(f"breath: {pressure:g} Pa lies outside 0 to 20000 Pa")
    if not gesture.fingers:
        raise InputError("fingers: name at least one fingering")
    for _, index in gesture.fingers:
        if not 0 <= index < len(blown.modes):
            raise InputError(f"fingers: fingering {index} is asked for; the model has {len(blown.modes)}, from 0")


def _glide(blown: Blown, gesture: Gesture, times: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (modes, radiation) of every block, shapes (blocks, modes, 3) and (blocks, modes)."""
    used = [index for _, index in gesture.fingers]
    count = max(int(blown.modes[i].numbers.max()) for i in used)
    sets = {}
    for i in set(used):
        mine = blown.modes[i]
        # A mode that this fingering lacks stands still where its number would be, and does nothing.
        table = np.column_stack([mine.table[0, 0] * np.arange(1, count + 1), np.full(count, 5.0), np.zeros(count)])
        sounding = np.zeros(count)
        table[mine.numbers - 1] = mine.table
        sounding[mine.numbers - 1] = mine.radiation
        sets[i] = np.column_stack([table, sounding])
    out = np.repeat(sets[used[0]][None], times.size, axis=0)
    held = sets[used[0]]
    for at, index in gesture.fingers[1:]:
        here = times >= at
        share = np.clip((times[here] - at) / _FINGER_S, 0.0, 1.0)[:, None, None]
        out[here] = held + share * (sets[index] - held)
        held = sets[index]
    return np.ascontiguousarray(out[:, :, :3]), np.ascontiguousarray(out[:, :, 3])


def _tongued(start: float, seconds: float, pressure: float, accent: float | None = None) -> list[tuple[float, float]]:
    """Return corners of one tongued note within its time, with a short accent first where it needs one."""
    attack = min(_ATTACK_S, 0.1 * seconds)
    release = min(_RELEASE_S, 0.15 * seconds)
    corners = [(start, 0.0)]
    if accent is not None:
        held = min(_ACCENT_S, 0.2 * seconds)
        corners += [(start + attack, accent), (start + attack + held, accent)]
        attack += 1.4 * held
    return [
        *corners, (start + attack, pressure), (start + seconds - 2.0 * release, pressure),
        (start + seconds - release, 0.0), (start + seconds - 1e-4, 0.0),
    ]  # fmt: skip


def _accent_of(blown: Blown, index: int, pressure: float) -> float | None:
    """Return the breath of the attack that brings a note into its register, None where its own breath does.

    In the hysteresis between two registers a note begun from silence stays in the lower one; a player tongues harder.
    """
    note = blown.notes[index]
    jump = note.lower_jump_pa
    if not (math.isfinite(jump) and pressure < 1.15 * jump):
        return None
    top = 0.9 * note.highest_pa if math.isfinite(note.highest_pa) else 4.0 * pressure
    return min(1.3 * jump, top) if top > 1.05 * jump else None


def _breath_of(blown: Blown, index: int) -> float:
    """Return a breath at which a note sounds: as planned, moved into where its register holds when that is known."""
    note = blown.notes[index]
    low = note.lowest_pa if math.isfinite(note.lowest_pa) else note.onset_pa
    high = note.highest_pa if math.isfinite(note.highest_pa) else math.inf
    pressure = note.planned_pa
    if math.isfinite(low) and pressure < 1.15 * low:
        pressure = 1.15 * low
    return min(pressure, 0.92 * high)


def note_gesture(blown: Blown, index: int, *, seconds: float = 1.5, pressure_pa: float | None = None) -> Gesture:
    """Return one tongued note of a fingering, at its own breath or the one given.

    Raises
    ------
    InputError
        The breath given is below the one at which the note starts, or above 12000 Pa.
    """
    note = blown.notes[index]
    if pressure_pa is not None and not note.onset_pa <= pressure_pa <= blown.law.pressures_pa[-1]:
        raise InputError(
            f"breath: {note.note} (register {note.register}) will not sound at {pressure_pa:g} Pa: it starts at "
            f"{note.onset_pa:.0f} Pa, and the model reaches to {blown.law.pressures_pa[-1]:.0f} Pa"
        )
    pressure = _breath_of(blown, index) if pressure_pa is None else pressure_pa
    accent = _accent_of(blown, index, pressure) if pressure_pa is None else None
    return Gesture(tuple(_tongued(0.0, seconds, pressure, accent)), ((0.0, index),))


def scale_rows(blown: Blown) -> list[int]:
    """Return the fingerings of the scale, low to high: the first that sounds of every note's name."""
    playable = [i for i, n in enumerate(blown.notes) if math.isfinite(n.onset_pa)]
    first = {blown.notes[i].note: i for i in reversed(playable)}
    return sorted(first.values(), key=lambda i: blown.notes[i].target_hz)


def scale_gesture(blown: Blown, indices: Sequence[int], *, seconds: float = 0.6, slurred: bool = False) -> Gesture:
    """Return notes one after another, tongued or on one breath that changes from note to note."""
    corners: list[tuple[float, float]] = []
    fingers = []
    for k, i in enumerate(indices):
        pressure = _breath_of(blown, i)
        if not slurred:
            corners += _tongued(k * seconds, seconds, pressure, _accent_of(blown, i, pressure))
            # The fingers move while the tongue stops the breath.
            fingers.append((max(k * seconds - _FINGER_S, 0.0), i))
        else:
            corners += [(k * seconds + (_ATTACK_S if k == 0 else _FINGER_S), pressure), ((k + 1) * seconds, pressure)]
            fingers.append((k * seconds, i))
    if slurred:
        corners = [(0.0, 0.0), *corners, (corners[-1][0] + _RELEASE_S, 0.0)]
    return Gesture(tuple(corners), tuple(fingers))


def swell_gesture(index: int, low_pa: float, high_pa: float, *, seconds: float = 12.0) -> Gesture:
    """Return a slow rise and fall of breath on one fingering, even in the logarithm of pressure.

    Raises
    ------
    InputError
        The pressures are not in order or not above 0, or the time is too short (under 0.5 s).
    """
    if not 0.0 < low_pa < high_pa or seconds < 0.5:
        raise InputError(
            f"swell: {low_pa:g} to {high_pa:g} Pa in {seconds:g} s; pressures must rise from above 0, in at least 0.5 s"
        )
    share = np.linspace(0.0, 1.0, 41)
    rise = [(0.5 * seconds * s, low_pa * (high_pa / low_pa) ** s) for s in share]
    return Gesture(tuple(rise + [(seconds - t, p) for t, p in reversed(rise[:-1])]), ((0.0, index),))


def octave_gesture(blown: Blown, low: int, high: int, *, tongued: bool, seconds: float = 1.0) -> Gesture:
    """Return a note and its octave, slurred on one rising breath or tongued anew."""
    if tongued:
        return scale_gesture(blown, (low, high), seconds=seconds)
    below, above = _breath_of(blown, low), _breath_of(blown, high)
    return Gesture(
        ((0.0, 0.0), (_ATTACK_S, below), (seconds, below), (seconds + 0.08, above), (2.0 * seconds, above),
         (2.0 * seconds + _RELEASE_S, 0.0)),
        ((0.0, low), (seconds, high)),
    )  # fmt: skip
