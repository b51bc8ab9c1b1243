"""Virtual pieces whose truth is made by other physics than the bench's model; the bench sees gauges and pitches only.

The truth: other published formulas for window and tone holes, openings that do not feel each other, a jet of other
constants, sizes off by what a shop leaves, wood that loses more or less, a room whose thermometer is off, a player
whose breath wanders, a hand that cuts too much or too little, and now and then a note that is played wrongly.
"""

from dataclasses import dataclass, replace

import numpy as np

from fluewright.acoustics.jet import JetSettings
from fluewright.acoustics.network import Corrections, Rules, build_network
from fluewright.acoustics.resonance import resonances
from fluewright.acoustics.sounding import blow
from fluewright.bench.pitch_model import PitchModel

TRUTH = Rules(hole_rule="dubos", window_rule="published", coupled=False)


@dataclass(frozen=True)
class World:
    """Hidden spreads, one sigma; invented."""

    bore_mm: float = 0.03
    hole_position_mm: float = 0.10
    hole_mm: float = 0.04
    length_mm: float = 0.10
    window_length_mm: float = 0.07
    window_width_mm: float = 0.07
    edge_offset_mm: float = 0.04
    window_share: float = 0.02
    hole_share: float = 0.03
    losses: tuple[float, float] = (0.9, 1.3)
    note_cents: float = 0.7
    jet_share: float = 0.15
    gauge_mm: float = 0.015
    hand_share: float = 0.05
    hand_mm: float = 0.025
    foot_hand_mm: float = 0.07
    room_c: float = 2.0
    thermometer_c: float = 0.3
    breath: float = 0.03
    breath_of_note: float = 0.04
    listening_cents: float = 0.3
    slips: float = 0.02


class Making:
    """One model as it truly is: its jet, the same for all its pieces."""

    def __init__(self, pitch: PitchModel, seed: int, world: World | None = None) -> None:
        rng = np.random.default_rng([seed, 99])
        self.pitch = pitch
        self.world = world or World()
        settings = JetSettings(
            wave_speed=1.3 * float(np.exp(0.08 * rng.standard_normal())),
            growth=0.75 * float(np.exp(0.07 * rng.standard_normal())),
        )
        network = build_network(pitch.model, rules=TRUTH)
        notes = blow(network, settings).notes
        jet = [1200.0 * np.log2(n.frequency_at(n.planned_pa) / n.resonance_hz) for n in notes]
        pull = [
            1200.0 * np.log2(n.frequency_at(1.15 * n.planned_pa) / n.frequency_at(n.planned_pa / 1.15))
            / (2.0 * np.log2(1.15))
            for n in notes
        ]  # fmt: skip
        self.jet_cents = np.where(np.isfinite(jet), jet, 0.0)
        self.pull_cents = np.where(np.isfinite(pull), pull, 20.0)
        self.network = network


class Piece:
    """One made piece: head and bore first, then cut off and drilled to `nominal`."""

    def __init__(self, making: Making, seed: list[int]) -> None:
        rng = self.rng = np.random.default_rng(seed)
        world = self.world = making.world
        self.making = making
        pitch = making.pitch
        spread = {
            "head.window_length_mm": world.window_length_mm, "head.window_width_mm": world.window_width_mm,
            "head.edge_offset_mm": world.edge_offset_mm, "length_mm": world.length_mm,
        }  # fmt: skip
        common = rng.standard_normal()
        self.true: dict[str, float] = {}
        for key, design in pitch.design.items():
            if key.endswith(".diameter") and key.startswith("bore."):
                error = world.bore_mm * (0.8 * common + 0.6 * rng.standard_normal())
            elif key.endswith("position_mm"):
                error = world.hole_position_mm * rng.standard_normal()
            elif key.endswith("diameter_mm"):
                error = world.hole_mm * rng.standard_normal()
            elif key in spread:
                error = spread[key] * rng.standard_normal()
            else:
                error = 0.0
            self.true[key] = design + float(error)
        self.corrections = Corrections(
            window_scale=1.0 + world.window_share * float(rng.standard_normal()),
            hole_scale=1.0 + world.hole_share * float(rng.standard_normal()),
            loss_scale=float(rng.uniform(*world.losses)),
        )
        self.network = build_network(pitch.model, corrections=self.corrections, rules=TRUTH)
        self.twin = replace(pitch, network=self.network)
        jet = 1.0 + world.jet_share * float(rng.standard_normal())
        self.off_cents = jet * making.jet_cents + world.note_cents * rng.standard_normal(making.jet_cents.size)

    def drill(self, nominal: dict[str, float]) -> None:
        """Make length and holes to other sizes than the design's; how far off they come is drawn already."""
        for key, size in nominal.items():
            self.true[key] += size - self.making.pitch.design[key]

    def gauge(self, keys: list[str]) -> dict[str, float]:
        return {k: round(self.true[k] + self.world.gauge_mm * float(self.rng.standard_normal()), 2) for k in keys}

    def cut(self, key: str, change_mm: float) -> None:
        world = self.world
        hand = world.foot_hand_mm if key == "length_mm" else world.hand_mm
        done = change_mm * (1.0 + world.hand_share * self.rng.standard_normal()) + hand * self.rng.standard_normal()
        self.true[key] += max(done, 0.0) if change_mm > 0.0 else min(done, 0.0)

    def cents(self) -> np.ndarray:
        """Return what every fingering really gives in the design's air at the planned breath; to judge by."""
        hz = resonances(self.network, sizes=self.twin.vector(self.true)).frequencies_hz
        return 1200.0 * np.log2(hz / self.network.targets_hz) + self.off_cents

    def play(self, times: int = 3) -> tuple[dict[int, list[float]], float]:
        """Return (Hz of every main fingering, each played some times, and what the thermometer says)."""
        world, rng, pitch = self.world, self.rng, self.making.pitch
        design = pitch.model.conditions.temperature_c
        room = design + world.room_c * rng.standard_normal()
        warm = 1200.0 * np.log2(np.sqrt((room + 273.15) / (design + 273.15)))
        breath = world.breath * rng.standard_normal()
        truth = self.cents() + warm
        main = [i for i, f in enumerate(pitch.fingerings) if f.alternative == 0]
        heard: dict[int, list[float]] = {i: [] for i in main}
        for _ in range(times):
            wander = breath + world.breath_of_note * rng.standard_normal(truth.size)
            cents = truth + self.making.pull_cents * wander / np.log(2.0)
            cents += world.listening_cents * rng.standard_normal(truth.size)
            slips = rng.random(truth.size) < world.slips
            cents[slips] += rng.choice([-1.0, 1.0], slips.sum()) * rng.uniform(8.0, 60.0, slips.sum())
            for i in main:
                heard[i].append(float(self.network.targets_hz[i] * 2.0 ** (cents[i] / 1200.0)))
        return heard, float(room + world.thermometer_c * rng.standard_normal())
