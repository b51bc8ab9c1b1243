"""Cuts: recording one that was made, with what it should do, and putting a mistyped one right."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.bench.forecast import CutForecast, forecast_of_cuts
from fluewright.bench.session import check_sizes_over_time
from fluewright.errors import InputError
from fluewright.instrument.fingering import Fingering
from fluewright.instrument.sizes import Removal, size_name, size_of, with_sizes
from fluewright.ledger import Cut, open_ledger
from fluewright.shop.models import recorded_model
from fluewright.shop.sitting import Sitting

__all__ = ["CutLogged", "correct_cut", "forecast_data", "record_cut"]

# A size gauged before a cut and the one in the ledger agree to this; beyond it one of them is mistyped.
_GAUGED_MM = 0.15


@dataclass(frozen=True, eq=False)
class CutLogged:
    """A cut as it was recorded: its event, the sizes, and what every note should be now (None before any trial)."""

    event: int
    key: str
    before_mm: float
    after_mm: float
    forecast: CutForecast | None


def record_cut(
    sitting: Sitting, *, key: str, after_mm: float, tool: str, reason: str, before_mm: float | None = None
) -> CutLogged:
    """Record a cut that was made; what it should do is kept with it, so that the next trial can judge the forecast.

    Parameters
    ----------
    sitting : Sitting
        With a piece of the ledger, as it was before the cut.
    key : str
        The size that was cut.
    after_mm : float
        As gauged after the cut.
    tool, reason : str
    before_mm : float, optional
        As gauged before the cut; by default what the ledger says, or the design where it says nothing.

    Raises
    ------
    InputError
        It is no size that is cut, the cut put material back or changed nothing, the sizes after it make no instrument,
        or tool or reason is missing. The error names the field.
    LedgerError
        The piece is in no ledger, or has another size there than before the cut.
    """
    record, pitch = sitting.recorded, sitting.pitch
    for field, text in (("tool", tool), ("reason", reason)):
        if not text.strip():
            raise InputError("is empty; write it in a few words", field=field)
    before = _before(sitting, key, before_mm)
    _check_cut(sitting, key, before, after_mm)
    after = {**record.as_built, key: after_mm}
    with_sizes(sitting.model, after)
    forecast = None
    if sitting.trials and key in pitch.columns:
        played = {key: before, **sitting.trials[-1].as_built}
        forecast = forecast_of_cuts(sitting.posterior, played, {**sitting.as_built, key: after_mm})
    with open_ledger(record.ledger, create=False) as book:
        if book.as_built(record.serial).get(key) != before:
            # The first that the ledger hears of this size, or a newer reading of it, is what it was before the cut.
            gauged = "gauged before the cut" if before_mm is not None else "as designed, before the cut"
            book.log_measurement(record.serial, as_built={key: before}, remarks=gauged)
        event = book.log_cut(
            record.serial, feature=key, before_mm=before, after_mm=after_mm, tool=tool, reason=reason,
            forecast={} if forecast is None else forecast_data(forecast, pitch.fingerings),
            as_built_after={key: after_mm},
        ).event_id  # fmt: skip
    return CutLogged(event, key, before, after_mm, forecast)


def _before(sitting: Sitting, key: str, gauged: float | None) -> float:
    """Return the size before a cut: as gauged, as the ledger has it, or as designed."""
    design = size_of(sitting.model, key).value
    recorded, serial = ({}, "") if sitting.record is None else (sitting.record.as_built, sitting.record.serial)
    if gauged is None:
        return recorded.get(key, design)
    if key in recorded and abs(gauged - recorded[key]) > _GAUGED_MM:
        raise InputError(
            f"{gauged:g} mm before the cut, but the ledger has {recorded[key]:g} mm for {serial}; "
            "measure it again, or put the ledger right first",
            field="before_mm",
        )
    return gauged


def _check_cut(sitting: Sitting, key: str, before: float, after: float) -> None:
    """Refuse what no tool does to a size."""
    name = size_name(key)
    if name.unit != "mm" or name.removal is Removal.NEVER:
        raise InputError("is set in making and not changed by cutting; correct it as a measured size", field=key)
    if not np.isfinite(after):
        raise InputError(f"{after} mm is no size; write the size gauged after the cut", field="after_mm")
    if before == after:
        raise InputError(f"{key} is {before:g} mm before and after; a cut changes a size", field="after_mm")
    grown = {Removal.LARGER: after < before, Removal.SMALLER: after > before}.get(name.removal, False)
    if grown:
        larger = "larger" if name.removal is Removal.LARGER else "smaller"
        raise InputError(
            f"{after:g} mm after the cut and {before:g} mm before: cutting makes this size {larger}; measure it again, "
            "or, if it was filled or bushed, begin a new serial for the piece",
            field="after_mm",
        )


def forecast_data(forecast: CutForecast, fingerings: tuple[Fingering, ...]) -> dict[str, Any]:
    """Return a forecast as plain data, cents and their standard errors by "note register"."""
    main = [(i, f"{f.note} {f.register}") for i, f in enumerate(fingerings) if f.alternative == 0]

    def by_note(values: FloatArray) -> dict[str, float]:
        return {name: round(float(values[i]), 2) for i, name in main}

    return {
        "cents_after": by_note(forecast.cents),
        "sigma_after": by_note(forecast.sigma),
        "overshoot_chance": forecast.overshoot,
    }


def correct_cut(ledger: Path, serial: str, event_id: int, *, after_mm: float, reason: str) -> int:
    """Put the size after a logged cut right by a new event, and return it; the first reading stays in the history.

    Raises
    ------
    InputError
        The event is no cut of the piece, the size makes no instrument, or this or a later cut would have put
        material back.
    LedgerError
        No reason is given, or the cut says so already.
    """
    with open_ledger(ledger, create=False) as book:
        piece = book.instrument(serial)
        cuts = [e for e in book.history(serial) if isinstance(e, Cut)]
        wrong = next((e for e in cuts if e.event_id == event_id), None)
        if wrong is None:
            raise InputError(f"event {event_id} is no cut of {serial}; take its number from the history", field="event")
        model = recorded_model(book, piece.model_name, piece.model_version)
        with_sizes(model, {**piece.as_built, wrong.feature: after_mm})
        later = [e.after_mm for e in cuts if e.event_id > event_id and e.feature == wrong.feature]
        check_sizes_over_time([{wrong.feature: size} for size in (wrong.before_mm, after_mm, *later)])
        return book.correct(event_id, reason=reason, replacement={"after_mm": after_mm}).event_id
