"""What sounds when the instrument is blown: onset, pitch against breath, jumps between registers, for every note.

A note is a periodic motion of jet and resonator. Its branch begins at the breath where the loop's gain reaches one
(`kernels.loop.self_start`) and is followed by harmonic balance; it can be heard where no small disturbance grows
(Floquet's exponents, counted by a winding number). The upper end of that range is the jump to the next register on
rising breath, the lower end the fall back on falling breath; that they differ is the hysteresis of every flue
instrument (docs/physics/jet.md#jumps).

The model knows no lips, no throat and no unsteady hand: a skilled player holds a register further than an artificial
mouth does, so differences and ratios are worth more than absolute thresholds (docs/physics/jet.md#limits).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fluewright.acoustics.blown_modes import Modes, blown_modes
from fluewright.acoustics.branches import HARMONICS, Branch, Walker, breath_range, levels_db
from fluewright.acoustics.jet import JetLaw, JetSettings, breath_air, jet_law, silent_reasons
from fluewright.acoustics.network import Network
from fluewright.acoustics.resonance import OfFingering
from fluewright.arrays import FloatArray
from fluewright.errors import ComputeError, InputError
from fluewright.instrument.breath import breath_pressure_pa
from fluewright.instrument.fingering import Fingering
from fluewright.units import cents_above

__all__ = ["Blown", "NoteBreath", "at_notes", "blow", "breath_plan", "find_jumps", "jet_shift"]


_GRID_PA = (3.0, 12_000.0)
_GRID_ROWS = 60


@dataclass(frozen=True)
class NoteBreath(OfFingering):
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

    def check_sounds(self, name: str = "") -> None:
        """Refuse a head that cannot sound; `name` begins the message.

        Raises
        ------
        InputError
            It cannot; the message says why.
        """
        if self.reasons:
            said = "; ".join(self.reasons)
            raise InputError(f"{name}: {said}" if name else said)


def _between(at: float, x: FloatArray, y: FloatArray) -> float:
    """Return y at x = at by straight lines in ln x; NaN outside."""
    known = np.isfinite(y)
    if known.sum() < 2 or not x[known][0] <= at <= x[known][-1]:
        return math.nan
    return float(np.interp(math.log(at), np.log(x[known]), y[known]))


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
    walker = Walker(law, modes, mode)
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
    branch = Branch(pressures, frequencies, levels_db(network, modes, motions, omegas), motions)
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
            done[key] = (math.nan, math.nan) if row is None else breath_range(Walker(blown.law, blown.modes[i], row))
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


def at_notes(network: Network, chosen: Sequence[int]) -> Network:
    """Return the network with only these of its fingerings, in this order."""
    rows = list(chosen)
    return replace(
        network, fingerings=tuple(network.fingerings[i] for i in rows), states=network.states[rows],
        modes=network.modes[rows],
    )  # fmt: skip
