"""The voicing bench: a head's trial, and what is wrong with it, why, and what to do."""

import math
import re
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fluewright.cli.arguments import JsonOpt, ModelArg, existing_ledger
from fluewright.cli.printing import console, finite, print_json, print_table, warn
from fluewright.errors import InputError
from fluewright.files import write_whole

if TYPE_CHECKING:
    from fluewright.bench.voicing.advice import Checked, Step
    from fluewright.bench.voicing.trial import HeadTrial, Shift
    from fluewright.instrument.model import Model
    from fluewright.ledger import AdjustmentMade
    from fluewright.shop.head_advice import HeadJudged
    from fluewright.shop.head_hearing import HeadHeard
    from fluewright.shop.head_records import Records
    from fluewright.shop.head_sitting import HeadSitting

    Checks = Sequence[tuple[AdjustmentMade, tuple[Checked, ...]]]

__all__ = ["trial_command", "voice_command"]

_THEMES: dict[str, Any] = {name: name for name in ("light", "dark", "paper")}
_NO_GOOD_HEAD = (
    "no good head of this model to compare with: the jet's own constants stay uncertain; log one with `trial --good`"
)
_WAIT = "computing the model's head; kept for the next time"

ReadingOpt = Annotated[
    list[str] | None,
    typer.Option("--reading", help="A typed reading, NOTE.QUANTITY=VALUE: D5.jump_pa=280, D6.2.lowest_pa=210+-8."),
]
LedgerOption = Annotated[Path | None, typer.Option("--ledger", help="The ledger's file; goes with --serial.")]
SerialOption = Annotated[str | None, typer.Option("--serial", help="The piece in the ledger.")]


def _recorded(ledger: Path | None, serial: str | None, model: "Model") -> "Records | None":
    from fluewright.shop.head_records import read_records

    if (ledger is None) != (serial is None):
        raise InputError("--ledger and --serial go together: name both, or neither")
    if ledger is None or serial is None:
        return None
    return read_records(existing_ledger(ledger), serial, model)


def _heard(
    sitting: "HeadSitting", recordings: Sequence[Path], tongued: Sequence[Path], log: Path | None,
    offset: float | None, breath: list[str], room_c: float,
) -> tuple[list["HeadHeard"], list[str]]:  # fmt: skip
    """Return what the recordings say, and warnings."""
    from fluewright.cli.listening import breath_given, tell_alignment
    from fluewright.listening import Analysis, read_recording
    from fluewright.listening.takes import find_breath
    from fluewright.shop.head_hearing import hear_swell_notes, hear_tongued

    if recordings and log is None and not breath:
        raise InputError("a swell needs the breath beside it: give --breath-log FILE, or --breath 0=40 --breath 12=280")
    notes = sitting.notes.in_air(room_c, sitting.model)
    beside = breath_given(log, offset, breath)
    heard, warnings = [], []
    for path in recordings:
        sound = read_recording(path)
        analysis = Analysis(sound)
        found, alignment = find_breath(analysis, beside)
        tell_alignment(alignment)
        heard.append(hear_swell_notes(notes, analysis.swell(found), f"{path.name} {sound.sha256}"))
        warnings += [f"{path}: {w}" for w in heard[-1].warnings]
    for path in tongued:
        heard.append(hear_tongued(notes, path))
        warnings += [f"{path}: {w}" for w in heard[-1].warnings]
    return heard, warnings


def trial_command(
    model: ModelArg,
    recording: Annotated[
        list[Path] | None, typer.Option("--recording", help="A slow swell on one or more notes; repeat it.")
    ] = None,
    tongued: Annotated[
        list[Path] | None, typer.Option("--tongued", help="Single tongued notes, for attack, hiss and partials.")
    ] = None,
    breath_log: Annotated[
        Path | None, typer.Option("--breath-log", help="CSV of time and Pa beside the swell.")
    ] = None,
    log_offset: Annotated[float | None, typer.Option("--log-offset", help="Sound time of the log's time 0, s.")] = None,
    breath: Annotated[
        list[str] | None, typer.Option("--breath", help="A breath reading SECONDS=PRESSURE; repeat it.")
    ] = None,
    reading: ReadingOpt = None,
    body: Annotated[str, typer.Option("--body", help="The reference body that the head sits on.")] = "",
    good: Annotated[bool, typer.Option("--good", help="This head is a good one: others are compared with it.")] = False,
    temperature_c: Annotated[float | None, typer.Option("--temperature-c", help="Air in the room.")] = None,
    ledger: LedgerOption = None,
    serial: SerialOption = None,
    compare: Annotated[
        str | None, typer.Option("--compare", help="Beside this trial: a file, an event, or `last` of the piece.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", help="Write the trial as JSON.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write the trial as a picture (SVG).")] = None,
    theme: Annotated[str, typer.Option("--theme", help="light, dark or paper, for the picture.")] = "light",
    as_json: JsonOpt = False,
) -> None:
    """Keep and show a head's trial: breath, jumps, pitch, attack, hiss; and compare it with another."""
    from fluewright.bench.voicing.trial import check_order, shifts
    from fluewright.cli.readings import typed_readings
    from fluewright.instrument.starting import load
    from fluewright.pictures.palette import palette_for
    from fluewright.shop.conditions import checked_temperature
    from fluewright.shop.head_pictures import head_trial_picture
    from fluewright.shop.head_sitting import HeadSitting, check_notes, finish_head_trial, trial_of

    palette_for(theme)
    loaded = load(model)
    records = _recorded(ledger, serial, loaded)
    room_c = loaded.conditions.temperature_c if temperature_c is None else checked_temperature(temperature_c)
    heard, warnings = _heard(
        HeadSitting(loaded), recording or [], tongued or [], breath_log, log_offset, breath or [], room_c
    )  # fmt: skip
    made = trial_of(
        loaded, heard, typed_readings(reading or []), serial=serial or "", body=body, good=good, room_c=room_c
    )
    fresh = made is not None
    if made is not None:
        trial = made
        check_notes(loaded, trial)
        for note in trial.notes:
            check_order(note)
    elif records is not None and records.trials:
        trial = records.trials[-1][1]
    else:
        raise InputError(
            "nothing to try: give a swell with --recording and --breath-log, or readings like --reading D5.jump_pa=280"
        )
    other = _other(compare, records, fresh) if compare is not None else None
    checks = records.checked(trial if fresh else None) if records is not None else ()
    event = None
    if fresh and ledger is not None and serial is not None:
        event = finish_head_trial(ledger, serial, loaded, made)
    warn(warnings)
    moved = shifts(other, trial) if other is not None else ()
    if out is not None:
        import json

        write_whole(out, json.dumps(trial.to_plain(), indent=1) + "\n")
    if plot is not None:
        beside = "the one before" if compare == "last" else compare or ""
        write_whole(plot, head_trial_picture(loaded, trial, other, beside=beside, theme=_THEMES[theme]))
    if as_json:
        print_json(
            {
                "model": loaded.model.name,
                "event": event,
                "warnings": warnings,
                "trial": trial.to_plain(),
                "compared": [_shift_row(s) for s in moved],
                "forecasts": _checked_rows(checks),
            }
        )
        return
    _print_trial(loaded, trial, moved)
    _print_checks(checks)
    if event is not None:
        sys.stdout.write(f"event {event}\n")
    for path in (out, plot):
        if path is not None:
            sys.stdout.write(f"{path}\n")


def _other(compare: str, records: "Records | None", fresh: bool) -> "HeadTrial":
    from fluewright.shop.head_records import read_trial_file

    if compare == "last" or compare.isdigit():
        if records is None:
            raise InputError(f"--compare {compare}: name the piece with --ledger and --serial, or give a trial's file")
        earlier = records.trials if fresh else records.trials[:-1]
        if compare == "last":
            if not earlier:
                raise InputError("--compare last: the piece has no earlier head trial in the ledger")
            return earlier[-1][1]
        found = [t for e, t in records.trials if e == int(compare)]
        if not found:
            known = ", ".join(str(e) for e, _ in records.trials) or "none"
            raise InputError(f"--compare {compare}: event {compare} is no head trial of this piece; it has {known}")
        return found[0]
    return read_trial_file(Path(compare))


def _shift_row(shift: "Shift") -> dict[str, Any]:
    return {
        "note": shift.note, "register": shift.register, "quantity": shift.quantity, "before": shift.before,
        "after": shift.after, "change": shift.change, "sigma": shift.sigma, "unit": shift.unit,
    }  # fmt: skip


def _checked_rows(checks: "Checks") -> list[dict[str, Any]]:
    return [
        {
            "adjustment": made.adjustment, "steps": made.steps, "event": made.event_id,
            "readings": [
                {
                    "note": c.forecast.note, "register": c.forecast.register, "quantity": c.forecast.quantity,
                    "forecast": c.forecast.change, "forecast_sigma": c.forecast.sigma, "outcome": c.outcome.change,
                    "outcome_sigma": c.outcome.sigma, "unit": c.forecast.unit, "sigmas": c.sigmas,
                }
                for c in found
            ],
        }
        for made, found in checks
    ]  # fmt: skip


def _short(key: str) -> str:
    """Return a quantity's name over a column, its unit left off."""
    for unit in ("_pa", "_l_per_min", "_db", "_s"):
        key = key.removesuffix(unit)
    return key.replace("_", " ").removeprefix("cents") or "pitch"


def _figure(value: float, sigma: float) -> str:
    digits = 0 if sigma >= 2.0 else 1 if sigma >= 0.2 else 3
    return f"{value:.{digits}f}±{sigma:.{max(digits, 1)}f}" if math.isfinite(value) else "-"


def _print_trial(model: "Model", trial: "HeadTrial", moved: Sequence["Shift"]) -> None:
    from fluewright.bench.voicing.quantities import QUANTITIES

    used = [k for k in QUANTITIES if any(k in n.readings for n in trial.notes)]
    heads = [f"{_short(k)} {QUANTITIES[k].unit}" for k in used]
    name = f" of {trial.head}" if trial.head else ""
    print_table(
        f"{model.model.name}: head trial{name} (one sigma)",
        ["note", *heads],
        [
            [n.name, *(_figure(n.readings[k].value, n.readings[k].sigma) if k in n.readings else "-" for k in used)]
            for n in trial.notes
        ],
    )
    if moved:
        print_table(
            "against the other trial",
            ["note", "reading", "before", "after", "change", "+/-", "sure"],
            [
                [f"{s.note}.{s.register}", QUANTITIES[s.quantity].title, f"{s.before:.4g}", f"{s.after:.4g}",
                 f"{s.change:+.1f} {s.unit}", f"{s.sigma:.1f}", "yes" if abs(s.change) > 2.0 * s.sigma else "no"]
                for s in moved if s.quantity != "comfortable_pa"
            ],
        )  # fmt: skip


def _print_checks(checks: "Checks") -> None:
    from fluewright.bench.voicing.quantities import QUANTITIES

    for made, found in checks:
        if not found:
            continue
        within = sum(abs(c.sigmas) <= 2.0 for c in found)
        print_table(
            f"forecast of {made.adjustment} ({made.steps:g} steps, event {made.event_id}) and what came of it",
            ["note", "reading", "forecast", "outcome", "sigmas apart"],
            [
                [f"{c.forecast.note}.{c.forecast.register}", QUANTITIES[c.forecast.quantity].title,
                 f"{c.forecast.change:+.1f}±{c.forecast.sigma:.1f} {c.forecast.unit}",
                 f"{c.outcome.change:+.1f}±{c.outcome.sigma:.1f}", f"{c.sigmas:+.1f}"]
                for c in found
            ],
        )  # fmt: skip
        sys.stdout.write(f"{within} of {len(found)} readings within two sigmas of their forecast\n")


_DID = re.compile(r"\s*(?P<key>[a-z-]+)\s*(?:=\s*(?P<steps>[-+0-9.]+)\s*)?")


def _did(text: str) -> tuple["Step", float]:
    from fluewright.bench.voicing.advice import step_of
    from fluewright.shop.head_advice import check_steps

    match = _DID.fullmatch(text)
    try:
        if match is None:
            raise ValueError
        steps = float(match["steps"]) if match["steps"] else 1.0
    except ValueError:
        raise InputError(f"{text!r}: write ADJUSTMENT or ADJUSTMENT=STEPS, like block-forward=2", field="did") from None
    check_steps(steps)
    return step_of(match["key"]), steps


def voice_command(
    model: ModelArg,
    trial: Annotated[Path | None, typer.Option("--trial", help="A trial written by `trial --out`.")] = None,
    reading: ReadingOpt = None,
    beside: Annotated[
        list[Path] | None, typer.Option("--beside", help="Trial of a good head of the same model; repeat it.")
    ] = None,
    body: Annotated[str, typer.Option("--body", help="The reference body that the head sits on.")] = "",
    checked: Annotated[
        str, typer.Option("--checked", help="What was excluded: dirt,leak,fingering,assembly; or causes by name.")
    ] = "",
    limits: Annotated[Path | None, typer.Option("--limits", help="TOML file of the symptoms' limits.")] = None,
    did: Annotated[
        str | None, typer.Option("--did", help="Log that this was done, ADJUSTMENT=STEPS, with its forecast.")
    ] = None,
    reason: Annotated[str, typer.Option("--reason", help="Why, with --did.")] = "",
    ledger: LedgerOption = None,
    serial: SerialOption = None,
    no_cache: Annotated[bool, typer.Option("--no-cache", help="Keep no evaluations on disk.")] = False,
    as_json: JsonOpt = False,
) -> None:
    """Say what is wrong with a head, why, and what to do first; nothing is cut before dirt and leaks are excluded."""
    from fluewright.bench.voicing.symptoms import SymptomSettings, read_symptom_settings
    from fluewright.bench.voicing.trial import HeadTrial
    from fluewright.cli.readings import typed_readings
    from fluewright.instrument.starting import load
    from fluewright.shop.head_advice import check_words, judge_head, log_done
    from fluewright.shop.head_records import read_trial_file
    from fluewright.shop.head_sitting import check_notes

    loaded = load(model)
    settings = read_symptom_settings(limits) if limits is not None else SymptomSettings()
    words = [w.strip() for w in checked.split(",") if w.strip()]
    check_words(loaded, words)
    done = _did(did) if did is not None else None
    records = _recorded(ledger, serial, loaded)
    if did is not None and records is None:
        raise InputError("--did is logged in the ledger: name it with --ledger and --serial")
    if trial is not None:
        one = read_trial_file(trial)
    elif reading:
        one = HeadTrial(typed_readings(reading), serial or "", body, sources=("typed",))
    elif records is not None and records.trials:
        one = records.trials[-1][1]
    else:
        raise InputError(
            "no trial: give --trial FILE, readings like --reading D5.jump_pa=280, or a piece with a head trial in the "
            "ledger (--ledger, --serial)"
        )
    one = replace(one, body=body or one.body)
    check_notes(loaded, one)
    references = [replace(read_trial_file(p), good=True) for p in beside or []]
    with console(error=True).status(_WAIT):
        judged = judge_head(
            loaded, one, records=records, references=references, checked=words, settings=settings, cache=not no_cache
        )
    checks = records.checked() if records is not None else ()
    event = None
    if done is not None and ledger is not None and serial is not None:
        event = log_done(ledger, serial, judged, done[0], done[1], reason=reason)
    warn([*judged.warnings, *([] if judged.references else [_NO_GOOD_HEAD])])
    if as_json:
        print_json(_voice_data(loaded, judged, checks, event))
        return
    _print_voice(loaded, judged)
    _print_checks(checks)
    if event is not None:
        sys.stdout.write(f"event {event}: logged with its forecast; the next trial checks it\n")


def _voice_data(model: "Model", judged: "HeadJudged", checks: "Checks", event: int | None) -> dict[str, Any]:
    diagnosis, symptoms, advice = judged.diagnosis, judged.symptoms, judged.advice
    return {
        "model": model.model.name,
        "event": event,
        "warnings": list(judged.warnings),
        "good_heads": judged.references,
        "exclude_first": [{"check": k, "how": text} for k, text in judged.open_checks],
        "symptoms": [
            {
                "symptom": s.symptom.key, "title": s.symptom.title, "value": finite(s.value), "limit": s.limit,
                "sigma": s.sigma, "unit": s.unit, "probability": s.probability, "notes": list(s.notes),
                "against": "model" if s.symptom.relative else "limit",
            }
            for s in symptoms
        ],
        "faultless": diagnosis.faultless,
        "causes": [
            {
                "cause": c.cause.key, "title": c.cause.title, "probability": c.probability, "size": c.size,
                "sigma": c.sigma, "unit": c.cause.unit, "variant": c.variant, "confirm": c.cause.confirm,
                "misfit": c.misfit,
            }
            for c in diagnosis.causes
        ],
        "advice": [
            {
                "adjustment": a.step.key, "title": a.title, "steps": a.steps, "gain": a.gain, "better": a.better,
                "evidence": a.evidence, "reversible": a.step.adjustment.reversible, "undo": a.step.adjustment.undo,
                "caution": a.step.adjustment.caution, "look": a.step.look, "for": a.reasons,
                "practice": dict(a.practice), "forecast": [f.to_plain() for f in a.forecasts],
                "symptoms": [
                    {"symptom": k, "now": finite(now), "after": finite(after), "sigma": finite(sigma)}
                    for k, now, after, sigma in a.symptoms
                ],
            }
            for a in advice
        ],
        "forecasts": _checked_rows(checks),
    }  # fmt: skip


def _print_voice(model: "Model", judged: "HeadJudged") -> None:
    out = sys.stdout
    diagnosis, symptoms, advice, open_checks = judged.diagnosis, judged.symptoms, judged.advice, judged.open_checks
    shown = [s for s in symptoms if s.probability >= 0.3] or list(symptoms[:1])
    print_table(
        f"{model.model.name}: symptoms",
        ["symptom", "chance", "measured", "limit", "notes"],
        [
            [s.symptom.title, f"{s.probability:.0%}", f"{_figure(s.value, s.sigma)} {s.unit}".strip(),
             f"{s.limit:.3g} {s.unit}".strip() + (" off its model" if s.symptom.relative else ""), ", ".join(s.notes)]
            for s in shown
        ],
    )  # fmt: skip
    print_table(
        f"causes (nothing wrong: {diagnosis.faultless:.0%})",
        ["cause", "chance", "size", "confirm by"],
        [
            [c.cause.title + (f", {c.variant}" if c.variant else ""), f"{c.probability:.0%}",
             f"{_figure(c.size, c.sigma)} {c.cause.unit}", c.cause.confirm]
            for c in diagnosis.causes if c.probability >= 0.02
        ],
    )  # fmt: skip
    if open_checks:
        out.write("Exclude first, in this order (about half of all faults end here):\n")
        for key, text in open_checks:
            out.write(f"  {key}: {text}\n")
    useful = [a for a in advice if a.gain > 0.01][:5]
    print_table(
        "what to do, in the order to try",
        ["adjustment", "mends", "better", "rests on", "undone by", "for"],
        [
            [a.title, f"{max(a.gain, 0.0):.0%}", f"{a.better:.0%}", a.evidence,
             a.step.adjustment.undo or "CANNOT BE UNDONE", a.reasons]
            for a in useful
        ],
    )  # fmt: skip
    if not useful:
        out.write("No adjustment brings this head nearer to its model: leave it.\n")
        return
    first = useful[0]
    out.write(f"First: {first.title}. One thing at a time; stop when two steps in a row bring no gain.\n")
    if first.step.adjustment.caution:
        out.write(f"Caution: {first.step.adjustment.caution}.\n")
    out.write(f"Look at afterwards: {first.step.look}.\n")
    for quantity, sign in first.practice:
        out.write(f"By trade habit: {quantity} {'more' if sign == '+' else 'less' if sign == '-' else 'as before'}.\n")
    told = [f for f in first.forecasts if abs(f.change) > f.sigma]
    if told:
        from fluewright.bench.voicing.quantities import QUANTITIES

        print_table(
            f"forecast of {first.step.key}",
            ["note", "reading", "change", "+/-"],
            [
                [f"{f.note}.{f.register}", QUANTITIES[f.quantity].title, f"{f.change:+.1f} {f.unit}", f"{f.sigma:.1f}"]
                for f in told
            ],
        )
