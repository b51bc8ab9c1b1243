"""The design at the desk: every note of a model while a size is dragged, its breath, its sound, its versions."""

import io
import math
import time
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from fluewright.acoustics.breath_need import breath_curve, octave_widths
from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances, targets_hz
from fluewright.acoustics.sounding import Blown, blow, find_jumps
from fluewright.design.fit import fit_blown_model, fit_model
from fluewright.errors import ComputeError, InputError
from fluewright.instrument.differences import size_differences
from fluewright.instrument.files import model_from_text, model_text
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import CutKind, Part, size_name, sizes_of
from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.curves import effect_bars
from fluewright.pictures.palette import Theme
from fluewright.pictures.results import NoteMark
from fluewright.pictures.voicing_trials import TrialMark, trial_picture
from fluewright.shop.models import versions_of
from fluewright.shop.result_pictures import predicted_marks
from fluewright.units import CENTS_PER_RELATIVE
from fluewright.web.section_view import section_picture

__all__ = [
    "blown_view", "dimension_rows", "drag_view", "fitted_sizes", "limit_rows", "limits_of", "sensitivity_picture",
    "sheet_pdf", "sound_wav",
]  # fmt: skip


def drag_view(made: Model, theme: Theme, *, section: bool = False, width_mm: float = 180.0) -> dict[str, Any]:
    """Return the notes of a model and its hanging chart; with `section` its head as well, for dragging in it."""
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
    found["chart"] = hanging_chart(made, marks, theme=theme, title=made.model.name)
    if section:
        found["section"] = section_picture(made, theme, width_mm=width_mm)
    return found


def _blown(model: Model) -> Blown:
    return find_jumps(blow(build_network(model)))


def blown_view(made: Model, theme: Theme, saved: Model | None = None) -> dict[str, Any]:
    """Return breath, jumps and octave widths of a model as plain data without NaN, and as a picture.

    Parameters
    ----------
    made : Model
    theme : Theme
    saved : Model, optional
        Drawn hollow beside it, where it differs.
    """
    blown = _blown(made)
    if blown.reasons:
        return {"reasons": list(blown.reasons), "notes": [], "octaves": [], "picture": ""}
    need = breath_curve(blown)
    marks = _breath_marks(blown, new=True)
    if saved is not None and saved != made:
        before = _saved_blown(model_text(saved))
        marks = ([] if before.reasons else _breath_marks(before, new=False)) + marks
    what = "Breath of every note" + (", beside the saved version" if marks and not marks[0].new else "")
    return {
        "reasons": [],
        "lowest_pa": _plain(need.lowest_pa),
        "exponent": _plain(need.exponent),
        "at_risk": list(need.at_risk),
        "hard_to_reach": list(need.hard_to_reach),
        "notes": [
            {
                "note": n.note,
                "register": n.register,
                "onset_pa": _plain(n.onset_pa),
                "in_tune_pa": _plain(n.in_tune_pa),
                "jump_pa": _plain(n.highest_pa),
                "planned_cents": _plain(n.planned_cents),
            }
            for n in blown.notes
            if n.fingering.alternative == 0
        ],
        "octaves": [{"low": a, "high": b, "cents": _plain(c)} for a, b, c in octave_widths(blown)],
        "pull": _plain(need.unevenness),
        "picture": trial_picture([], marks, title=what, theme=theme, computed=True) if marks else "",
    }


def _plain(value: float) -> float | None:
    return round(value, 2) if math.isfinite(value) else None


@lru_cache(maxsize=4)
def _saved_blown(text: str) -> Blown:
    return _blown(model_from_text(text, place="saved version"))


def _breath_marks(blown: Blown, *, new: bool) -> list[TrialMark]:
    """Return each note's least, planned, jump and fall-back breath as marks; they carry no reading error."""
    return [
        TrialMark(n.note, n.register, quantity, value, 0.0, new)
        for n in blown.notes
        if n.fingering.alternative == 0
        for quantity, value in (
            ("lowest_pa", n.onset_pa if n.register == 1 else n.lowest_pa),
            ("comfortable_pa", n.planned_pa),
            ("jump_pa", n.highest_pa),
            ("fall_back_pa", n.fall_back_pa),
        )
        if math.isfinite(value) and value > 0.0
    ]


def fitted_sizes(made: Model, *, blown: bool) -> dict[str, Any]:
    """Return the sizes that a fit within the model's limits changes, and what is left over.

    Raises
    ------
    InputError
        Nothing is free to move.
    """
    result = fit_blown_model(made) if blown else fit_model(made)
    return {
        "sizes": {key: after for key, _, after in result.changed},
        "rms": round(result.rms_cents, 2),
        "worst": round(result.worst_cents, 2),
        "at_limit": list(result.at_limit),
        "broken": list(result.broken_rules),
    }


def sound_wav(made: Model, what: str, note: str) -> bytes:
    """Return a WAV of a note, the scale or a swell, as jet and air column make it.

    Raises
    ------
    InputError
        The head cannot sound, or there is no such note.
    """
    import soundfile

    from fluewright.acoustics.synthesis import note_gesture, scale_gesture, scale_rows, sound_of, swell_gesture

    blown = _blown(made)
    blown.check_sounds()
    names = [n.note for n in blown.notes]
    if what == "scale":
        gesture = scale_gesture(blown, scale_rows(blown), seconds=0.5)
    elif what in ("note", "swell"):
        if note not in names:
            raise InputError(f"{note}: {made.model.name} has no such note")
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


def sheet_pdf(made: Model, folder: Path, ledger: Path, saved: Model) -> bytes:
    """Return the shop sheet as PDF; where its sizes are not those of the saved model, every page says so."""
    from fluewright.acoustics.resonance import predict_notes
    from fluewright.making.sheet import UnsavedSizes, write_sheet

    unsaved = None
    if any(d.path[0] != "limits" and (d.change is None or abs(d.change) > 1e-6) for d in size_differences(saved, made)):
        known = versions_of(ledger, saved.model.name)
        unsaved = UnsavedSizes(saved.model.name, known[0].version if known else None)
    marks = predicted_marks(predict_notes(build_network(made)))
    path = folder / "sheet.pdf"
    write_sheet(made, path, marks=marks, unsaved=unsaved, timestamp=int(time.time()))
    return path.read_bytes()


def dimension_rows(model: Model) -> Sequence[dict[str, Any]]:
    """Return the sizes that a form offers: key, group, plain words, value, unit and what it does at most, cents."""
    network = build_network(model)
    effects = resonances(network, sensitivities=True).by_dimension_cents
    worst = {d.key: float(np.abs(effects[:, j]).max()) for j, d in enumerate(network.dimensions)}
    rows = [
        {
            "key": size.key,
            "group": size.group,
            "words": size.words,
            "value": size.value,
            "unit": size.unit,
            "moves": f"{worst[size.key]:.2f} cents per {size.unit} on the note it moves most"
            if size.key in worst
            else "",
            "free": size.part is Part.BODY or (size.part is Part.HOLE and size.cut in (CutKind.HOLE, CutKind.PLACE)),
        }
        for size in sizes_of(model)
    ]
    order = {str(Part.BORE): 0, str(Part.HEAD): 1, str(Part.OUTSIDE): 2}
    return sorted(rows, key=lambda r: order.get(str(r["group"]), 3))


def sensitivity_picture(made: Model, theme: Theme, *, most: int = 24) -> str:
    """Return which size moves which note: cents per 0.1 mm (or per degree), the strongest sizes first."""
    network = build_network(made)
    effects = resonances(network, sensitivities=True).by_dimension_cents
    main = [i for i, f in enumerate(network.fingerings) if f.alternative == 0]
    scaled = {
        d.key: [float(effects[i, j]) * (0.1 if d.unit == "mm" else 1.0) for i in main]
        for j, d in enumerate(network.dimensions)
    }
    order = sorted(scaled, key=lambda k: -max(map(abs, scaled[k])))[:most]
    shown = [size_name(k) for k in order]
    names = [s.words + ("" if s.unit == "mm" else f", a {s.unit}") for s in shown]
    notes = [f"{network.fingerings[i].note}.{network.fingerings[i].register}" for i in main]
    return effect_bars(
        names, [scaled[k] for k in order], notes, theme=theme,
        title="Cents per 0.1 mm, note by note; up is sharper, the figure is the largest",
    )  # fmt: skip


_LIMIT_WORDS = {
    "largest_hole_mm": "largest hole",
    "smallest_hole_mm": "smallest hole",
    "smallest_web_mm": "least wall between holes",
    "foot_margin_mm": "last hole to the foot, at least",
    "length_min_mm": "shortest length",
    "length_max_mm": "longest length",
}


def limit_rows(model: Model) -> list[dict[str, Any]]:
    """Return what a fit keeps to, for a form: name, plain words and value in mm, None where nothing limits."""
    said = model.limits.model_dump()
    return [{"name": k, "words": w, "value": said[k]} for k, w in _LIMIT_WORDS.items()]


def limits_of(given: Any) -> dict[str, Any]:
    """Return limits out of a request: those of `limit_rows`, and `fixed`, keys that a fit leaves.

    Raises
    ------
    InputError
        A name or value that is none.
    """
    if given is None:
        return {}
    if not isinstance(given, dict):
        raise InputError("limits: give values by name")
    found: dict[str, Any] = {}
    for name, value in given.items():
        if name == "fixed":
            if not isinstance(value, list) or len(value) > 200 or not all(isinstance(k, str) for k in value):
                raise InputError("limits.fixed: give the keys that a fit must leave")
            found[name] = value
        elif name in _LIMIT_WORDS:
            if value is not None and (isinstance(value, bool) or not isinstance(value, int | float)):
                raise InputError(f"{_LIMIT_WORDS[name]}: {str(value)[:40]} is no size in mm")
            found[name] = value
        else:
            raise InputError(f"limits: there is no limit {str(name)[:40]!r}; there are {', '.join(_LIMIT_WORDS)}")
    return found
