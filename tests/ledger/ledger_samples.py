"""Sample records that several tests of the ledger use."""

from fluewright.ledger import Instrument, Ledger, TrialNote

MODEL = 'format = "fluewright-model/1"\n[model]\nname = "d5-cylinder"\n'
AS_BUILT = {
    "hole 3 diameter_mm": 6.20,
    "hole 4 diameter_mm": 7.10,
    "block_depth_mm": -0.15,
    "ramp_angle_deg": 14.5,
}


def a_note(**changes: object) -> TrialNote:
    said: dict = {
        "note": "D5",
        "register": 1,
        "target_hz": 590.0,
        "frequency_hz": 588.3,
        "frequency_uncertainty_hz": 0.05,
        "cents": -5.0,
    }
    return TrialNote(**(said | changes))


TRIAL: dict = {
    "temperature_c": 21.5,
    "relative_humidity": 0.45,
    "breath_pa": 180,
    "recording_sha256": "ab" * 32,
    "recording_name": "D5-0001 second trial.wav",
    "analysis_version": "3",
    "notes": [a_note(), a_note(register=2, target_hz=1180.0, frequency_hz=1185.0, cents=7.3)],
    "as_built": {},
}

CUT: dict = {
    "feature": "hole 3 diameter_mm",
    "before_mm": 6.20,
    "after_mm": 6.40,
    "tool": "taper reamer",
    "reason": "G5 is 12 cents flat",
    "forecast": {"cents": {"G5": -2.0}, "risk": 0.05},
    "as_built_after": {},
}

HEAD_TRIAL: dict = {
    "temperature_c": 21.5,
    "body": "good body",
    "good": True,
    "analysis_version": "3",
    "readings": {"format": "sample/1", "notes": [{"note": "D5", "jump_pa": [280.0, 8.0]}]},
    "as_built": {"window_length_mm": 4.6},
    "remarks": "after lunch",
}

ADJUSTMENT: dict = {
    "adjustment": "block-forward",
    "title": "block forward by 0.1 mm",
    "steps": 2,
    "changes": {"block_depth_mm": 0.2},
    "reason": "octave narrow",
    "forecast": {"readings": [{"note": "D5", "change": -3.0}]},
    "as_built_after": {"block_depth_mm": 0.05},
}


def begin(ledger: Ledger) -> Instrument:
    """Enter the sample model and a first piece of it."""
    ledger.add_model("d5-cylinder", MODEL)
    return ledger.add_instrument(
        ledger.next_serial("D5"), "d5-cylinder", 1, material="plum wood", lot="P-14", as_built=AS_BUILT
    )
