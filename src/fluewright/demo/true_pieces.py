"""Virtual pieces of one shop: pieces of a model share a jet, and no two heads, bores and holes come out alike.

Invented data of the demo and of the study of 500 pieces. The truth is made by other physics than the bench's model:
other published formulas for window and tone holes, openings that do not feel each other, a jet of other constants.
Beside that come sizes off by what a shop leaves, wood that loses more or less, a room that is never at the design's
temperature, a thermometer that is off, a player whose breath wanders, a hand that cuts too much or too little, and now
and then a note played wrongly. The bench sees gauge readings, a thermometer and heard notes only.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fluewright.acoustics.jet import JetSettings
from fluewright.acoustics.network import Corrections, Rules, build_network
from fluewright.acoustics.resonance import resonances
from fluewright.acoustics.sounding import blow
from fluewright.arrays import FloatArray
from fluewright.bench.pitch_model import PitchModel
from fluewright.instrument.sizes import LENGTH, CutKind, Part, size_name
from fluewright.units import CENTS_PER_RELATIVE, cents_above, shifted

__all__ = ["Making", "TruePiece", "World"]


_TRUTH = Rules(hole_rule="dubos", window_rule="published", coupled=False)


@dataclass(frozen=True)
class World:
    """Hidden spreads of a shop, one sigma each; invented.

    Attributes
    ----------
    bore_mm, outside_mm, hole_position_mm, hole_mm, length_mm, window_length_mm, window_width_mm, edge_offset_mm : float
        How far sizes come out beside what was aimed at.
    window_share, hole_share : float
        Relative, of the openings' corrections from piece to piece.
    losses : tuple of float
        Least and most wall losses over the model's.
    note_cents : float
        What nothing else explains, note by note.
    jet_share : float
        Relative, of the jet's pull on the pitch from head to head.
    wave_speed_share, growth_share : float
        Relative, of the jet's own constants from model to model.
    gauge_mm : float
        Error of a gauge's reading.
    hand_share, hand_mm, foot_hand_mm : float
        Error of a cut: a share of it, and beside that at a hole and at the foot.
    room_c, thermometer_c : float
        The room about the design's temperature, and the thermometer's error.
    breath, breath_of_note : float
        Relative error of a trial's breath, and of each note's about it.
    listening_cents : float
        Error of a heard pitch; 0 where the notes are really sounded and heard.
    slips : float
        Chance that a note is played wrongly.
    """

    bore_mm: float = 0.03
    outside_mm: float = 0.0
    hole_position_mm: float = 0.10
    hole_mm: float = 0.04
    length_mm: float = 0.10
    window_length_mm: float = 0.05
    window_width_mm: float = 0.07
    edge_offset_mm: float = 0.015
    window_share: float = 0.02
    hole_share: float = 0.03
    losses: tuple[float, float] = (0.9, 1.3)
    note_cents: float = 0.7
    jet_share: float = 0.15
    wave_speed_share: float = 0.07
    growth_share: float = 0.06
    gauge_mm: float = 0.015
    hand_share: float = 0.05
    hand_mm: float = 0.025
    foot_hand_mm: float = 0.07
    room_c: float = 1.2
    thermometer_c: float = 0.3
    breath: float = 0.03
    breath_of_note: float = 0.04
    listening_cents: float = 0.0
    slips: float = 0.01


class Making:
    """One version of a model as this shop truly makes it: its jet is the same for all its pieces.

    Parameters
    ----------
    pitch : PitchModel
        Of the design.
    seed : sequence of int
        Of the jet; versions of one model take the same.
    world : World, optional
    """

    def __init__(self, pitch: PitchModel, seed: Sequence[int], world: World | None = None) -> None:
        rng = np.random.default_rng(seed)
        self.pitch = pitch
        self.world = world or World()
        self.jet = JetSettings(
            wave_speed=1.3 * float(np.exp(self.world.wave_speed_share * rng.standard_normal())),
            growth=0.75 * float(np.exp(self.world.growth_share * rng.standard_normal())),
        )
        notes = blow(build_network(pitch.model, rules=_TRUTH), self.jet).notes
        jet = [cents_above(n.frequency_at(n.planned_pa), n.resonance_hz) for n in notes]
        pull = [
            cents_above(n.frequency_at(1.15 * n.planned_pa), n.frequency_at(n.planned_pa / 1.15))
            / (2.0 * np.log2(1.15))
            for n in notes
        ]  # fmt: skip
        self._jet_cents = np.where(np.isfinite(jet), jet, 0.0)
        self._pull_cents = np.where(np.isfinite(pull), pull, 20.0)


class TruePiece:
    """One piece that is made: can be gauged, drilled, cut and blown, and tells nothing else to the bench.

    Parameters
    ----------
    making : Making
    seed : sequence of int
    """

    def __init__(self, making: Making, seed: Sequence[int]) -> None:
        rng = self._rng = np.random.default_rng(seed)
        world = self._world = making.world
        self._making = making
        pitch = making.pitch
        spread = {
            "head.window_length_mm": world.window_length_mm, "head.window_width_mm": world.window_width_mm,
            "head.edge_offset_mm": world.edge_offset_mm, LENGTH: world.length_mm,
        }  # fmt: skip
        common = rng.standard_normal()
        self._true: dict[str, float] = {}
        for key, design in pitch.design.items():
            name = size_name(key)
            if name.cut is CutKind.BORE:
                error = world.bore_mm * (0.8 * common + 0.6 * rng.standard_normal())
            elif name.cut is CutKind.OUTSIDE and world.outside_mm:
                error = world.outside_mm * (0.8 * common + 0.6 * rng.standard_normal())
            elif name.part is Part.HOLE and name.cut is CutKind.PLACE:
                error = world.hole_position_mm * rng.standard_normal()
            elif name.cut is CutKind.HOLE:
                error = world.hole_mm * rng.standard_normal()
            else:
                error = spread[key] * rng.standard_normal() if key in spread else 0.0
            self._true[key] = design + float(error)
        corrections = Corrections(
            window_scale=1.0 + world.window_share * float(rng.standard_normal()),
            hole_scale=1.0 + world.hole_share * float(rng.standard_normal()),
            loss_scale=float(rng.uniform(*world.losses)),
        )
        network = build_network(pitch.model, corrections=corrections, rules=_TRUTH)
        self._twin = replace(pitch, network=network)
        jet = 1.0 + world.jet_share * float(rng.standard_normal())
        self._off_cents = jet * making._jet_cents + world.note_cents * rng.standard_normal(making._jet_cents.size)

    def drill(self, nominal: Mapping[str, float]) -> None:
        """Make length and holes to other sizes than the design's; how far off they come is drawn already."""
        for key, size in nominal.items():
            self._true[key] += size - self._making.pitch.design[key]

    def gauge(self, keys: Sequence[str]) -> dict[str, float]:
        """Return gauge readings, mm by key, to 0.01 mm."""
        return {k: round(self._true[k] + self._world.gauge_mm * float(self._rng.standard_normal()), 2) for k in keys}

    def cut(self, key: str, change_mm: float, *, ran_on_mm: float = 0.0) -> None:
        """Remove material: the hand takes a little more or less than asked, never a negative amount.

        `ran_on_mm` is what a tool that ran on takes beside it.
        """
        world = self._world
        hand = world.foot_hand_mm if key == LENGTH else world.hand_mm
        done = change_mm * (1.0 + world.hand_share * self._rng.standard_normal())
        done += hand * self._rng.standard_normal() + np.copysign(ran_on_mm, change_mm)
        self._true[key] += float(max(done, 0.0) if change_mm > 0.0 else min(done, 0.0))

    def head_errors_mm(self) -> dict[str, float]:
        """Return how far the head's sizes are beside the design, mm by key; for the truth of its head trials only."""
        design = self._making.pitch.design
        return {key: self._true[key] - size for key, size in design.items() if size_name(key).part is Part.HEAD}

    def true_cents(self) -> FloatArray:
        """Return what every fingering gives in the design's air and breath, cents from its target, shape (fingerings,).

        For judging the bench, never for its use.

        Raises
        ------
        ComputeError
            A note has no resonance with these sizes.
        """
        hz = resonances(self._twin.network, sizes=self._twin.vector(self._true)).frequencies_hz
        return np.asarray(CENTS_PER_RELATIVE * np.log(hz / self._twin.network.targets_hz) + self._off_cents)

    def blown(self, times: int = 1) -> tuple[list[float], float]:
        """Return one trial: Hz of every main fingering in order, so many times over, and the thermometer, degC."""
        world, rng, pitch = self._world, self._rng, self._making.pitch
        design = pitch.model.conditions.temperature_c
        room = design + world.room_c * float(rng.standard_normal())
        warm = 600.0 * np.log2((room + 273.15) / (design + 273.15))
        breath = world.breath * rng.standard_normal()
        main = [i for i, f in enumerate(pitch.fingerings) if f.alternative == 0]
        truth = self.true_cents() + warm
        played: list[float] = []
        for _ in range(times):
            wander = breath + world.breath_of_note * rng.standard_normal(truth.size)
            cents = truth + self._making._pull_cents * wander / np.log(2.0)
            if world.listening_cents:
                cents += world.listening_cents * rng.standard_normal(truth.size)
            slips = rng.random(cents.size) < world.slips
            cents[slips] += rng.choice([-1.0, 1.0], slips.sum()) * rng.uniform(8.0, 60.0, slips.sum())
            played += (shifted(pitch.network.targets_hz, cents))[main].tolist()
        return played, room + world.thermometer_c * float(rng.standard_normal())
