"""What each adjustment of a head does: one usual step, and its effect on every quantity a maker listens for.

The step is made in the model and the blown instrument is computed again. Where the equations carry the effect its
evidence is "computed", with a band from what the jet's theory leaves open; where only the trade's habit tells the
direction it is "practice". A shop's own trials later turn them into "measured here" (`bench`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fluewright.acoustics.breath_need import octave_widths
from fluewright.acoustics.jet import JetSettings, turbulent_share
from fluewright.acoustics.kernels.offsets import EDGE_OFFSET, EDGE_THICKNESS
from fluewright.acoustics.network import build_network
from fluewright.acoustics.sounding import Blown, NoteBreath, at_notes, blow, find_jumps
from fluewright.errors import ComputeError, InputError
from fluewright.grades import Grade
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import sizes_of, with_sizes

__all__ = ["ADJUSTMENTS", "QUANTITIES", "Adjustment", "Effect", "VoicingEffect", "voicing_effects"]


@dataclass(frozen=True)
class Adjustment:
    """One thing that a maker does to a head.

    Attributes
    ----------
    key, title : str
        Name in files, and what is said on screen.
    steps : tuple of (str, float)
        Size of the model and its change, mm or degrees, for one usual step (trade habit: common practice, no source).
    undo : str
        How it is undone; empty when it cannot be.
    practice : tuple of (str, str)
        What the trade says of quantities that the equations do not carry: (quantity, "+" or "-" or "0").
    caution : str
    """

    key: str
    title: str
    steps: tuple[tuple[str, float], ...]
    undo: str = ""
    practice: tuple[tuple[str, str], ...] = ()
    caution: str = ""

    @property
    def reversible(self) -> bool:
        """Return whether it can be undone."""
        return bool(self.undo)


_H = "head."
_W = "head.windway."
ADJUSTMENTS: tuple[Adjustment, ...] = (
    Adjustment(
        "window-longer", "cut the edge back: window longer by 0.1 mm", ((_H + "window_length_mm", 0.1),),
        caution="never twice without replaying the top notes",
    ),
    Adjustment(
        "block-forward", "block forward by 0.1 mm (over the window)", ((_H + "block_depth_mm", 0.1),),
        "draw the block back",
    ),
    Adjustment("block-back", "block back by 0.1 mm", ((_H + "block_depth_mm", -0.1),), "push the block forward"),
    Adjustment(
        "windway-higher", "floor of the windway down by 0.03 mm",
        ((_W + "exit_height_mm", 0.03), (_W + "entry_height_mm", 0.03), (_H + "edge_offset_mm", 0.015)),
        "shim under the block, or a new block",
    ),
    Adjustment(
        "windway-lower", "shim the block up by 0.03 mm: windway lower",
        ((_W + "exit_height_mm", -0.03), (_W + "entry_height_mm", -0.03), (_H + "edge_offset_mm", -0.015)),
        "take the shim out",
    ),
    Adjustment(
        "windway-taper", "open the windway's entry by 0.1 mm", ((_W + "entry_height_mm", 0.1),),
        practice=(("attack", "+"),),
    ),
    Adjustment("entry-flare", "round the windway's entry by 0.5 mm", ((_W + "entry_flare_mm", 0.5),)),
    Adjustment(
        "edge-outward", "edge nearer the jet's centre by 0.05 mm (larger view)", ((_H + "edge_offset_mm", 0.05),),
        practice=(("hiss", "+"),), caution="hard to undo: only a new ramp, with a longer window",
    ),
    Adjustment(
        "edge-inward", "edge lower by 0.05 mm (smaller view)", ((_H + "edge_offset_mm", -0.05),),
        practice=(("hiss", "-"),), caution="hard to undo: only a new ramp, with a longer window",
    ),
    Adjustment(
        "edge-break", "break the edge by 0.05 mm more", ((_H + "broken_edge_mm", 0.05),),
        practice=(("hiss", "-"), ("attack", "-")), caution="never with a hard tool in passing",
    ),
    Adjustment(
        "lower-chamfer", "lower chamfer longer by 0.1 mm", ((_H + "lower_chamfer.length_mm", 0.1),),
        practice=(("hiss", "+"), ("attack", "+")), caution="never both chamfers at once",
    ),
    Adjustment(
        "upper-chamfer", "upper chamfer longer by 0.1 mm", ((_H + "upper_chamfer.length_mm", 0.1),),
        practice=(("hiss", "+"), ("attack", "-")), caution="never both chamfers at once; over a quarter of W: hiss",
    ),
    Adjustment(
        "lower-chamfer-angle", "lower chamfer steeper by 5 degrees", ((_H + "lower_chamfer.angle_deg", 5.0),),
    ),
    Adjustment(
        "upper-chamfer-angle", "upper chamfer steeper by 5 degrees", ((_H + "upper_chamfer.angle_deg", 5.0),),
    ),
    Adjustment("ears-lower", "ears lower by 0.5 mm", ((_H + "ear_height_mm", -0.5),)),
)  # fmt: skip
"""The adjustments of docs/trade/voicing.md#adjustments, each with its usual step."""

QUANTITIES: dict[str, tuple[str, str]] = {
    "pitch-low": ("pitch, register 1", "cents"),
    "pitch-high": ("pitch, register 2", "cents"),
    "octave": ("octave width", "cents"),
    "onset-low": ("least breath, register 1", "%"),
    "onset-high": ("least breath, register 2", "%"),
    "jump": ("breath at which the lowest note jumps", "%"),
    "fall-back": ("breath at which it falls back", "%"),
    "attack": ("speed of the attack", "%"),
    "air": ("air used", "%"),
    "level": ("loudness", "dB"),
    "hiss": ("hiss against tone", "dB"),
}
"""Key -> (what it is called, its unit)."""


@dataclass(frozen=True)
class Effect:
    """Change of one quantity by one step, its one-sigma uncertainty, and what that rests on.

    With practice as evidence `value` is +1, 0 or -1: a direction, not a size.
    """

    quantity: str
    value: float
    uncertainty: float
    evidence: Grade


@dataclass(frozen=True)
class VoicingEffect:
    """All effects of one adjustment on one model; `reason` says why it cannot be made, then effects is empty."""

    adjustment: Adjustment
    effects: tuple[Effect, ...]
    reason: str = ""

    def of(self, quantity: str) -> Effect | None:
        """Return the effect on one quantity, the modelled one first."""
        return next((e for e in self.effects if e.quantity == quantity), None)


def full_ears_mm(model: Model) -> float:
    """Return how high over the edge the window's side walls stand where nothing was taken off, mm."""
    sizes = build_network(model).sizes
    head, bore = model.head, model.bore
    outside = float(np.interp(0.0, *np.asarray(bore.outside_mm).T))
    inside = float(np.interp(0.0, *np.asarray(bore.stations_mm).T))
    at_side = math.sqrt(max(outside**2 - head.window_width_mm**2, 0.0))
    return 0.5 * (at_side - inside) - 1e3 * float(sizes[EDGE_OFFSET] + sizes[EDGE_THICKNESS])


def adjusted(model: Model, adjustment: Adjustment, *, steps: float = 1.0) -> Model:
    """Return the model after an adjustment, checked anew.

    Raises
    ------
    ModelError
        The result is impossible.
    """
    now = {s.key: s.value for s in sizes_of(model)}
    now.setdefault("head.ear_height_mm", full_ears_mm(model))
    return with_sizes(model, {key: now[key] + steps * change for key, change in adjustment.steps})


def _chosen(model: Model) -> list[int]:
    """Return rows of the lowest, a middle and the highest note of register 1, then their octaves on the same fingering.

    Where a fingering has no second register, the lowest and the highest note of register 2 are taken.
    """
    network = build_network(model)
    by_register = {
        r: sorted((i for i, f in enumerate(network.fingerings) if f.register == r), key=lambda i: network.targets_hz[i])
        for r in (1, 2)
    }
    low, high = by_register[1] or by_register[2], by_register[2]
    rows = [low[0], low[len(low) // 2], low[-1]]
    octaves = [j for i in rows for j in high if np.array_equal(network.states[i], network.states[j])]
    if len(octaves) < 2 and high:
        octaves += [high[0], high[-1]]
    return list(dict.fromkeys(rows + octaves))


def _blown(model: Model, rows: Sequence[int], settings: JetSettings) -> Blown:
    return blow(at_notes(build_network(model), rows), settings, points=24)


def _mean(values: Sequence[float]) -> float:
    known = [v for v in values if math.isfinite(v)]
    return float(np.mean(known)) if known else math.nan


def _hiss(blown: Blown, note: NoteBreath) -> float:
    """Return the level of the jet's noise at the planned breath, dB, unscaled: its pressure times its speed.

    Dipole sound goes as U**3 (docs/physics/synthesis.md#hiss).
    """
    law = blown.law
    speed = float(np.interp(note.planned_pa, law.pressures_pa, law.speeds))
    reynolds = float(np.interp(note.planned_pa, law.pressures_pa, [f.reynolds for f in law.flows]))
    quiet, turbulent = blown.settings.noise
    share = float(turbulent_share(reynolds))
    return 20.0 * math.log10((quiet + share * (turbulent - quiet)) * speed**3)


def _quantities(blown: Blown) -> dict[str, float]:
    """Return the value of every quantity, logarithms of those that are compared in per cent."""
    low = [n for n in blown.notes if n.register == 1]
    high = [n for n in blown.notes if n.register == 2]
    lowest = replace(blown, network=at_notes(blown.network, [0]), modes=blown.modes[:1], notes=blown.notes[:1])
    jump = find_jumps(lowest).notes[0]

    def log(value: float) -> float:
        return math.log(value) if value > 0.0 and math.isfinite(value) else math.nan

    return {
        "pitch-low": _mean([n.planned_cents for n in low]),
        "pitch-high": _mean([n.planned_cents for n in high]),
        "octave": _mean([width for _, _, width in octave_widths(blown)]),
        "onset-low": _mean([log(n.onset_pa) for n in low]),
        "onset-high": _mean([log(n.onset_pa) for n in high]),
        "jump": log(jump.highest_pa),
        "fall-back": log(jump.fall_back_pa),
        "attack": _mean([log(n.growth_per_s) for n in blown.notes]),
        "air": _mean([log(n.flow_l_per_min) for n in blown.notes]),
        "level": _mean([n.level_db_at(n.planned_pa) for n in blown.notes]),
        "hiss": _mean([_hiss(blown, n) - n.level_db_at(n.planned_pa) for n in blown.notes]),
    }


def _difference(before: dict[str, float], after: dict[str, float]) -> dict[str, float]:
    return {
        key: 100.0 * math.expm1(after[key] - before[key]) if QUANTITIES[key][1] == "%" else after[key] - before[key]
        for key in QUANTITIES
    }


def _variants(settings: JetSettings) -> tuple[JetSettings, ...]:
    """Return the settings, then each of what theory leaves open moved by one sigma."""
    return (
        settings,
        replace(settings, wave_speed=1.15 * settings.wave_speed),
        replace(settings, growth=1.15 * settings.growth),
        replace(settings, contraction=1.15 * settings.contraction),
        replace(settings, chamfer_share=0.5 * settings.chamfer_share, tilt=0.0),
    )


def voicing_effects(
    model: Model, settings: JetSettings | None = None, *, adjustments: Sequence[Adjustment] = ADJUSTMENTS
) -> tuple[VoicingEffect, ...]:
    """Return what one usual step of every adjustment does to a model.

    Pitches and levels are taken at the model's planned breath, over the lowest, a middle and the highest note of both
    registers; jump and fall back on the lowest note. Uncertainty (one sigma): the spread over the jet's open
    settings, and a quarter of the effect for what no setting covers.

    Raises
    ------
    InputError
        The head cannot sound at all; the message says why.
    ComputeError
        A fingering has no resonance.
    """
    settings = settings or JetSettings()
    rows = _chosen(model)
    variants = _variants(settings)
    base = []
    for variant in variants:
        blown = _blown(model, rows, variant)
        blown.check_sounds()
        base.append(_quantities(blown))
    found = []
    for adjustment in adjustments:
        try:
            changed = adjusted(model, adjustment)
            after = [_blown(changed, rows, variant) for variant in variants]
        except (InputError, ComputeError) as error:
            found.append(VoicingEffect(adjustment, (), str(error)))
            continue
        if after[0].reasons:
            found.append(VoicingEffect(adjustment, (), "; ".join(after[0].reasons)))
            continue
        differences = [_difference(b, _quantities(a)) for b, a in zip(base, after, strict=True)]
        habits = dict(adjustment.practice)
        effects = []
        for key in QUANTITIES:
            value = differences[0][key]
            if key in habits:
                effects.append(Effect(key, {"+": 1.0, "0": 0.0, "-": -1.0}[habits[key]], 0.0, Grade.PRACTICE))
            elif math.isfinite(value):
                spread = [d[key] - value for d in differences[1:] if math.isfinite(d[key])]
                sigma = math.sqrt(sum(v * v for v in spread) + (0.25 * value) ** 2)
                effects.append(Effect(key, value, sigma, Grade.COMPUTED))
        found.append(VoicingEffect(adjustment, tuple(effects)))
    return tuple(found)
