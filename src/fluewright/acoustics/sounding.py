"""What sounds when the instrument is blown: onset, pitch against breath, jumps between registers, for every note.

A note is a periodic motion of jet and resonator. Its branch begins at the breath where the loop's gain reaches one
(`kernels.blown.self_start`) and is followed by harmonic balance; it can be heard where no small disturbance grows
(Floquet's exponents, counted by a winding number). The upper end of that range is the jump to the next register on
rising breath, the lower end the fall back on falling breath; that they differ is the hysteresis of every flue
instrument (physics notes, 6.5 and 10).

The model knows no lips, no throat and no unsteady hand: a skilled player holds a register further than an artificial
mouth does, so differences and ratios are worth more than absolute thresholds (physics notes, 12).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from fluewright.acoustics.jet import JetLaw, JetSettings, breath_air, jet_law, silent_reasons
from fluewright.acoustics.kernels import network as kernel
from fluewright.acoustics.kernels.blown import balance, count_unstable, follow, onset, self_start
from fluewright.acoustics.kernels.jet import jet_at
from fluewright.acoustics.network import Network
from fluewright.arrays import ComplexArray, FloatArray, IntArray
from fluewright.errors import ComputeError, InputError
from fluewright.instrument.breath import breath_pressure_pa
from fluewright.instrument.fingering import Fingering
from fluewright.units import cents_above

__all__ = [
    "HARMONICS",
    "Blown",
    "Branch",
    "BreathNeed",
    "Modes",
    "NoteBreath",
    "at_notes",
    "blow",
    "blown_modes",
    "breath_curve",
    "breath_plan",
    "find_jumps",
    "jet_shift",
    "octave_widths",
]


HARMONICS = 8
_SAMPLES = 64
_GRID_PA = (3.0, 12_000.0)
_GRID_ROWS = 60
_LEAST_GROWTH = 2.0  # 1/s; a disturbance that grows slower is not heard within a note
_STEP = 0.045  # of ln U, when a branch is walked for its ends


@lru_cache(maxsize=4)
def _turns(samples: int, harmonics: int) -> ComplexArray:
    """Return exp(j n t) at even samples of one period, shape (samples, 2 harmonics + 1)."""
    at = 2.0 * np.pi * np.arange(samples) / samples
    return np.asarray(np.exp(1j * np.outer(at, np.arange(2 * harmonics + 1))))


@dataclass(frozen=True)
class Modes:
    """The resonator of one fingering, as the window's velocity sees it.

    Attributes
    ----------
    table : array, shape (modes, 3)
        w_k (rad/s), q_k and a_k = 2/(W H X'), m2/kg, X' the slope of the loop's reactance there: the residue of
        1/(W H Z); for an open tube 2 S/(rho W H L).
    numbers : array, shape (modes,)
        Their numbers, 1 for the lowest; some may be missing.
    radiation : array, shape (modes,)
        Outer source of the mode over the window's flow: sqrt(sum U_i U_j sin(k d)/(k d)), mean over all directions.
    """

    table: FloatArray
    numbers: IntArray
    radiation: FloatArray

    def row_of(self, number: int) -> int | None:
        """Return the row of a mode by its number, None where losses drown it."""
        found = np.flatnonzero(self.numbers == number)
        return int(found[0]) if found.size else None


@dataclass(frozen=True)
class Branch:
    """Motions of one register of one fingering over rising breath.

    Attributes
    ----------
    pressures_pa, frequencies_hz, levels_db : array, shape (n,)
        Breath, pitch, and sound pressure level at 1 m in the open, all directions' mean, dB re 20 uPa.
    velocities : complex array, shape (n, HARMONICS + 1)
        Half amplitudes of the window's velocity, m/s, by harmonic.
    """

    pressures_pa: FloatArray
    frequencies_hz: FloatArray
    levels_db: FloatArray
    velocities: ComplexArray


@dataclass(frozen=True)
class NoteBreath:
    """One note when blown; NaN where a quantity does not exist.

    Attributes
    ----------
    fingering : Fingering
    target_hz, resonance_hz, quality : float
    onset_pa, onset_hz : float
        Breath at which the note begins by itself, and its pitch there.
    branch : Branch
    planned_pa, planned_cents : float
        The model's own breath for this note, and the pitch then against the target.
    in_tune_pa : float
        Breath at which the note meets its target.
    growth_per_s : float
        How fast it starts at the planned breath: the smallest motion's growth, 1/s.
    theta : float
        Dimensionless jet speed U_j/(f W) at the planned breath.
    flow_l_per_min : float
        Air used at the planned breath.
    lowest_pa, highest_pa : float
        Where the register holds: below it falls back or breaks up, above it jumps. `find_jumps` fills them.
    lower_jump_pa : float
        The breath at which the register below, on the same fingering, jumps up: begun from silence under it, the note
        sounds a register too low (register 1: NaN). `find_jumps` fills it.
    fall_back_pa : float
        After a jump, the breath below which the next register falls back to this one (the lowest of the same
        fingering's next register). `find_jumps` fills it.
    warnings : tuple of str
    """

    fingering: Fingering
    target_hz: float
    resonance_hz: float
    quality: float
    onset_pa: float
    onset_hz: float
    branch: Branch
    planned_pa: float
    planned_cents: float
    in_tune_pa: float
    growth_per_s: float
    theta: float
    flow_l_per_min: float
    lowest_pa: float = math.nan
    highest_pa: float = math.nan
    fall_back_pa: float = math.nan
    lower_jump_pa: float = math.nan
    warnings: tuple[str, ...] = ()

    @property
    def note(self) -> str:
        """Return the note's name."""
        return self.fingering.note

    @property
    def register(self) -> int:
        """Return the register, 1 for the lowest."""
        return self.fingering.register

    def level_db_at(self, pressure_pa: float) -> float:
        """Return the level at 1 m at a breath, dB; NaN beside the branch."""
        return float(_between(pressure_pa, self.branch.pressures_pa, self.branch.levels_db))

    def frequency_at(self, pressure_pa: float) -> float:
        """Return the pitch at a breath, Hz; NaN beside the branch."""
        return float(_between(pressure_pa, self.branch.pressures_pa, self.branch.frequencies_hz))


@dataclass(frozen=True)
class Blown:
    """A model when blown: its jet at every breath and all its notes.

    `reasons` says why nothing can sound; then `notes` is empty.
    """

    network: Network
    settings: JetSettings
    law: JetLaw
    modes: tuple[Modes, ...]
    notes: tuple[NoteBreath, ...]
    reasons: tuple[str, ...] = ()

    @property
    def warnings(self) -> tuple[str, ...]:
        """Return every warning once."""
        found = [w for flow in self.law.flows for w in flow.warnings] + [w for n in self.notes for w in n.warnings]
        return tuple(dict.fromkeys(found))


def _between(at: float, x: FloatArray, y: FloatArray) -> float:
    """Return y at x = at by straight lines in ln x; NaN outside."""
    known = np.isfinite(y)
    if known.sum() < 2 or not x[known][0] <= at <= x[known][-1]:
        return math.nan
    return float(np.interp(math.log(at), np.log(x[known]), y[known]))


def blown_modes(network: Network, *, count: int = 10) -> tuple[Modes, ...]:
    """Return the resonator of every fingering of a network, in its order.

    Modes that losses drown are left out. Rows that share a fingering share their modes.

    Raises
    ------
    ComputeError
        A fingering has no resonance at all.
    """
    keys = [row.tobytes() for row in network.states]
    firsts = {key: i for i, key in reversed(list(enumerate(keys)))}
    rows = np.repeat(sorted(firsts.values()), count)
    numbers = np.tile(np.arange(1, count + 1), len(firsts))
    lowest = network.targets_hz / network.modes
    omegas, slopes, resist = np.empty(rows.size), np.empty(rows.size), np.empty(rows.size)
    kernel.solve(
        network.given(), numbers, 2.0 * np.pi * numbers * lowest[rows], network.states[rows], omegas, slopes, resist,
        np.zeros((0, network.sizes.size)),
    )  # fmt: skip
    head = network.model.head
    area = (head.window_length_mm - max(head.block_depth_mm, 0.0)) * head.window_width_mm * 1e-6
    radiation = _radiation(network, rows, omegas)
    by_row: dict[int, Modes] = {}
    for row in firsts.values():
        mine = (rows == row) & np.isfinite(omegas) & (resist > 0.0) & (slopes > 0.0)
        # A drowned mode, of Q below 2, adds no pitch of its own.
        mine[mine] &= omegas[mine] * slopes[mine] / (2.0 * resist[mine]) > 2.0
        if not mine.any():
            raise ComputeError(
                f"{network.fingerings[row].text}: this fingering has no resonance that survives the losses; "
                "check the sizes around its open holes, or drop it."
            )
        table = np.column_stack(
            [omegas[mine], omegas[mine] * slopes[mine] / (2.0 * resist[mine]), 2.0 / (area * slopes[mine])]
        )
        by_row[row] = Modes(table, numbers[mine], radiation[mine])
    return tuple(by_row[firsts[key]] for key in keys)


def _radiation(network: Network, rows: IntArray, omegas: FloatArray) -> FloatArray:
    """Return the outer source strength of every (fingering, omega), over the window's flow."""
    n = network.n_holes + 2
    flows = np.zeros((rows.size, n), dtype=complex)
    places = np.empty(n)
    kernel.mouths(network.given(), network.states[rows], np.nan_to_num(omegas, nan=1.0), flows, places)
    distance = np.abs(places[:, None] - places[None, :])
    k = omegas / network.air.sound_speed
    together = np.sinc(k[:, None, None] * distance / np.pi)
    power = np.einsum("ri,rij,rj->r", flows, together, flows.conj()).real
    return np.asarray(np.sqrt(np.maximum(power, 0.0)))


class _Walker:
    """Follows one register of one fingering along the jet's speed, on arrays that the kernels read."""

    def __init__(self, law: JetLaw, modes: Modes, mode: int) -> None:
        self.law = law
        self.modes = modes
        self.mode = mode
        self.log_speeds = np.log(law.speeds)
        self.log_pressures = np.log(law.pressures_pa)
        self.turns = _turns(_SAMPLES, HARMONICS)

    def pressure(self, log_speed: float | FloatArray) -> FloatArray:
        return np.exp(np.interp(log_speed, self.log_speeds, self.log_pressures))

    def log_speed(self, pressure: float) -> float:
        return float(np.interp(math.log(pressure), self.log_pressures, self.log_speeds))

    def start(self) -> tuple[float, float]:
        at, omega = self_start(self.mode, self.modes.table, self.log_speeds, self.law.jets, self.law.weights)
        return float(at), float(omega)

    def growth(self, pressure: float, omega: float) -> float:
        """Return how fast the smallest motion grows at a breath, 1/s (negative: it dies out); Newton on G(s) = 1."""
        jet, weights = np.empty(self.law.jets.shape[1]), np.empty(self.law.weights.shape[1])
        jet_at(self.log_speed(pressure), self.log_speeds, self.law.jets, self.law.weights, jet, weights)
        s = complex(0.0, omega)
        for _ in range(40):
            g, slope = onset(s, self.modes.table, jet, weights)
            step = (g - 1.0) / slope
            step *= min(1.0, 0.03 * omega / max(abs(step), 1e-300))
            s -= step
            if abs(step) < 1e-8 * omega:
                return float(s.real)
        return math.nan

    def motions(self, log_speeds: FloatArray, omega: float) -> tuple[ComplexArray, FloatArray]:
        """Return the motions and their omegas at rising speeds, NaN where there is none.

        Begun at a speed where the motion is large, and followed down and up from there: just above the onset large and
        small motions may both exist, and the small ones are not kept up.
        """
        middle = int(np.searchsorted(log_speeds, log_speeds[0] + 0.25))
        if 0 < middle < log_speeds.size:
            down, lower = self._followed(log_speeds[middle::-1], omega)
            if np.isfinite(lower[0]):
                up, upper = self._followed(log_speeds[middle:], float(lower[0]))
                return np.concatenate([down[:0:-1], up]), np.concatenate([lower[:0:-1], upper])
        return self._followed(log_speeds, omega)

    def _followed(self, log_speeds: FloatArray, omega: float) -> tuple[ComplexArray, FloatArray]:
        motions = np.zeros((log_speeds.size, HARMONICS + 1), dtype=complex)
        omegas = np.zeros(log_speeds.size)
        follow(
            self.mode, omega, log_speeds, self.modes.table, self.log_speeds, self.law.jets, self.law.weights,
            self.turns, motions, omegas,
        )  # fmt: skip
        return motions, omegas

    def beside(self, motion: ComplexArray, omega: float, log_speed: float) -> tuple[ComplexArray, float]:
        """Return the motion at a speed, from a known one of a speed near by; omega NaN where there is none."""
        jet, weights = np.empty(self.law.jets.shape[1]), np.empty(self.law.weights.shape[1])
        jet_at(log_speed, self.log_speeds, self.law.jets, self.law.weights, jet, weights)
        found = motion.copy()
        turned, done = balance(found, omega, HARMONICS, self.modes.table, jet, weights, self.turns)
        return found, float(turned) if done else math.nan

    def holds(self, log_speed: float, motion: ComplexArray, omega: float) -> bool:
        """Return whether no disturbance of this motion grows."""
        if not math.isfinite(omega):
            return False
        jet, weights = np.empty(self.law.jets.shape[1]), np.empty(self.law.weights.shape[1])
        jet_at(log_speed, self.log_speeds, self.law.jets, self.law.weights, jet, weights)
        growing = count_unstable(motion, omega, HARMONICS, self.modes.table, jet, weights, self.turns, _LEAST_GROWTH)
        return int(growing) == 0


def _levels_db(network: Network, modes: Modes, motions: ComplexArray, omegas: FloatArray) -> FloatArray:
    """Return the sound pressure level at 1 m of every motion, dB re 20 uPa."""
    head = network.model.head
    area = (head.window_length_mm - max(head.block_depth_mm, 0.0)) * head.window_width_mm * 1e-6
    n = np.arange(1, motions.shape[1])
    frequencies = omegas[:, None] * n
    share = np.interp(frequencies, modes.table[:, 0], modes.radiation)
    pressure = network.air.density * frequencies / (4.0 * np.pi) * area * share * 2.0 * np.abs(motions[:, 1:])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 * np.log10(0.5 * (pressure**2).sum(axis=1) / 4e-10))


def breath_plan(network: Network) -> FloatArray:
    """Return the model's own breath for every fingering, Pa, shape (n,)."""
    model = network.model
    return np.array([breath_pressure_pa(model.target, f.note, model.model.lowest_note) for f in network.fingerings])


def blow(network: Network, settings: JetSettings | None = None, *, points: int = 20) -> Blown:
    """Return every note of a network against breath.

    Parameters
    ----------
    network : Network
    settings : JetSettings, optional
    points : int
        Breaths on each branch, 4 to 200, from the onset to five times its jet speed.

    Raises
    ------
    InputError
        `points` outside its limits.
    ComputeError
        A fingering has no resonance.
    """
    if not 4 <= points <= 200:
        raise InputError(f"points: {points} breaths a note are asked for; 4 to 200 can be computed")
    settings = settings or JetSettings()
    model = network.model
    law = jet_law(model.head, np.geomspace(*_GRID_PA, _GRID_ROWS), *breath_air(model, network.air), settings)
    reasons = silent_reasons(model.head)
    if reasons:
        return Blown(network, settings, law, (), (), reasons)
    modes = blown_modes(network)
    plan = breath_plan(network)
    return Blown(
        network, settings, law, modes,
        tuple(_note(network, law, modes[i], i, float(plan[i]), points) for i in range(len(network.fingerings))),
    )  # fmt: skip


def _note(network: Network, law: JetLaw, modes: Modes, i: int, planned: float, points: int) -> NoteBreath:
    fingering, target = network.fingerings[i], float(network.targets_hz[i])
    mode = modes.row_of(int(network.modes[i]))
    if mode is None:
        raise ComputeError(
            f"{fingering.note} in register {fingering.register} (fingering {fingering.text}): resonance number "
            f"{network.modes[i]} does not survive the losses; drop this fingering."
        )
    resonance, quality = modes.table[mode, 0] / (2.0 * math.pi), modes.table[mode, 1]
    walker = _Walker(law, modes, mode)
    at, omega = walker.start()
    warnings: list[str] = []
    if math.isnan(at):
        empty = np.full(0, math.nan)
        branch = Branch(empty, empty, empty, np.zeros((0, HARMONICS + 1), dtype=complex))
        warnings.append(
            f"{fingering.note} (register {fingering.register}): will not sound: the jet never gives back what the air "
            "column loses; look at the edge's offset, the window's length and leaks."
        )
        return NoteBreath(
            fingering, target, resonance, quality, math.nan, math.nan, branch, planned, math.nan, math.nan, math.nan,
            math.nan, math.nan, warnings=tuple(warnings),
        )  # fmt: skip
    log_speeds = np.minimum(at + 0.004 + np.linspace(0.0, math.log(5.0), points), walker.log_speeds[-1])
    log_speeds = np.unique(log_speeds)
    motions, omegas = walker.motions(log_speeds, omega)
    pressures = walker.pressure(log_speeds)
    frequencies = omegas / (2.0 * math.pi)
    branch = Branch(pressures, frequencies, _levels_db(network, modes, motions, omegas), motions)
    off = cents_above(frequencies, target)
    flow = [f.flow_l_per_min for f in law.flows]
    pitch = _between(planned, pressures, frequencies)
    return NoteBreath(
        fingering, target, resonance, quality, float(walker.pressure(at)), omega / (2.0 * math.pi), branch, planned,
        _between(planned, pressures, off), _crossing(pressures, off),
        walker.growth(planned, omega),
        math.exp(walker.log_speed(planned)) / (pitch * law.free_length_m),
        float(np.interp(planned, law.pressures_pa, flow)), warnings=tuple(warnings),
    )  # fmt: skip


def jet_shift(blown: Blown) -> tuple[FloatArray, FloatArray]:
    """Return what the breath makes of every note: (cents over its resonance at the planned breath, cents a doubling).

    Shapes (n,). A note that does not sound at its planned breath has 0 and NaN.
    """
    shift, pull = np.zeros(len(blown.network.fingerings)), np.full(len(blown.network.fingerings), math.nan)
    for i, note in enumerate(blown.notes):
        slow, planned, fast = (note.frequency_at(note.planned_pa * ratio) for ratio in (2.0**-0.2, 1.0, 2.0**0.2))
        if math.isfinite(planned):
            shift[i] = cents_above(planned, note.resonance_hz)
        if math.isfinite(slow) and math.isfinite(fast):
            pull[i] = cents_above(fast, slow) / 0.4
    return shift, pull


def _crossing(x: FloatArray, y: FloatArray) -> float:
    """Return the lowest x where y rises through zero; NaN when it does not."""
    for i in range(len(x) - 1):
        if y[i] <= 0.0 < y[i + 1]:
            share = -y[i] / (y[i + 1] - y[i])
            return float(np.exp(np.log(x[i]) + share * np.log(x[i + 1] / x[i])))
    return math.nan


def find_jumps(blown: Blown) -> Blown:
    """Return the same with the range of breath in which every note holds its register.

    From the branch's steadiest part it is walked both ways to where a disturbance begins to grow, and halved in
    between to 1 % of breath. Notes that share fingering and register share the walk.
    """
    done: dict[tuple[bytes, int], tuple[float, float]] = {}

    def held(i: int, number: int) -> tuple[float, float]:
        key = (blown.network.states[i].tobytes(), number)
        if key not in done:
            row = blown.modes[i].row_of(number)
            done[key] = (math.nan, math.nan) if row is None else _range(_Walker(blown.law, blown.modes[i], row))
        return done[key]

    notes = []
    for i, note in enumerate(blown.notes):
        number = int(blown.network.modes[i])
        low, high = held(i, number)
        below = held(i, number - 1)[1] if number > 1 else math.nan
        notes.append(
            replace(note, lowest_pa=low, highest_pa=high, fall_back_pa=held(i, number + 1)[0], lower_jump_pa=below)
        )
    return replace(blown, notes=tuple(notes))


def _range(walker: _Walker) -> tuple[float, float]:
    """Return the lowest and the highest breath at which this register holds, Pa."""
    at, start = walker.start()
    if math.isnan(at):
        return math.nan, math.nan
    first = at + 0.004
    grid = np.arange(first, min(first + math.log(6.0), walker.log_speeds[-1]), _STEP)
    motions, omegas = walker.motions(grid, start)
    # The steadiest part: half a wave on the jet, a third above the onset's speed.
    middle = min(int(0.3 / _STEP), len(grid) - 1)
    order = sorted(range(len(grid)), key=lambda k: abs(k - middle))
    seed = next((k for k in order[:16] if walker.holds(grid[k], motions[k], omegas[k])), None)
    if seed is None:
        return math.nan, math.nan
    ends = []
    for step in (-1, 1):
        k = seed
        while 0 <= k + step < len(grid) and walker.holds(grid[k + step], motions[k + step], omegas[k + step]):
            k += step
        if not 0 <= k + step < len(grid):
            ends.append(float(walker.pressure(at)) if step < 0 else math.inf)
            continue
        inner, outer = grid[k], grid[k + step]
        motion, omega = motions[k], float(omegas[k])
        while abs(outer - inner) > 0.005:
            trial = 0.5 * (inner + outer)
            found, turned = walker.beside(motion, omega, trial)
            if walker.holds(trial, found, turned):
                inner, motion, omega = trial, found, turned
            else:
                outer = trial
        ends.append(float(walker.pressure(0.5 * (inner + outer))))
    return ends[0], ends[1]


def at_notes(network: Network, chosen: Sequence[int]) -> Network:
    """Return the network with only these of its fingerings, in this order."""
    rows = list(chosen)
    return replace(
        network, fingerings=tuple(network.fingerings[i] for i in rows), states=network.states[rows],
        modes=network.modes[rows],
    )  # fmt: skip


@dataclass(frozen=True)
class BreathNeed:
    """The breath that plays a whole model in tune.

    Attributes
    ----------
    lowest_pa, exponent : float
        p = lowest_pa (f/f_lowest)**exponent, a straight line through the logarithms of the notes' own breaths.
    unevenness : float
        Root mean square of the notes' relative distance from it.
    at_risk : tuple of str
        Notes whose planned breath lies within 15 % of where the register jumps or beyond, or under where it holds.
    hard_to_reach : tuple of str
        Notes that no breath within their register brings to their target, or that do not sound at all.
    """

    lowest_pa: float
    exponent: float
    unevenness: float
    at_risk: tuple[str, ...]
    hard_to_reach: tuple[str, ...]


def breath_curve(blown: Blown) -> BreathNeed:
    """Return the breath that plays all notes in tune, how even it is, and which notes are in danger."""
    at_risk, hard = [], []
    x: list[float] = []
    y: list[float] = []
    for note in blown.notes:
        name = f"{note.note} (register {note.register})"
        if math.isfinite(note.in_tune_pa) and not (
            note.in_tune_pa < note.lowest_pa or note.in_tune_pa > note.highest_pa
        ):
            x.append(math.log(note.target_hz))
            y.append(math.log(note.in_tune_pa))
        else:
            hard.append(name)
        if note.planned_pa > 0.85 * note.highest_pa or note.planned_pa < note.lowest_pa:
            at_risk.append(name)
    if len(x) < 2:
        return BreathNeed(math.nan, math.nan, math.nan, tuple(dict.fromkeys(at_risk)), tuple(dict.fromkeys(hard)))
    lowest = min(math.log(n.target_hz) for n in blown.notes)
    slope, level = np.polyfit(np.asarray(x) - lowest, y, 1)
    rest = np.asarray(y) - level - slope * (np.asarray(x) - lowest)
    return BreathNeed(
        float(math.exp(level)), float(slope), float(np.sqrt(np.mean(rest**2))), tuple(dict.fromkeys(at_risk)),
        tuple(dict.fromkeys(hard)),
    )  # fmt: skip


def octave_widths(blown: Blown) -> tuple[tuple[str, str, float], ...]:
    """Return (lower note, upper note, cents beyond an octave) at the planned breaths, where a fingering has both."""
    rows = []
    for i, low in enumerate(blown.notes):
        for j, high in enumerate(blown.notes):
            same = np.array_equal(blown.network.states[i], blown.network.states[j])
            if low.register == 1 and high.register == 2 and same:
                f1, f2 = low.frequency_at(low.planned_pa), high.frequency_at(high.planned_pa)
                rows.append((low.note, high.note, cents_above(f2, f1) - 1200.0 if f1 > 0 and f2 > 0 else math.nan))
    return tuple(rows)
