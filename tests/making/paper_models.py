"""A model whose every printed number differs from its neighbours, so that a column in the place of another shows."""

from fluewright.instrument.files import validate_model
from fluewright.instrument.starting import load

FINGERS = (
    "left thumb", "left index", "left middle", "left ring", "right index", "right middle", "right ring", "right little",
)  # fmt: skip


def distinct():
    """Return an eight-hole model with a step in bore and outside, every kind of cut, and no two sizes alike."""
    raw = load("c5-eight-hole").model_dump()
    raw["model"] |= {"name": "plain", "description": "", "material": ""}
    raw["bore"] = {
        "stations_mm": [(-43.21, 13.263), (61.37, 13.187), (61.37, 12.741), (233.19, 11.418), (286.73, 10.629)],
        "outside_mm": [(-42.09, 23.41), (83.57, 22.53), (83.57, 21.79), (286.73, 19.17)],
    }
    raw["head"] |= {
        "window_length_mm": 4.13, "window_width_mm": 9.27, "ramp_angle_deg": 16.4, "ear_height_mm": 1.86,
        "edge_offset_mm": -0.33, "block_depth_mm": -0.24, "broken_edge_mm": 0.14,
    }  # fmt: skip
    raw["head"]["windway"] |= {
        "length_mm": 42.57, "width_mm": 9.04, "entry_height_mm": 1.17, "exit_height_mm": 0.91, "entry_flare_mm": 0.43,
        "floor_height_mm": 0.07,
    }  # fmt: skip
    raw["head"]["upper_chamfer"] = {"length_mm": 0.52, "angle_deg": 41.5}
    raw["head"]["lower_chamfer"] = {"length_mm": 0.38, "angle_deg": 37.0}
    turned = (180.0, -12.5, 3.5, 8.25, -4.5, 5.5, 9.25, 21.5)
    for i, (hole, finger) in enumerate(zip(raw["holes"], FINGERS, strict=True)):
        hole |= {
            "position_mm": hole["position_mm"] + 0.01 * (i + 1), "diameter_mm": 5.61 + 0.13 * i,
            "angle_deg": turned[i], "finger": finger, "outer_round_mm": 0.21 + 0.01 * i,
            "inner_chamfer_mm": 0.31 + 0.01 * i, "waist_mm": 0.05 + 0.01 * i,
        }  # fmt: skip
        hole["undercut"] = {
            "all_round_mm": 0.41 + 0.01 * i, "upstream_mm": 0.61 + 0.01 * i, "downstream_mm": 0.81 + 0.01 * i,
            "angle_deg": 31.0 + i,
        }  # fmt: skip
    raw["conditions"] |= {"temperature_c": -3.5, "relative_humidity": 0.37, "pressure_pa": 98700.0}
    raw["target"] |= {"a4_hz": 442.5, "tolerance_cents": 6.5}
    raw["target"]["breath"] |= {"lowest_note_pa": 163.0, "exponent": 1.21}
    return validate_model(raw)
