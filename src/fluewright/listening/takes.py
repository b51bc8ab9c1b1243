"""A recorded take: its notes, and as far as wanted tone, swells with their breath, loudness and level."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from fluewright.listening.analysis import Analysis
from fluewright.listening.breath_log import BreathLog, read_breath_log, typed_breath_log
from fluewright.listening.calibration import calibrate
from fluewright.listening.level import SoundLevel, measure_level
from fluewright.listening.loudness import Loudness
from fluewright.listening.note_tones import NoteTone
from fluewright.listening.notes import Hearing
from fluewright.listening.recordings import read_recording
from fluewright.listening.streams import hear_file
from fluewright.listening.swells import Swell

__all__ = ["Alignment", "BreathBeside", "Take", "Wanted", "find_breath", "hear_take"]


@dataclass(frozen=True)
class BreathBeside:
    """Where the breath beside a sound is told; nowhere by default.

    Attributes
    ----------
    log : Path or None
        A table of time and Pa; see `read_breath_log`.
    offset_s : float or None
        Sound time of the table's time 0; found from level and pressure where None.
    readings : sequence of str
        Typed ones instead of a table; see `typed_breath_log`.
    """

    log: Path | None = None
    offset_s: float | None = None
    readings: Sequence[str] = ()

    @property
    def told(self) -> bool:
        """Whether any breath is told."""
        return self.log is not None or bool(self.readings)


@dataclass(frozen=True)
class Alignment:
    """Where a breath log's time 0 lies in the sound, s, and how well level and pressure correlate there."""

    shift_s: float
    correlation: float


@dataclass(frozen=True)
class Wanted:
    """What to hear of a take beside its notes.

    Attributes
    ----------
    tone, swell : bool
        Attack and tone of every note; registers, jumps and pitch against breath (also where breath is told).
    pictures : bool
        Keep the analysis, for pictures.
    breath : BreathBeside
    calibration : Path or None
        Recording of a calibrator's tone with the same microphone and gain.
    calibration_db : float
        Level of that tone, dB re 20 uPa.
    """

    tone: bool = False
    swell: bool = False
    pictures: bool = False
    breath: BreathBeside = field(default_factory=BreathBeside)
    calibration: Path | None = None
    calibration_db: float = 94.0

    @property
    def notes_alone(self) -> bool:
        """Whether a file may be heard in pieces, none of its sound kept."""
        return not (self.tone or self.swell or self.pictures or self.breath.told or self.calibration is not None)


@dataclass(frozen=True, eq=False)
class Take:
    """What was heard of a take. What was not wanted is None.

    Attributes
    ----------
    sha256 : str
        Hash of the whole file.
    duration_s : float
    hearing : Hearing
    warnings, breath_warnings : tuple of str
        What was odd about the recording and what was heard, and about the breath beside it.
    analysis : Analysis or None
        None where notes alone were wanted.
    tones : tuple of NoteTone or None
    swell : Swell or None
    alignment : Alignment or None
        Where a breath log's place was found from level and pressure.
    loudness : Loudness or None
    level : SoundLevel or None
        With a calibration.
    """

    sha256: str
    duration_s: float
    hearing: Hearing
    warnings: tuple[str, ...]
    breath_warnings: tuple[str, ...] = ()
    analysis: Analysis | None = None
    tones: tuple[NoteTone, ...] | None = None
    swell: Swell | None = None
    alignment: Alignment | None = None
    loudness: Loudness | None = None
    level: SoundLevel | None = None


def hear_take(path: Path, wanted: Wanted | None = None) -> Take:
    """Hear a recorded take; each part of its analysis is computed once.

    Parameters
    ----------
    path : Path
        A sound file: up to six hours where notes alone are wanted, else up to 20 minutes.
    wanted : Wanted, optional
        By default the notes alone.

    Raises
    ------
    RecordingError
        As `read_recording`, `calibrate` and `find_breath`; or a swell is wanted and nothing with a pitch sounds.
    """
    wanted = wanted or Wanted()
    if wanted.notes_alone:
        heard = hear_file(path)
        warnings = dict.fromkeys([*heard.about.warnings, *heard.hearing.warnings])
        return Take(heard.about.sha256, heard.about.duration_s, heard.hearing, tuple(warnings))
    recording = read_recording(path)
    analysis = Analysis(recording)
    hearing = analysis.hearing
    with_swell = wanted.swell or wanted.breath.told
    log, alignment = find_breath(analysis, wanted.breath)
    level = None
    if wanted.calibration is not None:
        known = calibrate(read_recording(wanted.calibration), level_db=wanted.calibration_db)
        level = measure_level(recording.samples, recording.rate_hz, calibration=known)
    return Take(
        sha256=recording.sha256,
        duration_s=recording.duration_s,
        hearing=hearing,
        warnings=tuple(dict.fromkeys(hearing.warnings)),
        breath_warnings=log.warnings if log is not None else (),
        analysis=analysis,
        tones=analysis.tones if wanted.tone else None,
        swell=analysis.swell(log) if with_swell else None,
        alignment=alignment,
        loudness=analysis.loudness,
        level=level,
    )


def find_breath(analysis: Analysis, beside: BreathBeside) -> tuple[BreathLog | None, Alignment | None]:
    """Return the breath beside a sound on the sound's clock, and where a table's place had to be found, that place.

    Raises
    ------
    RecordingError
        The table or a reading cannot be read, or table and sound do not belong together.
    """
    if beside.log is None:
        return (typed_breath_log(beside.readings) if beside.readings else None), None
    log = read_breath_log(beside.log)
    if beside.offset_s is not None:
        return log.moved(beside.offset_s), None
    log, shift_s, correlation = analysis.aligned(log)
    return log, Alignment(shift_s, correlation)
