"""The voicing bench: a head's trial, and what is wrong with it, why, and what to do."""

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fluewright.cli.arguments import BreathReadingOpt, JsonOpt, LogOffsetOpt, ModelArg, SerialOpt, piece_in_ledger
from fluewright.cli.printing import console, print_json, put, warn
from fluewright.errors import InputError
from fluewright.files import write_whole

if TYPE_CHECKING:
    from fluewright.bench.voicing.advice import Step
    from fluewright.bench.voicing.trial import HeadTrial, Shift
    from fluewright.instrument.model import Model
    from fluewright.shop.head_hearing import HeadHeard
    from fluewright.shop.head_records import Records
    from fluewright.shop.head_sitting import HeadSitting

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
BodyOpt = Annotated[str, typer.Option("--body", help="The reference body that the head sits on.")]
LedgerOpt = Annotated[Path | None, typer.Option("--ledger", help="The ledger's file; goes with --serial.")]
SwellsOpt = Annotated[
    list[Path] | None, typer.Option("--recording", help="A slow swell on one or more notes; repeat it.")
]
TonguedOpt = Annotated[
    list[Path] | None, typer.Option("--tongued", help="Single tongued notes, for attack, hiss and partials.")
]
BreathLogOpt = Annotated[Path | None, typer.Option("--breath-log", help="CSV of time and Pa beside the swell.")]
GoodOpt = Annotated[bool, typer.Option("--good", help="This head is a good one: others are compared with it.")]
CompareOpt = Annotated[
    str | None, typer.Option("--compare", help="Beside this trial: a file, an event, or `last` of the piece.")
]
BesideOpt = Annotated[
    list[Path] | None, typer.Option("--beside", help="Trial of a good head of the same model; repeat it.")
]
CheckedOpt = Annotated[
    str, typer.Option("--checked", help="What was excluded: dirt,leak,fingering,assembly; or causes by name.")
]
DidOpt = Annotated[
    str | None, typer.Option("--did", help="Log that this was done, ADJUSTMENT=STEPS, with its forecast.")
]


def _recorded(piece: tuple[Path, str] | None, model: "Model") -> "Records | None":
    from fluewright.shop.head_records import read_records

    return read_records(*piece, model) if piece is not None else None


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


def _room_c(model: "Model", temperature_c: float | None) -> float:
    from fluewright.shop.conditions import checked_temperature

    return model.conditions.temperature_c if temperature_c is None else checked_temperature(temperature_c)


def _made(
    model: "Model", heard: list["HeadHeard"], readings: list[str], *, serial: str, body: str, good: bool, room_c: float
) -> "HeadTrial | None":
    """Return the trial of what was heard and typed, checked; None where that is nothing."""
    from fluewright.bench.voicing.trial import check_order
    from fluewright.cli.readings import typed_readings
    from fluewright.shop.head_sitting import check_notes, trial_of

    made = trial_of(model, heard, typed_readings(readings), serial=serial, body=body, good=good, room_c=room_c)
    if made is not None:
        check_notes(model, made)
        for note in made.notes:
            check_order(note)
    return made


def _last(records: "Records | None", otherwise: str) -> "HeadTrial":
    """Return the last trial of a piece in the ledger."""
    if records is None or not records.trials:
        raise InputError(otherwise)
    return records.trials[-1][1]


def trial_command(
    model: ModelArg,
    recording: SwellsOpt = None,
    tongued: TonguedOpt = None,
    breath_log: BreathLogOpt = None,
    log_offset: LogOffsetOpt = None,
    breath: BreathReadingOpt = None,
    reading: ReadingOpt = None,
    body: BodyOpt = "",
    good: GoodOpt = False,
    temperature_c: Annotated[float | None, typer.Option("--temperature-c", help="Air in the room.")] = None,
    ledger: LedgerOpt = None,
    serial: SerialOpt = None,
    compare: CompareOpt = None,
    out: Annotated[Path | None, typer.Option("--out", help="Write the trial as JSON.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write the trial as a picture (SVG).")] = None,
    theme: Annotated[str, typer.Option("--theme", help="light, dark or paper, for the picture.")] = "light",
    as_json: JsonOpt = False,
) -> None:
    """Keep and show a head's trial: breath, jumps, pitch, attack, hiss; and compare it with another."""
    from fluewright.cli.voicing_report import print_checks, print_trial, trial_data
    from fluewright.instrument.starting import load
    from fluewright.pictures.palette import palette_for
    from fluewright.shop.head_sitting import HeadSitting, finish_head_trial

    palette_for(theme)
    loaded = load(model)
    piece = piece_in_ledger(ledger, serial)
    records = _recorded(piece, loaded)
    room_c = _room_c(loaded, temperature_c)
    heard, warnings = _heard(
        HeadSitting(loaded), recording or [], tongued or [], breath_log, log_offset, breath or [], room_c
    )  # fmt: skip
    made = _made(loaded, heard, reading or [], serial=serial or "", body=body, good=good, room_c=room_c)
    trial = made or _last(
        records,
        "nothing to try: give a swell with --recording and --breath-log, or readings like --reading D5.jump_pa=280",
    )
    other, moved = _compared(trial, compare, records, fresh=made is not None)
    checks = records.checked(made) if records is not None else ()
    event = finish_head_trial(*piece, loaded, made) if made is not None and piece is not None else None
    warn(warnings)
    written = _written(out, plot, loaded, trial, other, compare or "", theme)
    if as_json:
        print_json(trial_data(loaded, trial, moved, checks, warnings, event))
        return
    print_trial(loaded, trial, moved)
    print_checks(checks)
    if event is not None:
        put(f"event {event}\n")
    put("".join(f"{path}\n" for path in written))


def _written(
    out: Path | None, plot: Path | None, model: "Model", trial: "HeadTrial", other: "HeadTrial | None", compare: str,
    theme: str,
) -> list[Path]:  # fmt: skip
    """Write a trial as JSON and as a picture where a file is named for it, and return the files."""
    from fluewright.shop.head_pictures import head_trial_picture

    written = []
    if out is not None:
        written.append(write_whole(out, json.dumps(trial.to_plain(), indent=1) + "\n"))
    if plot is not None:
        beside = "the one before" if compare == "last" else compare
        picture = head_trial_picture(model, trial, other, beside=beside, theme=_THEMES[theme])
        written.append(write_whole(plot, picture))
    return written


def _compared(
    trial: "HeadTrial", compare: str | None, records: "Records | None", *, fresh: bool
) -> tuple["HeadTrial | None", tuple["Shift", ...]]:
    """Return the trial beside which this one is shown, and what moved since; nothing where none is asked for."""
    from fluewright.bench.voicing.trial import shifts
    from fluewright.shop.head_records import read_trial_file

    if compare is None:
        return None, ()
    if compare == "last" or compare.isdigit():
        other = _recorded_trial(compare, records, fresh=fresh)
    else:
        other = read_trial_file(Path(compare))
    return other, shifts(other, trial)


def _recorded_trial(compare: str, records: "Records | None", *, fresh: bool) -> "HeadTrial":
    """Return a piece's trial by its event, or the one before this: the last, where this is `fresh`."""
    if records is None:
        raise InputError(f"--compare {compare}: name the piece with --ledger and --serial, or give a trial's file")
    if compare == "last":
        earlier = records.trials if fresh else records.trials[:-1]
        if not earlier:
            raise InputError("--compare last: the piece has no earlier head trial in the ledger")
        return earlier[-1][1]
    for event, trial in records.trials:
        if event == int(compare):
            return trial
    known = ", ".join(str(e) for e, _ in records.trials) or "none"
    raise InputError(f"--compare {compare}: event {compare} is no head trial of this piece; it has {known}")


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
    beside: BesideOpt = None,
    body: BodyOpt = "",
    checked: CheckedOpt = "",
    limits: Annotated[Path | None, typer.Option("--limits", help="TOML file of the symptoms' limits.")] = None,
    did: DidOpt = None,
    reason: Annotated[str, typer.Option("--reason", help="Why, with --did.")] = "",
    ledger: LedgerOpt = None,
    serial: SerialOpt = None,
    no_cache: Annotated[bool, typer.Option("--no-cache", help="Keep no evaluations on disk.")] = False,
    as_json: JsonOpt = False,
) -> None:
    """Say what is wrong with a head, why, and what to do first; nothing is cut before dirt and leaks are excluded.

    Raises
    ------
    InputError
        `--did` without a piece of a ledger.
    """
    from fluewright.bench.voicing.symptoms import SymptomSettings, read_symptom_settings
    from fluewright.cli.voicing_report import print_checks, print_voice, voice_data
    from fluewright.instrument.starting import load
    from fluewright.shop.head_advice import check_words, judge_head, log_done
    from fluewright.shop.head_records import read_trial_file

    loaded = load(model)
    settings = read_symptom_settings(limits) if limits is not None else SymptomSettings()
    words = [w.strip() for w in checked.split(",") if w.strip()]
    check_words(loaded, words)
    done = _did(did) if did is not None else None
    piece = piece_in_ledger(ledger, serial)
    records = _recorded(piece, loaded)
    if did is not None and records is None:
        raise InputError("--did is logged in the ledger: name it with --ledger and --serial")
    judging = _to_judge(loaded, trial, reading or [], records, serial=serial or "", body=body)
    references = [replace(read_trial_file(p), good=True) for p in beside or []]
    with console(error=True).status(_WAIT):
        judged = judge_head(
            loaded, judging, records=records, references=references, checked=words, settings=settings,
            cache=not no_cache,
        )  # fmt: skip
    checks = records.checked() if records is not None else ()
    event = log_done(*piece, judged, *done, reason=reason) if done is not None and piece is not None else None
    warn([*judged.warnings, *([] if judged.references else [_NO_GOOD_HEAD])])
    if as_json:
        print_json(voice_data(loaded, judged, checks, event))
        return
    print_voice(loaded, judged)
    print_checks(checks)
    if event is not None:
        put(f"event {event}: logged with its forecast; the next trial checks it\n")


def _to_judge(
    model: "Model", path: Path | None, readings: list[str], records: "Records | None", *, serial: str, body: str
) -> "HeadTrial":
    """Return the trial that is judged: of a file, of typed readings, or the piece's last."""
    from fluewright.bench.voicing.trial import HeadTrial
    from fluewright.cli.readings import typed_readings
    from fluewright.shop.head_records import read_trial_file
    from fluewright.shop.head_sitting import check_notes

    if path is not None:
        trial = read_trial_file(path)
    elif readings:
        trial = HeadTrial(typed_readings(readings), serial, body, sources=("typed",))
    else:
        trial = _last(
            records,
            "no trial: give --trial FILE, readings like --reading D5.jump_pa=280, or a piece with a head trial in the "
            "ledger (--ledger, --serial)",
        )
    check_notes(model, trial)
    return replace(trial, body=body or trial.body)
