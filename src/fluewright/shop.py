"""Where bench and records meet: trials out of the ledger, advice and cuts into it, plain rows for showing."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fluewright import __version__
from fluewright.bench.calibration import PlayedTrial
from fluewright.bench.cuts import CutProposal
from fluewright.bench.session import Advice
from fluewright.instrument.files import model_from_text
from fluewright.instrument.fingering import Fingering, fingerings_of
from fluewright.instrument.model import Model
from fluewright.ledger import Cut, Ledger, Trial, TrialNote, open_ledger

__all__ = [
    "ANALYSIS_VERSION", "cut_forecast", "earlier_trials", "history_rows", "log_heard", "overview", "trial_notes",
]  # fmt: skip

ANALYSIS_VERSION = f"fluewright-listening/{__version__}"


def trial_notes(
    fingerings: tuple[Fingering, ...],
    targets_hz: NDArray[np.float64],
    heard: Mapping[int, tuple[float, float]],
) -> list[TrialNote]:
    """Return the heard notes as the ledger keeps them."""
    return [
        TrialNote(
            note=fingerings[i].note,
            register=fingerings[i].register,
            target_hz=float(targets_hz[i]),
            frequency_hz=f,
            frequency_uncertainty_hz=s,
            cents=float(1200.0 * np.log2(f / targets_hz[i])),
        )
        for i, (f, s) in sorted(heard.items())
    ]


def cut_forecast(cut: CutProposal, fingerings: tuple[Fingering, ...]) -> dict[str, Any]:
    """Return a proposal's forecast as plain data."""
    return {
        "note": cut.note,
        "overshoot_chance": cut.overshoot,
        "aim_mm": cut.after_mm,
        "cents_after": {
            f"{f.note} {f.register}": round(float(cut.cents_after[i]), 2) for i, f in enumerate(fingerings)
        },
        "sigma_after": {
            f"{f.note} {f.register}": round(float(cut.sigma_after[i]), 2) for i, f in enumerate(fingerings)
        },
    }


def earlier_trials(ledger: Path, serial: str) -> tuple[dict[str, float], list[PlayedTrial]]:
    """Return (present sizes, all trials so far) of a piece, as the bench takes them."""
    with open_ledger(ledger, create=False) as book:
        piece = book.instrument(serial)
        model = model_from_text(
            book.model(piece.model_name, piece.model_version).toml_text,
            place=f"{piece.model_name} in the ledger",
        )
        index = {(f.note, f.register): i for i, f in reversed(list(enumerate(fingerings_of(model))))}
        trials = []
        for event in book.history(serial):
            if isinstance(event, Trial):
                notes = {
                    index[(n.note, n.register)]: (n.frequency_hz, n.frequency_uncertainty_hz)
                    for n in event.notes
                    if (n.note, n.register) in index
                }
                trials.append(PlayedTrial(dict(event.as_built_after), notes))
        return dict(piece.as_built), trials


def log_heard(
    ledger: Path,
    serial: str,
    advice: Advice,
    trial: PlayedTrial,
    recording_sha256: str,
    recording_name: str,
    model: Model,
    temperature_c: float | None,
) -> None:
    """Record one new trial of a piece."""
    with open_ledger(ledger, create=False) as book:
        book.log_trial(
            serial,
            temperature_c=model.conditions.temperature_c if temperature_c is None else temperature_c,
            relative_humidity=model.conditions.relative_humidity,
            recording_sha256=recording_sha256,
            recording_name=recording_name,
            analysis_version=ANALYSIS_VERSION,
            notes=trial_notes(advice.fingerings, advice.targets_hz, trial.notes),
            as_built=dict(trial.as_built),
        )


def overview(ledger: Path) -> dict[str, Any]:
    """Return models and instruments of a ledger as plain data."""
    with open_ledger(ledger, create=False) as book:
        return {
            "models": [
                {"name": m.name, "version": m.version, "added_at": m.added_at.isoformat(timespec="seconds")}
                for m in book.models()
            ],
            "instruments": [
                {
                    "serial": i.serial,
                    "model": i.model_name,
                    "version": i.model_version,
                    "state": str(i.state),
                    "material": i.material,
                    "as_built": dict(i.as_built),
                }
                for i in book.instruments()
            ],
        }


def history_rows(ledger: Path, serial: str) -> list[dict[str, Any]]:
    """Return the events of one piece as plain rows, oldest first."""
    with open_ledger(ledger, create=False) as book:
        return [_row(event) for event in _history(book, serial)]


def _history(book: Ledger, serial: str) -> list[Any]:
    book.instrument(serial)
    return list(book.history(serial))


def _row(event: Any) -> dict[str, Any]:
    if isinstance(event, Trial):
        first = [n for n in event.notes if n.register == 1]
        worst = max((n.cents for n in first), key=abs, default=float("nan"))
        says = f"{len(event.notes)} notes from {event.recording_name}, worst of register 1 {worst:+.1f} cents"
    elif isinstance(event, Cut):
        says = f"{event.feature}: {event.before_mm:.2f} to {event.after_mm:.2f} mm"
    else:
        says = ""
    return {
        "event": event.event_id,
        "what": type(event).__name__.lower(),
        "when": event.recorded_at.isoformat(timespec="seconds"),
        "says": says,
        "corrected": event.corrected,
    }
