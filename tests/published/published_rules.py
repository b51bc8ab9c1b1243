"""One place that says which formulas the published numbers stand on, and the plain tubes they are tried on."""

from dataclasses import replace
from typing import Any

from fluewright.acoustics.network import PUBLISHED, Rules
from fluewright.instrument.files import validate_model
from fluewright.instrument.model import Model

__all__ = ["lossless_rules", "published_rules", "tube_model", "tube_of"]


def published_rules() -> Rules:
    """Return the rules of docs/physics/network.md#reference-instrument: single holes in a chain, plain window."""
    return PUBLISHED


def lossless_rules() -> Rules:
    """Return the same without any dissipation, and with a thin foot: for rules that hold without losses."""
    return replace(published_rules(), lossy=False, radiate=False, thick_foot=False)


def tube_model(**changes: Any) -> dict[str, Any]:
    """Return the raw sizes of a tube without holes, 14 mm bore and 280 mm long; mm. Named tables are replaced."""
    raw: dict[str, Any] = {
        "format": "fluewright-model/1",
        "model": {"name": "tube", "lowest_note": "C5"},
        "conditions": {},
        "bore": {"stations_mm": [[-30.0, 14.0], [280.0, 14.0]], "outside_mm": [[-30.0, 20.0], [280.0, 20.0]]},
        "head": {
            "window_length_mm": 5.0,
            "window_width_mm": 9.0,
            "ramp_angle_deg": 25.0,
            "block_depth_mm": 0.0,
            "windway": {"length_mm": 30.0, "width_mm": 9.0, "entry_height_mm": 1.0, "exit_height_mm": 0.9},
        },
        "holes": [],
        "fingerings": {
            "register_1": {"C5": ""},
            "register_2": {"C6": ""},
            "register_3": {"G6": ""},
        },
    }
    for key, value in changes.items():
        table = raw.get(key)
        merge = isinstance(table, dict) and isinstance(value, dict) and key != "fingerings"
        raw[key] = {**table, **value} if merge else value
    return raw


def tube_of(**changes: Any) -> Model:
    """Return the tube as a model."""
    return validate_model(tube_model(**changes))
