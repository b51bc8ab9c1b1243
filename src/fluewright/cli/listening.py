"""What a recording holds: notes, tone and attack, swells, loudness, pictures."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fluewright.cli.arguments import BreathReadingOpt, JsonOpt, LogOffsetOpt
from fluewright.cli.printing import put, tell, warn
from fluewright.errors import InputError

if TYPE_CHECKING:
    from fluewright.listening import Hearing, Recording
    from fluewright.listening.takes import Alignment, BreathBeside, Take

__all__ = ["breath_given", "hear", "listen", "tell_alignment"]

_BreathLogOpt = Annotated[
    Path | None, typer.Option("--breath-log", help="CSV of time and Pa recorded beside the sound; implies --swell.")
]


def hear(path: Path) -> "tuple[Recording, Hearing, list[str]]":
    """Return the recording, what was heard in it, and every warning once."""
    from fluewright.listening import hear_notes, read_recording

    recording = read_recording(path)
    hearing = hear_notes(recording)
    return recording, hearing, [f"{path}: {line}" for line in dict.fromkeys(hearing.warnings)]


def breath_given(log: Path | None, offset_s: float | None, readings: list[str]) -> "BreathBeside":
    """Return where the breath beside a sound is told, from the options of a command.

    Raises
    ------
    InputError
        Both a log and readings are given, or the offset is no number.
    """
    from fluewright.listening.takes import BreathBeside

    if log is not None and readings:
        raise InputError("--breath-log and --breath are given together; give the log, or the readings")
    if log is not None and offset_s is not None and not math.isfinite(offset_s):
        raise InputError(f"--log-offset is {offset_s}; give seconds")
    return BreathBeside(log, offset_s, tuple(readings))


def tell_alignment(found: "Alignment | None") -> None:
    """Say on stderr where a breath log was found to lie."""
    if found is not None:
        tell(f"breath log: its time 0 is {found.shift_s:.2f} s of the sound (correlation {found.correlation:.2f})\n")


def _told(take: "Take", sound: Path, breath: Path) -> list[str]:
    """Say on stderr what was odd about a take and its breath, each named by its file; return the warnings."""
    tell_alignment(take.alignment)
    warnings = [f"{sound}: {line}" for line in take.warnings]
    warnings += [f"{breath}: {line}" for line in take.breath_warnings]
    warn(warnings)
    return warnings


def listen(
    recording: Annotated[Path, typer.Argument(metavar="FILE", help="A recording: WAV, FLAC, OGG or MP3.")],
    model: Annotated[str | None, typer.Option("--model", help="Judge against this model's target.")] = None,
    a4_hz: Annotated[float, typer.Option("--a4-hz", help="Tuning standard when no model is named.")] = 440.0,
    tone: Annotated[bool, typer.Option("--tone", help="Also attack, chiff, steadiness, hiss of every note.")] = False,
    swell: Annotated[bool, typer.Option("--swell", help="Also registers, jumps and pitch against breath.")] = False,
    breath_log: _BreathLogOpt = None,
    log_offset: LogOffsetOpt = None,
    breath: BreathReadingOpt = None,
    calibration: Annotated[
        Path | None, typer.Option("--calibration", help="Recording of the calibrator's tone, same settings.")
    ] = None,
    calibration_db: Annotated[float, typer.Option("--calibration-db", help="Level of that tone, dB SPL.")] = 94.0,
    csv: Annotated[Path | None, typer.Option("--csv", help="Write the notes as CSV.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write pictures into this folder.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """Hear the notes of a recording: when, which, how high, and how sure that is."""
    from fluewright.cli.listening_pictures import write_pictures
    from fluewright.cli.listening_report import notes_csv, print_take, print_take_json
    from fluewright.files import write_whole
    from fluewright.instrument.starting import load
    from fluewright.listening.takes import Wanted, hear_take
    from fluewright.shop.note_names import checked_a4_hz, name_notes

    judged = load(model) if model is not None else None
    checked_a4_hz(a4_hz)
    beside = breath_given(breath_log, log_offset, breath or [])
    take = hear_take(recording, Wanted(tone, swell, plot is not None, beside, calibration, calibration_db))
    notes = name_notes(take.hearing.notes, judged, a4_hz)
    warnings = _told(take, recording, breath_log or recording)
    written = [write_whole(csv, notes_csv(notes.rows))] if csv is not None else []
    written += write_pictures(plot, recording.name, take, notes) if plot is not None else []
    if as_json:
        print_take_json(recording, take, notes, warnings)
        return
    print_take(recording.name, take, notes)
    put("".join(f"{path}\n" for path in written))
