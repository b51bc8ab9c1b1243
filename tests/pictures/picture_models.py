"""Models and marks that the picture tests draw."""

import random

from fluewright.instrument.fingering import fingerings_of, governing_hole
from fluewright.instrument.model import Model
from fluewright.pictures.results import MarkKind, NoteMark

SCALE_1 = {
    "D5": "cccccc",
    "E5": "ccccco",
    "F#5": "ccccoo",
    "G5": "cccooo",
    "A5": "ccoooo",
    "B5": "cooooo",
    "C#6": "oooooo",
}
SCALE_2 = {
    "D6": "occccc",
    "E6": "ccccco",
    "F#6": "ccccoo",
    "G6": "cccooo",
    "A6": "ccoooo",
    "B6": "cooooo",
}


def whistle(name: str = "d5-cylinder") -> Model:
    """Six holes in a cylinder."""
    places = [(118.0, 6.0), (138.4, 6.5), (158.7, 6.0), (179.1, 5.5), (197.3, 7.5), (219.6, 5.0)]
    return Model.model_validate(
        {
            "model": {"name": name, "lowest_note": "D5", "material": "plum wood"},
            "target": {"a4_hz": 442.0},
            "conditions": {"temperature_c": 23.0},
            "bore": {
                "stations_mm": [[-2.0, 12.0], [262.5, 12.0]],
                "outside_mm": [[-32.0, 15.0], [262.5, 15.0]],
            },
            "head": {
                "window_length_mm": 5.0,
                "window_width_mm": 7.0,
                "edge_offset_mm": -0.3,
                "windway": {
                    "length_mm": 30.0,
                    "width_mm": 7.0,
                    "entry_height_mm": 1.3,
                    "exit_height_mm": 0.9,
                    "floor_height_mm": 0.2,
                },
                "upper_chamfer": {"length_mm": 0.4, "angle_deg": 45.0},
                "lower_chamfer": {"length_mm": 0.5, "angle_deg": 45.0},
            },
            "holes": [{"name": str(i + 1), "position_mm": x, "diameter_mm": d} for i, (x, d) in enumerate(places)],
            "fingerings": {"register_1": SCALE_1, "register_2": SCALE_2},
        }
    )


def tapered_eight_hole() -> Model:
    """Thumb hole, seven finger holes, a taper with many stations, a chromatic scale."""
    count = 12
    stations = [[-1.0, 19.0]] + [[30.0 * i + 8.0, 19.0 - 0.55 * i] for i in range(count)] + [[520.0, 12.2]]
    places = [(178.0, 5.2), (196.0, 5.5), (228.0, 6.0), (259.0, 6.2),
              (292.0, 6.0), (321.0, 5.8), (354.0, 6.0), (386.0, 6.4)]  # fmt: skip
    base = ["F4", "F#4", "G4", "G#4", "A4", "A#4", "B4", "C5", "C#5", "D5", "D#5", "E5", "F5"]
    upper = ["F#5", "G5", "G#5", "A5", "A#5", "B5", "C6", "C#6", "D6", "D#6", "E6", "F6", "G6"]
    shapes = ["cccccccc", "ccccccch", "ccccccco", "cccccchc", "ccccccoo", "ccccccoc", "cccccooo",
              "ccccoooo", "cccocooo", "cccooooo", "cchooooo", "ccoooooo", "coccoooo"]  # fmt: skip
    return Model.model_validate(
        {
            "model": {"name": "f4-taper", "lowest_note": "F4"},
            "bore": {"stations_mm": stations, "outside_mm": [[-60.0, 30.0], [0.0, 29.0], [520.0, 22.0]]},
            "head": {
                "window_length_mm": 5.6,
                "window_width_mm": 12.5,
                "block_depth_mm": -0.5,
                "windway": {
                    "length_mm": 60.0,
                    "width_mm": 12.5,
                    "entry_height_mm": 1.9,
                    "exit_height_mm": 1.1,
                    "entry_flare_mm": 0.4,
                    "floor_height_mm": 0.8,
                },
                "upper_chamfer": {"length_mm": 0.6},
                "lower_chamfer": {"length_mm": 0.4},
            },
            "holes": [
                {
                    "name": "thumb" if i == 0 else f"finger {i}",
                    "position_mm": x,
                    "diameter_mm": d,
                    "angle_deg": 180.0 if i == 0 else (25.0 if i == 7 else 0.0),
                    "undercut": {"all_round_mm": 0.3, "upstream_mm": 0.5 if i == 3 else 0.0},
                }
                for i, (x, d) in enumerate(places)
            ],
            "fingerings": {
                "register_1": dict(zip(base, shapes, strict=True)),
                "register_2": dict(zip(upper, ["h" + s[1:] for s in shapes], strict=True)),
                "register_3": {"A6": "hccocooo"},
            },
        }
    )


def large_flute() -> Model:
    """A body too long and too wide for one sheet of the template."""
    return Model.model_validate(
        {
            "model": {"name": "c3-large", "lowest_note": "C3"},
            "bore": {
                "stations_mm": [[-5.0, 62.0], [1180.0, 60.0]],
                "outside_mm": [[-90.0, 78.0], [1180.0, 74.0]],
            },
            "head": {
                "window_length_mm": 14.0,
                "window_width_mm": 36.0,
                "windway": {
                    "length_mm": 90.0,
                    "width_mm": 36.0,
                    "entry_height_mm": 3.0,
                    "exit_height_mm": 2.2,
                    "floor_height_mm": 1.0,
                },
            },
            "holes": [{"name": str(i + 1), "position_mm": 560.0 + 95.0 * i, "diameter_mm": 18.0 - i} for i in range(6)],
            "fingerings": {"register_1": {"C3": "cccccc", "D3": "ccccco", "A3": "oooooo"}},
            "limits": {"largest_hole_mm": 20.0},
        }
    )


ALL_KINDS: tuple[MarkKind, ...] = ("predicted", "measured", "forecast")


def marks_for(
    model: Model, *, seed: int = 1, spread: float = 6.0, kinds: tuple[MarkKind, ...] = ALL_KINDS
) -> list[NoteMark]:
    """Marks with scattered cents for every fingering."""
    rng = random.Random(seed)
    marks = []
    for fingering in fingerings_of(model):
        hole = governing_hole(fingering)
        cents = rng.gauss(0.0, spread)
        for kind in kinds:
            if kind == "forecast" and rng.random() < 0.6:
                continue
            value = cents * 0.3 if kind == "forecast" else cents + rng.gauss(0.0, 2.0)
            spread_cents = {"predicted": 4.0, "measured": 0.8, "forecast": 2.0}[kind]
            marks.append(NoteMark(fingering.note, fingering.register, value, spread_cents, kind, hole))
    return marks
