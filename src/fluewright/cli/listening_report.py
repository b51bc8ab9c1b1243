"""What was heard of a take, put out: tables, JSON, CSV."""

import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from fluewright.cli.printing import finite, print_json, print_table, put
from fluewright.listening.note_tones import NoteTone
from fluewright.listening.swells import Swell
from fluewright.listening.takes import Take
from fluewright.shop.note_names import NamedNote, NamedNotes
from fluewright.spreadsheet import harmless

__all__ = ["notes_csv", "print_take", "print_take_json"]


def print_take(name: str, take: Take, notes: NamedNotes) -> None:
    """Print tables of what was heard of a take, called by a name."""
    print_table(
        f"{name}: {len(notes.rows)} notes in {take.duration_s:.1f} s",
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
            for r in notes.rows
        ],
    )
    for line in notes.remarks:
        put(line + "\n")
    if take.tones is not None:
        _print_tones(notes.rows, take.tones)
    if take.swell is not None:
        _print_swell(take.swell)
    if take.loudness is not None:
        level = f"; A-weighted level {_whole(take.level.equivalent_db, 1)} dB" if take.level is not None else ""
        put(f"loudness {_whole(take.loudness.integrated_lufs, 1)} LUFS{level}\n")


def _whole(value: float, digits: int = 0) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else "-"


def _print_tones(rows: Sequence[NamedNote], tones: Sequence[NoteTone]) -> None:
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


def _print_swell(swell: Swell) -> None:
    print_table(
        "registers held",
        ["from s", "to s", "Hz", "least Pa", "most Pa", "cents a doubling"],
        [
            [
                f"{s.start_s:.2f}", f"{s.end_s:.2f}", f"{s.middle_hz:.1f}", *_least_and_most(s.pressures_pa),
                _whole(s.cents_per_doubling, 1),
            ]
            for s in swell.stretches
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
            for j in swell.jumps
        ],
    )  # fmt: skip
    for w in swell.warbles:
        put(f"warble from {w.start_s:.2f} to {w.end_s:.2f} s, {w.rate_hz:.0f} beats a second\n")


def _least_and_most(values: Iterable[float]) -> tuple[str, str]:
    known = [float(v) for v in values if math.isfinite(v)]
    return (_whole(min(known)), _whole(max(known))) if known else ("-", "-")


def notes_csv(rows: Sequence[NamedNote]) -> str:
    """Return the notes as CSV; what is not known is empty."""
    lines = [
        "note,onset_s,offset_s,frequency_hz,frequency_uncertainty_hz,cents,drift_cents_per_s,steadiness_cents,level_db,harmonic_to_noise_db"
    ]
    for r in rows:
        h = r.heard
        figures = (
            h.onset_s, h.offset_s, h.frequency_hz, h.frequency_uncertainty_hz, r.cents, h.drift_cents_per_s,
            h.steadiness_cents, h.level_db, h.harmonic_to_noise_db,
        )  # fmt: skip
        lines.append(",".join([str(harmless(r.name)), *(f"{v:.6g}" if math.isfinite(v) else "" for v in figures)]))
    return "\n".join(lines) + "\n"


def print_take_json(path: Path, take: Take, notes: NamedNotes, warnings: Sequence[str]) -> None:
    """Print what was heard of a file as JSON."""
    data: dict[str, Any] = {
        "file": str(path),
        "sha256": take.sha256,
        "duration_s": take.duration_s,
        "warnings": list(warnings),
        "remarks": list(notes.remarks),
        "notes": [_note_data(r) for r in notes.rows],
    }
    if take.tones is not None:
        data["tones"] = [_tone_data(t) for t in take.tones]
    if take.swell is not None:
        data["swell"] = _swell_data(take.swell)
    if take.loudness is not None:
        data["level"] = {"loudness_lufs": finite(take.loudness.integrated_lufs)}
        if take.level is not None:
            data["level"]["level_dba"] = finite(take.level.equivalent_db)
    print_json(data)


def _note_data(row: NamedNote) -> dict[str, Any]:
    heard = row.heard
    return {
        "onset_s": heard.onset_s,
        "offset_s": heard.offset_s,
        "frequency_hz": heard.frequency_hz,
        "frequency_uncertainty_hz": heard.frequency_uncertainty_hz,
        "note": row.name or None,
        "cents": finite(row.cents),
        "drift_cents_per_s": finite(heard.drift_cents_per_s),
        "steadiness_cents": finite(heard.steadiness_cents),
        "level_db": finite(heard.level_db),
        "harmonic_to_noise_db": finite(heard.harmonic_to_noise_db),
    }


def _tone_data(tone: NoteTone) -> dict[str, Any]:
    swing = tone.vibrato
    return {
        "slurred": tone.slurred,
        "rise_s": finite(tone.rise_s),
        "chiff_db": finite(tone.chiff_db),
        "chiff_s": finite(tone.chiff_s),
        "glide_cents": finite(tone.glide_cents),
        "settle_s": finite(tone.settle_s),
        "first_order": tone.first_order,
        "first_s": finite(tone.first_s),
        "steadiness_cents": finite(tone.steadiness_cents),
        "steadiness_db": finite(tone.steadiness_db),
        "harmonic_levels_db": [finite(v) for v in tone.harmonic_levels_db],
        "harmonic_to_noise_db": finite(tone.harmonic_to_noise_db),
        "hiss_bands_db": [finite(v) for v in tone.hiss_bands_db],
        "vibrato": None if swing is None else {"rate_hz": swing.rate_hz, "extent_cents": swing.extent_cents},
        "inharmonicity_cents": [finite(v) for v in tone.inharmonicity_cents],
    }


def _swell_data(swell: Swell) -> dict[str, Any]:
    return {
        "stretches": [
            {
                "start_s": s.start_s,
                "end_s": s.end_s,
                "frequency_hz": s.middle_hz,
                "cents_per_doubling": finite(s.cents_per_doubling),
            }
            for s in swell.stretches
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
            for j in swell.jumps
        ],
        "warbles": [{"start_s": w.start_s, "end_s": w.end_s, "rate_hz": w.rate_hz} for w in swell.warbles],
    }
