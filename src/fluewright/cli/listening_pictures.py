"""Pictures of a take, written into a folder: spectrogram, cents, the start of every note, swells."""

import math
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from fluewright.errors import InputError
from fluewright.files import write_whole
from fluewright.listening import Analysis
from fluewright.listening.note_tones import NoteTone
from fluewright.listening.swell_loops import SwellLoop, swell_loops
from fluewright.listening.takes import Take
from fluewright.pictures.hearing import (
    NoteBox,
    SwellLine,
    attack_picture,
    cents_picture,
    spectrogram_picture,
    swell_loop,
)
from fluewright.shop.note_names import NamedNotes
from fluewright.shop.result_pictures import note_boxes

__all__ = ["write_pictures"]


_MOST_ATTACKS = 24
_BEFORE_S, _AFTER_S = 0.06, 0.24


def write_pictures(folder: Path, title: str, take: Take, notes: NamedNotes) -> list[Path]:
    """Write the pictures of a take that was heard with its analysis, and return their paths.

    Raises
    ------
    InputError
        The folder cannot be made or written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"--plot {folder}: cannot be written ({error.strerror}); choose another folder") from error
    return [write_whole(folder / name, text) for name, text in _drawn(title, take, notes)]


def _drawn(title: str, take: Take, notes: NamedNotes) -> Iterator[tuple[str, str]]:
    """Yield each picture as (name of the file, SVG)."""
    analysis = take.analysis
    assert analysis is not None
    boxes = note_boxes(notes.rows)
    yield "spectrogram.svg", _spectrogram(title, analysis, boxes)
    named = [b for b, r in zip(boxes, notes.rows, strict=True) if r.name]
    if named:
        yield "cents.svg", cents_picture(named, title=f"{title}: cents per note", tolerance_cents=notes.tolerance_cents)
    tones: Sequence[NoteTone | None] = take.tones if take.tones is not None else [None] * len(boxes)
    for number, (box, tone) in enumerate(zip(boxes[:_MOST_ATTACKS], tones, strict=False), start=1):
        name = re.sub(r"[^A-Za-z0-9#]", "", box.name) or "note"
        yield f"attack-{number:02d}-{name.replace('#', 's')}.svg", _attack(title, analysis, box, tone)
    for loop in swell_loops(take.swell) if take.swell is not None else ():
        yield f"swell-{loop.number:02d}.svg", _swell(title, loop)


def _spectrogram(title: str, analysis: Analysis, boxes: Sequence[NoteBox]) -> str:
    times_s, pitch_hz = analysis.track.clear(analysis.settings.clear_db)
    table = analysis.spectrogram
    return spectrogram_picture(
        table.levels_db, top_hz=table.top_hz, start_s=table.start_s, end_s=table.end_s,
        title=f"{title}: spectrogram and tracked pitch", notes=boxes,
        track=list(zip(times_s.tolist(), pitch_hz.tolist(), strict=True)),
    )  # fmt: skip


def _attack(title: str, analysis: Analysis, box: NoteBox, tone: NoteTone | None) -> str:
    sound = analysis.recording
    first_s, last_s = max(box.start_s - _BEFORE_S, 0.0), min(box.start_s + _AFTER_S, sound.duration_s)
    piece = sound.samples[int(first_s * sound.rate_hz) : int(last_s * sound.rate_hz)]
    told = [] if tone is None else [(tone.rise_s, "rise"), (tone.settle_s, "pitch settles")]
    return attack_picture(
        piece.tolist(), sound.rate_hz, start_s=first_s, onset_s=box.start_s,
        title=f"{title}: attack of {box.name} at {box.start_s:.2f} s",
        marks=[(1e3 * v, f"{what} {1e3 * v:.0f} ms") for v, what in told if math.isfinite(v)],
    )  # fmt: skip


def _swell(title: str, loop: SwellLoop) -> str:
    return swell_loop(
        [SwellLine(line.over.tolist(), line.cents.tolist(), line.rising) for line in loop.lines],
        [(j.over, j.before_cents, j.after_cents, j.up) for j in loop.jumps],
        title=f"{title}: swell from {loop.start_s:.1f} s on, lowest {loop.lowest_hz:.1f} Hz",
        over="blowing pressure, Pa" if loop.by_breath else "level, dB",
    )
