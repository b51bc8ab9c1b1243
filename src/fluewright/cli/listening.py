"""What a recording holds: notes, tone and attack, swells, loudness, pictures."""

import math
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

from fluewright.cli.arguments import JsonOpt
from fluewright.cli.printing import finite, print_json, print_table, warn
from fluewright.errors import InputError
from fluewright.files import write_whole
from fluewright.units import CENTS_PER_RELATIVE, cents_above

__all__ = ["hear", "listen"]


def hear(path: Path) -> tuple[Any, Any, list[str]]:
    """Return the recording, what was heard in it, and every warning once."""
    from fluewright.listening import hear_notes, read_recording

    recording = read_recording(path)
    hearing = hear_notes(recording)
    warnings = list(dict.fromkeys([*recording.warnings, *hearing.warnings]))
    return recording, hearing, [f"{path}: {line}" for line in warnings]


@dataclass(frozen=True)
class _Named:
    """A heard note with the note that was meant; name empty where it fits none of the model's."""

    heard: Any
    name: str
    cents: float


def _named(notes: Sequence[Any], model: Any, a4_hz: float) -> tuple[list[_Named], list[str], float]:
    """Return the notes with names, remarks on missing and extra ones, and the tolerance."""
    from fluewright.instrument.pitch import nearest_note

    if model is None:
        found = [(n, *nearest_note(n.frequency_hz, a4_hz)) for n in notes]
        return [_Named(n, name, off) for n, name, off in found], [], 5.0
    import numpy as np

    from fluewright.bench.matching import match_notes
    from fluewright.instrument.fingering import fingerings_of
    from fluewright.instrument.temperament import target_frequency_hz

    targets = {f.note: target_frequency_hz(model.target, f.note, model.model.lowest_note) for f in fingerings_of(model)}
    names = sorted(targets, key=lambda name: targets[name])
    match = match_notes([n.frequency_hz for n in notes], np.array([targets[name] for name in names]))
    meant = {i: names[j] for j, places in match.by_fingering.items() for i in places}
    rows = []
    for i, note in enumerate(notes):
        name = meant.get(i, "")
        off = float(cents_above(note.frequency_hz, targets[name])) if name else math.nan
        rows.append(_Named(note, name, off))
    remarks = []
    if notes and match.missing:
        remarks.append(f"not heard: {', '.join(names[j] for j in match.missing)}")
    if match.extra:
        places = ", ".join(f"{notes[i].frequency_hz:.1f} Hz at {notes[i].onset_s:.2f} s" for i in match.extra)
        remarks.append(f"fits no note of the model: {places}")
    return rows, remarks, model.target.tolerance_cents


def listen(
    recording: Annotated[Path, typer.Argument(metavar="FILE", help="A recording: WAV, FLAC, OGG or MP3.")],
    model: Annotated[str | None, typer.Option("--model", help="Judge against this model's target.")] = None,
    a4_hz: Annotated[float, typer.Option("--a4-hz", help="Tuning standard when no model is named.")] = 440.0,
    tone: Annotated[bool, typer.Option("--tone", help="Also attack, chiff, steadiness, hiss of every note.")] = False,
    swell: Annotated[bool, typer.Option("--swell", help="Also registers, jumps and pitch against breath.")] = False,
    breath_log: Annotated[
        Path | None, typer.Option("--breath-log", help="CSV of time and Pa recorded beside the sound; implies --swell.")
    ] = None,
    log_offset: Annotated[
        float | None,
        typer.Option("--log-offset", help="Sound time of the log's time 0, s; found by itself when left out."),
    ] = None,
    breath: Annotated[
        list[str] | None,
        typer.Option("--breath", help="A reading SECONDS=PRESSURE, in Pa or with mm or cm of water; repeat it."),
    ] = None,
    calibration: Annotated[
        Path | None, typer.Option("--calibration", help="Recording of the calibrator's tone, same settings.")
    ] = None,
    calibration_db: Annotated[float, typer.Option("--calibration-db", help="Level of that tone, dB SPL.")] = 94.0,
    csv: Annotated[Path | None, typer.Option("--csv", help="Write the notes as CSV.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write pictures into this folder.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """Hear the notes of a recording: when, which, how high, and how sure that is."""
    from fluewright.instrument.starting import load
    from fluewright.listening import hear_notes, read_recording
    from fluewright.listening.streams import hear_file

    judged = load(model) if model is not None else None
    if not 300.0 <= a4_hz <= 600.0:
        raise InputError(f"--a4-hz is {a4_hz}; it must lie between 300 and 600 Hz, for example 442")
    if breath_log is not None and breath:
        raise InputError("--breath-log and --breath are given together; give the log, or the readings")
    with_swell = swell or breath_log is not None or bool(breath)
    sound: Any = None
    if with_swell or tone or plot is not None or calibration is not None:
        sound = read_recording(recording)
        hearing = hear_notes(sound)
        duration, digest, warnings = sound.duration_s, sound.sha256, [*sound.warnings, *hearing.warnings]
    else:
        heard_file = hear_file(recording)
        hearing, about = heard_file.hearing, heard_file.about
        duration, digest, warnings = about.duration_s, about.sha256, [*about.warnings, *hearing.warnings]
    rows, remarks, tolerance = _named(hearing.notes, judged, a4_hz)
    tones = _tones(sound, hearing) if tone else None
    swells = _swell(sound, breath_log, log_offset, breath or []) if with_swell else None
    level = _level(sound, calibration, calibration_db) if sound is not None else None
    warnings = [f"{recording}: {line}" for line in dict.fromkeys(warnings)]
    if swells is not None:
        warnings += [f"{breath_log or recording}: {w}" for w in swells.warnings if w not in sound.warnings]
    warn(warnings)
    if csv is not None:
        write_whole(csv, _csv(rows))
    pictures = _pictures(plot, recording, sound, hearing, rows, tolerance, tones, swells) if plot is not None else []
    if as_json:
        print_json(_data(recording, digest, duration, warnings, rows, remarks, tones, swells, level))
        return
    print_table(
        f"{recording.name}: {len(rows)} notes in {duration:.1f} s",
        ["note", "from s", "to s", "Hz", "+/- Hz", "cents", "steadiness cents", "level dB"],
        [
            [
                r.name or "?",
                f"{r.heard.onset_s:.2f}",
                f"{r.heard.offset_s:.2f}",
                f"{r.heard.frequency_hz:.3f}",
                f"{r.heard.frequency_uncertainty_hz:.3f}",
                f"{r.cents:+.1f}" if r.name else "-",
                _whole(r.heard.steadiness_cents, 1),
                f"{r.heard.level_db:.0f}",
            ]
            for r in rows
        ],
    )
    out = sys.stdout
    for line in remarks:
        out.write(line + "\n")
    if tones is not None:
        _print_tones(rows, tones)
    if swells is not None:
        _print_swell(swells)
    if level is not None:
        out.write(level["text"] + "\n")
    for path in ([csv] if csv else []) + pictures:
        out.write(f"{path}\n")


def _whole(value: float, digits: int = 0) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else "-"


def _tones(sound: Any, hearing: Any) -> Any:
    from fluewright.listening.attack import note_tones

    return note_tones(sound, hearing)


def _swell(sound: Any, log_path: Path | None, offset: float | None, readings: list[str]) -> Any:
    from fluewright.listening.breath_log import align_log, read_breath_log, typed_breath_log
    from fluewright.listening.pitch import track_pitch
    from fluewright.listening.swells import hear_swell

    log = None
    if log_path is not None:
        log = read_breath_log(log_path)
        if offset is not None:
            if not math.isfinite(offset):
                raise InputError(f"--log-offset is {offset}; give seconds")
            log = log.moved(offset)
        else:
            track = track_pitch(sound.samples, sound.rate_hz)
            log, shift, likely = align_log(log, track.times_s, track.level_db)
            sys.stderr.write(f"breath log: its time 0 is {shift:.2f} s of the sound (correlation {likely:.2f})\n")
    elif readings:
        log = typed_breath_log(readings)
    return hear_swell(sound, log)


def _level(sound: Any, calibration: Path | None, level_db: float) -> dict[str, Any]:
    from fluewright.listening import read_recording
    from fluewright.listening.loudness import calibrate, measure_level, measure_loudness

    loudness = measure_loudness(sound.samples, sound.rate_hz)
    found: dict[str, Any] = {"loudness_lufs": finite(loudness.integrated_lufs)}
    text = f"loudness {_whole(loudness.integrated_lufs, 1)} LUFS"
    if calibration is not None:
        known = calibrate(read_recording(calibration), level_db=level_db)
        measured = measure_level(sound.samples, sound.rate_hz, calibration=known)
        found["level_dba"] = finite(measured.equivalent_db)
        text += f"; A-weighted level {_whole(measured.equivalent_db, 1)} dB"
    return {**found, "text": text}


def _csv(rows: list[_Named]) -> str:
    lines = [
        "note,onset_s,offset_s,frequency_hz,frequency_uncertainty_hz,cents,drift_cents_per_s,steadiness_cents,level_db,harmonic_to_noise_db"
    ]
    for r in rows:
        h = r.heard
        figures = (
            h.onset_s, h.offset_s, h.frequency_hz, h.frequency_uncertainty_hz, r.cents, h.drift_cents_per_s,
            h.steadiness_cents, h.level_db, h.harmonic_to_noise_db,
        )  # fmt: skip
        lines.append(",".join([r.name, *(f"{v:.6g}" if math.isfinite(v) else "" for v in figures)]))
    return "\n".join(lines) + "\n"


def _print_tones(rows: list[_Named], tones: Any) -> None:
    print_table(
        "attack and tone",
        ["note", "rise ms", "chiff dB", "chiff ms", "glide cents", "settles ms", "first", "cents", "dB", "HNR dB",
         "vibrato"],
        [
            [
                r.name or "?", _whole(1e3 * t.rise_s), _whole(t.chiff_db), _whole(1e3 * t.chiff_s),
                _whole(t.glide_cents), _whole(1e3 * t.settle_s),
                "-" if t.first_order == 1 else f"{t.first_order} for {1e3 * t.first_s:.0f} ms",
                _whole(t.steadiness_cents, 1), _whole(t.steadiness_db, 1), _whole(t.harmonic_to_noise_db),
                "-" if t.vibrato is None else f"{t.vibrato.rate_hz:.1f} Hz {t.vibrato.extent_cents:.0f} cents",
            ]
            for r, t in zip(rows, tones, strict=True)
        ],
    )  # fmt: skip


def _print_swell(swells: Any) -> None:
    print_table(
        "registers held",
        ["from s", "to s", "Hz", "least Pa", "most Pa", "cents a doubling"],
        [
            [
                f"{s.start_s:.2f}", f"{s.end_s:.2f}", f"{s.middle_hz:.1f}",
                *(_whole(float(f(v))) if (v := [p for p in s.pressures_pa if math.isfinite(p)]) else "-"
                  for f in (min, max)),
                _whole(s.cents_per_doubling, 1),
            ]
            for s in swells.stretches
        ],
    )  # fmt: skip
    print_table(
        "jumps",
        ["at s", "", "from Hz", "to Hz", "from dB", "to dB", "breath Pa"],
        [
            [
                f"{j.time_s:.3f}", "up" if j.up else "down", f"{j.before_hz:.1f}", f"{j.after_hz:.1f}",
                f"{j.before_db:.0f}", f"{j.after_db:.0f}", _whole(j.pressure_pa),
            ]
            for j in swells.jumps
        ],
    )  # fmt: skip
    for w in swells.warbles:
        sys.stdout.write(f"warble from {w.start_s:.2f} to {w.end_s:.2f} s, {w.rate_hz:.0f} beats a second\n")


def _data(
    recording: Path, digest: str, duration: float, warnings: list[str], rows: list[_Named], remarks: list[str],
    tones: Any, swells: Any, level: dict[str, Any] | None,
) -> dict[str, Any]:  # fmt: skip
    data: dict[str, Any] = {
        "file": str(recording),
        "sha256": digest,
        "duration_s": duration,
        "warnings": warnings,
        "remarks": remarks,
        "notes": [
            {
                "onset_s": r.heard.onset_s,
                "offset_s": r.heard.offset_s,
                "frequency_hz": r.heard.frequency_hz,
                "frequency_uncertainty_hz": r.heard.frequency_uncertainty_hz,
                "note": r.name or None,
                "cents": finite(r.cents),
                "drift_cents_per_s": finite(r.heard.drift_cents_per_s),
                "steadiness_cents": finite(r.heard.steadiness_cents),
                "level_db": finite(r.heard.level_db),
                "harmonic_to_noise_db": finite(r.heard.harmonic_to_noise_db),
            }
            for r in rows
        ],
    }
    if tones is not None:
        data["tones"] = [
            {
                "slurred": t.slurred,
                "rise_s": finite(t.rise_s),
                "chiff_db": finite(t.chiff_db),
                "chiff_s": finite(t.chiff_s),
                "glide_cents": finite(t.glide_cents),
                "settle_s": finite(t.settle_s),
                "first_order": t.first_order,
                "first_s": finite(t.first_s),
                "steadiness_cents": finite(t.steadiness_cents),
                "steadiness_db": finite(t.steadiness_db),
                "harmonic_levels_db": [finite(v) for v in t.harmonic_levels_db],
                "harmonic_to_noise_db": finite(t.harmonic_to_noise_db),
                "hiss_bands_db": [finite(v) for v in t.hiss_bands_db],
                "vibrato": None
                if t.vibrato is None
                else {"rate_hz": t.vibrato.rate_hz, "extent_cents": t.vibrato.extent_cents},
                "inharmonicity_cents": [finite(v) for v in t.inharmonicity_cents],
            }
            for t in tones
        ]
    if swells is not None:
        data["swell"] = {
            "stretches": [
                {
                    "start_s": s.start_s,
                    "end_s": s.end_s,
                    "frequency_hz": s.middle_hz,
                    "cents_per_doubling": finite(s.cents_per_doubling),
                }
                for s in swells.stretches
            ],
            "jumps": [
                {
                    "time_s": j.time_s,
                    "up": j.up,
                    "before_hz": j.before_hz,
                    "after_hz": j.after_hz,
                    "before_db": j.before_db,
                    "after_db": j.after_db,
                    "pressure_pa": finite(j.pressure_pa),
                }
                for j in swells.jumps
            ],
            "warbles": [{"start_s": w.start_s, "end_s": w.end_s, "rate_hz": w.rate_hz} for w in swells.warbles],
        }
    if level is not None:
        data["level"] = {key: value for key, value in level.items() if key != "text"}
    return data


def _breaths(swells: Any) -> list[tuple[list[Any], list[Any]]]:
    """Return stretches and jumps of every breath: what lies within half a second of one another, a second at least."""
    groups: list[list[Any]] = []
    for s in swells.stretches:
        if groups and s.start_s - groups[-1][-1].end_s < 0.5:
            groups[-1].append(s)
        else:
            groups.append([s])
    kept = [g for g in groups if g[-1].end_s - g[0].start_s > 1.0]
    return [(g, [j for j in swells.jumps if g[0].start_s <= j.time_s <= g[-1].end_s]) for g in kept]


def _pictures(
    folder: Path, recording: Path, sound: Any, hearing: Any, rows: list[_Named], tolerance: float, tones: Any,
    swells: Any,
) -> list[Path]:  # fmt: skip
    """Write the pictures of a hearing and return their paths."""
    import numpy as np

    from fluewright.listening.pitch import track_pitch
    from fluewright.listening.spectra import thin_out
    from fluewright.listening.spectrogram import spectrogram
    from fluewright.pictures.hearing import (
        NoteBox,
        SwellLine,
        attack_picture,
        cents_picture,
        spectrogram_picture,
        swell_loop,
    )

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"--plot {folder}: cannot be written ({error.strerror}); choose another folder") from error
    boxes = [
        NoteBox(
            r.name or "?", r.heard.onset_s, r.heard.offset_s, r.heard.frequency_hz, r.cents if r.name else 0.0,
            CENTS_PER_RELATIVE * r.heard.frequency_uncertainty_hz / r.heard.frequency_hz,
        )
        for r in rows
    ]  # fmt: skip
    made: list[Path] = []

    def keep(name: str, text: str) -> None:
        write_whole(folder / name, text)
        made.append(folder / name)

    samples, rate = thin_out(sound.samples, sound.rate_hz)
    track = track_pitch(samples, rate)
    clear = track.clarity_db >= 16.0
    line = [(float(t), float(f)) for t, f, c in zip(track.times_s, track.pitch_hz, clear, strict=True) if c]
    table = spectrogram(sound)
    title = recording.name
    keep(
        "spectrogram.svg",
        spectrogram_picture(
            table.levels_db, top_hz=table.top_hz, start_s=table.start_s, end_s=table.end_s,
            title=f"{title}: spectrogram and tracked pitch", notes=boxes, track=line,
        ),
    )  # fmt: skip
    named = [b for b, r in zip(boxes, rows, strict=True) if r.name]
    if named:
        keep("cents.svg", cents_picture(named, title=f"{title}: cents per note", tolerance_cents=tolerance))
    for number, note in enumerate(hearing.notes[:24], start=1):
        first, last = max(note.onset_s - 0.06, 0.0), min(note.onset_s + 0.24, sound.duration_s)
        piece = sound.samples[int(first * sound.rate_hz) : int(last * sound.rate_hz)]
        marks = []
        if tones is not None:
            t = tones[number - 1]
            marks = [
                (1e3 * v, f"{what} {1e3 * v:.0f} ms")
                for v, what in ((t.rise_s, "rise"), (t.settle_s, "pitch settles"))
                if math.isfinite(v)
            ]
        name = re.sub(r"[^A-Za-z0-9#]", "", boxes[number - 1].name) or "note"
        keep(
            f"attack-{number:02d}-{name.replace('#', 's')}.svg",
            attack_picture(
                piece, sound.rate_hz, start_s=first, onset_s=note.onset_s,
                title=f"{title}: attack of {boxes[number - 1].name} at {note.onset_s:.2f} s", marks=marks,
            ),
        )  # fmt: skip
    for number, (stretches, found) in enumerate(_breaths(swells) if swells is not None else [], start=1):
        by_breath = any(np.isfinite(s.pressures_pa).any() for s in stretches)
        lowest = min(s.middle_hz for s in stretches)
        lines = []
        for s in stretches:
            over = s.pressures_pa if by_breath else s.levels_db
            known = over[np.isfinite(over)]
            rising = bool(len(known) < 2 or known[len(known) // 2 :].mean() >= known[: len(known) // 2].mean())
            lines.append(SwellLine(over.tolist(), (cents_above(s.frequencies_hz, lowest)).tolist(), rising))
        if len({v for line in lines for v in line.over if math.isfinite(v)}) < 2:
            continue
        jumps = [
            (
                j.pressure_pa if by_breath else j.before_db, cents_above(j.before_hz, lowest),
                cents_above(j.after_hz, lowest), j.up,
            )
            for j in found
        ]  # fmt: skip
        keep(
            f"swell-{number:02d}.svg",
            swell_loop(
                lines, jumps, title=f"{title}: swell from {stretches[0].start_s:.1f} s on, lowest {lowest:.1f} Hz",
                over="blowing pressure, Pa" if by_breath else "level, dB",
            ),
        )  # fmt: skip
    return made
