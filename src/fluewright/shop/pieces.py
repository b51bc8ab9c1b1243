"""One piece of the ledger: its trials for the bench, advice and cuts into the ledger, plain rows for showing."""

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fluewright import __version__
from fluewright.acoustics.network import named_dimensions
from fluewright.arrays import FloatArray
from fluewright.bench.calibration import PlayedTrial, Posterior, calibrate, misfit
from fluewright.bench.cuts import CutProposal
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.session import Advice, check_sizes_over_time
from fluewright.errors import InputError
from fluewright.instrument.files import model_from_text
from fluewright.instrument.fingering import Fingering, fingerings_of
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import size_words, with_sizes
from fluewright.ledger import (
    AdjustmentMade,
    Begun,
    Correction,
    Cut,
    HeadTrialLogged,
    Ledger,
    Measurement,
    StateChange,
    Trial,
    TrialNote,
    open_ledger,
)
from fluewright.shop.learning import learned_from
from fluewright.shop.trials import played_trials
from fluewright.units import cents_above, signed

__all__ = [
    "ANALYSIS_VERSION", "PieceSoFar", "begin_piece", "check_same_piece", "checked_sizes", "correct_cut", "cut_forecast",
    "earlier_trials", "found_pieces", "history_rows", "log_heard", "overview", "record_cut", "trial_notes",
]  # fmt: skip

ANALYSIS_VERSION = f"fluewright-listening/{__version__}"


def trial_notes(
    fingerings: tuple[Fingering, ...],
    targets_hz: FloatArray,
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
            cents=float(cents_above(f, targets_hz[i])),
        )
        for i, (f, s) in sorted(heard.items())
    ]


def cut_forecast(cut: CutProposal, fingerings: tuple[Fingering, ...]) -> dict[str, Any]:
    """Return a proposal's forecast as plain data."""
    return {
        "note": cut.note,
        "overshoot_chance": cut.overshoot,
        "aim_mm": cut.after_mm,
        **_bands(cut.cents_after, cut.sigma_after, fingerings),
    }


def _bands(cents: FloatArray, sigma: FloatArray, fingerings: tuple[Fingering, ...]) -> dict[str, dict[str, float]]:
    main = [(i, f"{f.note} {f.register}") for i, f in enumerate(fingerings) if f.alternative == 0]
    return {
        "cents_after": {name: round(float(cents[i]), 2) for i, name in main},
        "sigma_after": {name: round(float(sigma[i]), 2) for i, name in main},
    }


def _forecast_of_sizes(posterior: Posterior, as_built: Mapping[str, float]) -> dict[str, Any]:
    """Return what every note should be with these sizes, as plain data."""
    mean, covariance = posterior.forecast(as_built)
    return _bands(mean, np.sqrt(np.diag(covariance)), posterior.fingerings)


# 120 virtual pieces of three models, made by other physics than the bench's, stayed within 1.17.
MOST_SIGMAS = 1.6


@dataclass(frozen=True)
class PieceSoFar:
    """What the ledger holds of one piece: present sizes, trials as the bench takes them, recordings heard so far."""

    as_built: dict[str, float]
    trials: tuple[PlayedTrial, ...]
    recordings: frozenset[str]
    warnings: tuple[str, ...]


def checked_sizes(model: Model, sizes: Mapping[str, float], *, place: str) -> dict[str, float]:
    """Return the sizes if the model has them all and makes an instrument with them.

    Raises
    ------
    InputError
        A key that is no size of the model, or sizes that make no instrument.
    """
    known = [d.key for d in named_dimensions(model)]
    for key, value in sizes.items():
        if key not in known:
            near = difflib.get_close_matches(key, known, n=3)
            mend = f"did you mean {' or '.join(near)}?" if near else f"sizes are {', '.join(known[:8])} and so on"
            raise InputError(f"{place} {key}={value:g}: {model.model.name} has no such size; {mend}")
    if sizes:
        try:
            with_sizes(model, dict(sizes))
        except InputError as error:
            raise InputError(f"{place}: {error}") from error
    return dict(sizes)


def check_same_piece(advice: Advice, heard: Sequence[int]) -> None:
    """Refuse advice that rests on a recording of something else than this piece.

    Parameters
    ----------
    advice : Advice
    heard : sequence of int
        Notes heard in each new trial.

    Raises
    ------
    InputError
        More than a third of a trial's notes fit no fingering, or a note lies further from its forecast than any
        error of the model explains.
    """
    posterior = advice.posterior
    for number, (trial, count) in enumerate(zip(advice.trials, heard, strict=True), start=1):
        if count - len(trial.notes) > max(count / 3.0, 1.0) and len(trial.notes) < 0.5 * len(advice.fingerings):
            raise InputError(
                f"recording {number}: only {len(trial.notes)} fingerings of {posterior.model.model.name} fit its "
                f"{count} notes; check that it is a recording of this piece, and play each note once, slowly"
            )
    size, worst, cents = misfit(posterior)
    if size > MOST_SIGMAS:
        f = advice.fingerings[worst]
        raise InputError(
            f"the notes lie {size:.1f} standard errors from what {posterior.model.model.name} with these sizes can "
            f"explain (limit {MOST_SIGMAS:g}), {f.note} (register {f.register}) most of all, by {cents:+.0f} cents; "
            "check that it is a recording of this piece, that no finger leaked, and that its sizes and cuts are "
            "written down as they are (on the command line: --size)"
        )


def _recorded_model(book: Ledger, name: str, version: int | None = None) -> Model:
    return model_from_text(book.model(name, version).toml_text, place=f"{name} in the ledger")


def earlier_trials(ledger: Path, serial: str, model: Model) -> PieceSoFar:
    """Return what the ledger holds of a piece that is now judged by `model`.

    Raises
    ------
    InputError
        The piece was begun with a model of other fingerings or sizes.
    """
    with open_ledger(ledger, create=False) as book:
        piece = book.instrument(serial)
        begun = _recorded_model(book, piece.model_name, piece.model_version)
        place = f"{serial} was begun with {piece.model_name} version {piece.model_version}"
        fingerings = fingerings_of(begun)
        if fingerings != fingerings_of(model) or {d.key for d in named_dimensions(begun)} != {
            d.key for d in named_dimensions(model)
        }:
            raise InputError(
                f"{place}, but {model.model.name} has other fingerings or sizes; name the model of the piece"
            )
        warnings = () if begun == model else (f"{place}, which differs from the model named now; the latter is used",)
        history = list(book.history(serial))
        trials = played_trials(history, model, fingerings)
        recordings = {e.recording_sha256 for e in history if isinstance(e, Trial)}
        return PieceSoFar(dict(piece.as_built), tuple(trials), frozenset(recordings), warnings)


def begin_piece(
    ledger: Path, model_name: str, *, prefix: str, sizes: Mapping[str, float], material: str, lot: str
) -> str:
    """Enter a new piece and return its serial; its sizes must be sizes of its model.

    Raises
    ------
    InputError
        The model is not in the ledger, or a size does not belong to it.
    """
    with open_ledger(ledger, create=False) as book:
        built = checked_sizes(_recorded_model(book, model_name), sizes, place="--size")
        serial = book.next_serial(prefix)
        book.add_instrument(serial, model_name, None, material=material, lot=lot, as_built=built)
        return serial


def record_cut(
    ledger: Path, serial: str, *, key: str, before_mm: float, after_mm: float, tool: str, reason: str
) -> int:
    """Record a cut that was made and return its event; the sizes after it must still make an instrument.

    Raises
    ------
    InputError
        The piece is unknown, or the cut does not fit it.
    """
    with open_ledger(ledger, create=False) as book:
        piece = book.instrument(serial)
        model = _recorded_model(book, piece.model_name, piece.model_version)
        checked_sizes(model, {**piece.as_built, key: after_mm}, place=serial)
        for place, text in (("--tool", tool), ("--reason", reason)):
            if not text.strip():
                raise InputError(f"{place} is empty; say it in a few words")
        if key not in piece.as_built:
            # The maker gauged the size before cutting it: that reading is the first record of it.
            checked_sizes(model, {**piece.as_built, key: before_mm}, place=serial)
            if before_mm == after_mm:
                raise InputError(f"{key} is {before_mm:g} mm before and after; a cut changes a size")
            book.log_measurement(serial, as_built={key: before_mm}, remarks="as it was before the cut")
        trials = played_trials(book.history(serial), model, fingerings_of(model))
        built = {**piece.as_built, key: after_mm}
    # What the cut should do is kept with it, so that the next trial can judge the forecast.
    forecast: dict[str, Any] = {}
    if trials:
        pitch = PitchModel.of(model)
        prior = learned_from(ledger, pitch, without=serial).prior
        forecast = _forecast_of_sizes(calibrate(pitch, trials, prior=prior), built)
    with open_ledger(ledger, create=False) as book:
        return book.log_cut(
            serial,
            feature=key,
            before_mm=before_mm,
            after_mm=after_mm,
            tool=tool,
            reason=reason,
            forecast=forecast,
            as_built_after={key: after_mm},
        ).event_id


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
            raise InputError(f"event {event_id} is no cut of {serial}; take its number from the history")
        model = _recorded_model(book, piece.model_name, piece.model_version)
        checked_sizes(model, {**piece.as_built, wrong.feature: after_mm}, place=serial)
        later = [e.after_mm for e in cuts if e.event_id > event_id and e.feature == wrong.feature]
        check_sizes_over_time([{wrong.feature: size} for size in (wrong.before_mm, after_mm, *later)])
        return book.correct(event_id, reason=reason, replacement={"after_mm": after_mm}).event_id


def log_heard(
    ledger: Path,
    serial: str,
    advice: Advice,
    trial: PlayedTrial,
    recording_sha256: str,
    recording_name: str,
    model: Model,
    temperature_c: float | None,
    breath_pa: float | None = None,
) -> None:
    """Record one new trial of a piece; a breath is that of the lowest note."""
    with open_ledger(ledger, create=False) as book:
        book.log_trial(
            serial,
            temperature_c=model.conditions.temperature_c if temperature_c is None else temperature_c,
            relative_humidity=model.conditions.relative_humidity,
            breath_pa=breath_pa,
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
    return {
        "event": event.event_id,
        "what": _WHAT.get(type(event), type(event).__name__.lower()),
        "when": event.recorded_at.isoformat(timespec="seconds"),
        "says": _says(event),
        "corrected": event.corrected,
        "recording": event.recording_sha256 if isinstance(event, Trial) else "",
        "after_mm": event.after_mm if isinstance(event, Cut) else None,
    }


_WHAT = {HeadTrialLogged: "head trial", AdjustmentMade: "adjustment", StateChange: "state"}


def _says(event: Any) -> str:
    """Return what happened in one line."""
    match event:
        case Trial():
            said = f"{len(event.notes)} notes from {event.recording_name}"
            first = [n.cents for n in event.notes if n.register == 1]
            if not first:
                return said
            worst = signed(max(first, key=abs))
            return f"{said}, worst of register 1 {worst} cents"
        case Cut():
            because = f", {event.reason}" if event.reason else ""
            first_said = event.originals.get("after_mm")
            was = "" if first_said is None else f" (first written {first_said:.2f})"
            sizes = f"{event.before_mm:.2f} to {event.after_mm:.2f} mm{was}"
            return f"{size_words(event.feature)}: {sizes}, {event.tool}{because}"
        case HeadTrialLogged():
            good = ", a good head" if event.good else ""
            body = f", on {event.body}" if event.body else ""
            return f"{len(event.readings.get('notes', ()))} notes tried{body}{good}"
        case AdjustmentMade():
            times = "" if event.steps == 1 else f", {event.steps:g} steps"
            return f"{event.title}{times}" + (f": {event.reason}" if event.reason else "")
        case StateChange():
            return f"{event.state}" + (f": {event.reason}" if event.reason else "")
        case Measurement():
            sizes = ", ".join(
                f"{size_words(k)} {v:.2f} {'deg' if k.endswith('_deg') else 'mm'}"
                for k, v in list(event.as_built.items())[:6]
            )
            more = f" and {len(event.as_built) - 6} more" if len(event.as_built) > 6 else ""
            return f"{sizes}{more}" + (f" ({event.remarks})" if event.remarks else "")
        case Begun():
            lot = f", lot {event.lot}" if event.lot else ""
            return f"{event.model_name}, version {event.model_version}, {event.material or 'no material named'}{lot}"
        case Correction():
            return f"event {event.corrected_event_id}: {event.reason}"
        case _:
            return ""


def found_pieces(ledger: Path, wanted: str = "", state: str = "") -> list[dict[str, Any]]:
    """Return the pieces whose records hold a word, newest first, as plain rows.

    Parameters
    ----------
    ledger : Path
    wanted : str
        Looked for, whatever its case, in serial, model, material, lot, state and every line of the history.
    state : str
        Only pieces in this state; empty: all.
    """
    words = wanted.casefold().split()
    rows = []
    with open_ledger(ledger) as book:
        for piece in reversed(book.instruments()):
            if state and str(piece.state) != state:
                continue
            events = book.history(piece.serial)
            head = f"{piece.serial} {piece.model_name} {piece.material} {piece.lot} {piece.state}"
            text = " ".join([head, *(_says(e) for e in events)]).casefold()
            if not all(w in text for w in words):
                continue
            rows.append(
                {
                    "serial": piece.serial, "model": piece.model_name, "version": piece.model_version,
                    "state": str(piece.state), "material": piece.material, "lot": piece.lot,
                    "trials": sum(isinstance(e, Trial) for e in events),
                    "head_trials": sum(isinstance(e, HeadTrialLogged) for e in events),
                    "cuts": sum(isinstance(e, Cut) for e in events),
                    "last": max((e.recorded_at for e in events), default=piece.begun_at).strftime("%Y-%m-%d"),
                }
            )  # fmt: skip
    return rows
