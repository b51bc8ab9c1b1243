"""The design at the desk: every note of a model while a size is dragged, its breath, its sound, its versions."""

import io
import math
import re
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import CENTS_PER_RELATIVE, resonances, targets_hz
from fluewright.acoustics.sounding import Blown, blow, breath_curve, find_jumps, octave_widths
from fluewright.design.fit import fit_blown_model, fit_model, with_sizes
from fluewright.errors import ComputeError, InputError
from fluewright.instrument.files import model_from_text, model_text
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.model import Model
from fluewright.instrument.starting import load, starting_models
from fluewright.ledger import open_ledger
from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.results import NoteMark

__all__ = [
    "blown_view",
    "dimension_rows",
    "drag_view",
    "fitted_sizes",
    "model_list",
    "read",
    "save_version",
    "sheet_pdf",
    "sound_wav",
]


def model_list(ledger: Path) -> list[dict[str, Any]]:
    """Return the models of the ledger, then the starting models that it does not have, with their drawings' models."""
    rows: list[dict[str, Any]] = []
    with open_ledger(ledger) as book:
        for version in book.models():
            model = model_from_text(version.toml_text, place=version.name)
            rows.append({"name": version.name, "version": version.version, "in_ledger": True, "model": model})
    newest: dict[str, dict[str, Any]] = {}
    for row in rows:
        newest[row["name"]] = row
    have = set(newest)
    listed = list(newest.values())
    listed += [
        {"name": name, "version": 0, "in_ledger": False, "model": load(name)}
        for name in starting_models()
        if name not in have
    ]
    return listed


def read(ledger: Path, name: str, version: int | None = None) -> Model:
    """Return a model of the ledger, or a starting model.

    Raises
    ------
    InputError
        There is none of that name.
    """
    with open_ledger(ledger) as book:
        names = {m.name for m in book.models()}
        if name in names:
            return model_from_text(book.model(name, version).toml_text, place=name)
    if name in starting_models():
        return load(name)
    raise InputError(f"{name}: there is no such model; choose one from the list")


def drag_view(model: Model, sizes: Mapping[str, float], theme: str, *, picture: bool = True) -> dict[str, Any]:
    """Return the notes of a model with some sizes changed, and its hanging chart.

    Raises
    ------
    InputError
        The sizes make no instrument; the message names key, value, limit and mend.
    """
    made = with_sizes(model, dict(sizes)) if sizes else model
    network = build_network(made)
    hz = resonances(network).frequencies_hz
    cents = CENTS_PER_RELATIVE * np.log(hz / targets_hz(network))
    notes, marks = [], []
    for f, c, h in zip(network.fingerings, cents, hz, strict=True):
        if f.alternative:
            continue
        notes.append({"note": f.note, "register": f.register, "cents": round(float(c), 2), "hz": round(float(h), 3)})
        marks.append(NoteMark(f.note, f.register, float(c), 0.0, "predicted", governing_hole(f)))
    found: dict[str, Any] = {"notes": notes, "rms": round(float(np.sqrt(np.mean(cents**2))), 2)}
    if picture:
        found["chart"] = hanging_chart(made, marks, theme=theme, title=made.model.name)
    return found


def _blown(model: Model) -> Blown:
    return find_jumps(blow(build_network(model)))


def blown_view(model: Model, sizes: Mapping[str, float]) -> dict[str, Any]:
    """Return breath, jumps and octave widths of a model with some sizes changed, as plain data without NaN."""
    blown = _blown(with_sizes(model, dict(sizes)) if sizes else model)
    if blown.reasons:
        return {"reasons": list(blown.reasons), "notes": [], "octaves": []}
    need = breath_curve(blown)

    def plain(value: float) -> float | None:
        return round(value, 2) if math.isfinite(value) else None

    return {
        "reasons": [],
        "lowest_pa": plain(need.lowest_pa),
        "exponent": plain(need.exponent),
        "at_risk": list(need.at_risk),
        "hard_to_reach": list(need.hard_to_reach),
        "notes": [
            {
                "note": n.note,
                "register": n.register,
                "onset_pa": plain(n.onset_pa),
                "in_tune_pa": plain(n.in_tune_pa),
                "jump_pa": plain(n.highest_pa),
                "planned_cents": plain(n.planned_cents),
            }
            for n in blown.notes
            if n.fingering.alternative == 0
        ],
        "octaves": [{"low": a, "high": b, "cents": plain(c)} for a, b, c in octave_widths(blown)],
        "pull": need.unevenness if math.isfinite(need.unevenness) else None,
    }


def fitted_sizes(model: Model, sizes: Mapping[str, float], *, blown: bool) -> dict[str, Any]:
    """Return the sizes that a fit within the model's limits changes, and what is left over.

    Raises
    ------
    InputError
        Nothing is free to move, or the sizes make no instrument.
    """
    made = with_sizes(model, dict(sizes)) if sizes else model
    result = fit_blown_model(made) if blown else fit_model(made)
    return {
        "sizes": {key: after for key, _, after in result.changed},
        "rms": round(result.rms_cents, 2),
        "worst": round(result.worst_cents, 2),
        "at_limit": list(result.at_limit),
        "broken": list(result.broken_rules),
    }


def sound_wav(model: Model, sizes: Mapping[str, float], what: str, note: str) -> bytes:
    """Return a WAV of a note, the scale or a swell, as jet and air column make it.

    Raises
    ------
    InputError
        The head cannot sound, or there is no such note.
    """
    import soundfile

    from fluewright.acoustics.synthesis import note_gesture, scale_gesture, sound_of, swell_gesture

    blown = _blown(with_sizes(model, dict(sizes)) if sizes else model)
    if blown.reasons:
        raise InputError("; ".join(blown.reasons))
    names = [n.note for n in blown.notes]
    order = sorted({n: i for i, n in reversed(list(enumerate(names)))}.values())
    if what == "scale":
        gesture = scale_gesture(blown, [i for i in order if math.isfinite(blown.notes[i].onset_pa)], seconds=0.5)
    elif what in ("note", "swell"):
        if note not in names:
            raise InputError(f"{note}: {model.model.name} has no such note")
        at = names.index(note)
        if what == "note":
            gesture = note_gesture(blown, at)
        else:
            low, high = blown.notes[at].lowest_pa, blown.notes[at].highest_pa
            high = high if math.isfinite(high) else 6.0 * low
            gesture = swell_gesture(at, 0.95 * low, 1.5 * high, seconds=8.0)
    else:
        raise InputError(f"{what}: note, scale or swell can be heard")
    try:
        sound = sound_of(blown, gesture)
    except ComputeError as error:
        raise InputError(str(error)) from error
    stream = io.BytesIO()
    soundfile.write(stream, sound.samples(), sound.rate_hz, format="WAV", subtype="PCM_16")
    return stream.getvalue()


def save_version(ledger: Path, model: Model, sizes: Mapping[str, float], name: str) -> dict[str, Any]:
    """Save a model with some sizes changed as a version of `name` in the ledger.

    Raises
    ------
    InputError
        The name cannot be one, or the sizes make no instrument.
    """
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,59}", name):
        raise InputError(
            f"{name[:60]!r} cannot be a model's name; use up to 60 letters, figures, points and hyphens, for example "
            "d5-cylinder-442"
        )
    raw = (with_sizes(model, dict(sizes)) if sizes else model).model_dump()
    if raw["model"]["name"] != name:
        raw["model"]["lineage"] = raw["model"]["name"]
        raw["model"]["name"] = name
    from fluewright.instrument.files import validate_model

    made = validate_model(raw, place=name)
    with open_ledger(ledger) as book:
        version = book.add_model(made.model.name, model_text(made), lineage=made.model.lineage or None)
    return {"name": version.name, "version": version.version}


def sheet_pdf(model: Model, sizes: Mapping[str, float], folder: Path) -> bytes:
    """Return the shop sheet as PDF."""
    from fluewright.acoustics.resonance import predict_notes
    from fluewright.making.sheet import write_sheet

    made = with_sizes(model, dict(sizes)) if sizes else model
    marks = [
        NoteMark(p.note, p.register, p.cents, p.uncertainty_cents, "predicted", p.governing_hole)
        for p in predict_notes(build_network(made))
    ]
    path = folder / "sheet.pdf"
    write_sheet(made, path, marks=marks, timestamp=int(time.time()))
    return path.read_bytes()


def dimension_rows(model: Model) -> Sequence[dict[str, Any]]:
    """Return the sizes that a form offers: key, plain words, value, unit and cents per 0.1 on the lowest note."""
    network = build_network(model)
    effects = resonances(network, sensitivities=True).by_dimension_cents
    rows = []
    for j, d in enumerate(network.dimensions):
        worst = float(np.abs(effects[:, j]).max())
        rows.append({"key": d.key, "words": _words(d.key), "value": d.value, "unit": d.unit, "worst": round(worst, 2)})
    return rows


def _words(key: str) -> str:
    parts = key.replace("_mm", "").replace("_deg", "").split(".")
    if parts[0] == "holes":
        return f"hole {parts[1]}: {' '.join(parts[2:]).replace('_', ' ')}"
    if parts[0] == "bore":
        kind = "bore" if parts[1].startswith("stations") else "outside"
        return f"{kind} {parts[2]}: {parts[3].replace('x', 'place')}"
    return " ".join(parts[1:] if parts[0] == "head" else parts).replace("_", " ")
