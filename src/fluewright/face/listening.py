"""A recording heard: which notes, how high, and how sure that is."""

import math
from dataclasses import dataclass
from pathlib import Path

from fluewright.errors import InputError
from fluewright.face.drawing import Picture
from fluewright.face.records import Record, RecordTable, Tabular, plain
from fluewright.instrument.model import Model
from fluewright.listening.swells import Swell
from fluewright.listening.takes import BreathBeside, Take, Wanted, hear_take
from fluewright.pictures.hearing import cents_picture
from fluewright.pictures.palette import Theme
from fluewright.shop.note_names import NamedNote, NamedNotes, checked_a4_hz, name_notes
from fluewright.shop.result_pictures import note_boxes
from fluewright.units import signed

__all__ = ["HeardNotes", "listen"]


@dataclass(frozen=True, repr=False, kw_only=True)
class HeardNotes(Tabular):
    """The notes of a recording.

    Attributes
    ----------
    path : Path
    take : Take
        As `listening` returned it: hash, length, notes, and what else was asked for.
    named : NamedNotes
        The notes with the names that were meant.
    """

    path: Path
    take: Take
    named: NamedNotes

    @property
    def notes(self) -> tuple[NamedNote, ...]:
        """Notes in the order of time; the name is empty where a note fits none of the model's."""
        return self.named.rows

    @property
    def seconds(self) -> float:
        """How long the recording is."""
        return self.take.duration_s

    @property
    def sha256(self) -> str:
        """Hash of the file, by which the shop's records know it."""
        return self.take.sha256

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is odd about the recording or its breath log, and which of the model's notes are missing or extra."""
        return (*self.take.warnings, *self.take.breath_warnings, *self.named.remarks)

    def records(self) -> list[Record]:
        """Return one dict a note: when, frequency with its uncertainty (one sigma), cents, steadiness, level."""
        return [
            {
                "note": n.name or None, "onset_s": n.heard.onset_s, "offset_s": n.heard.offset_s,
                "frequency_hz": n.heard.frequency_hz, "uncertainty_hz": n.heard.frequency_uncertainty_hz,
                "cents": plain(n.cents), "drift_cents_per_s": plain(n.heard.drift_cents_per_s),
                "steadiness_cents": plain(n.heard.steadiness_cents), "level_db": plain(n.heard.level_db),
                "harmonic_to_noise_db": plain(n.heard.harmonic_to_noise_db),
            }
            for n in self.notes
        ]  # fmt: skip

    def harmonics(self) -> RecordTable:
        """Return the level of every note's harmonics, dB; 0 dB is a sine of full scale."""
        rows: list[Record] = []
        for n in self.notes:
            row: Record = {"note": n.name or None, "onset_s": n.heard.onset_s}
            rows.append(row | {f"harmonic_{k}_db": plain(v) for k, v in enumerate(n.heard.harmonic_levels_db, start=1)})
        return RecordTable(f"{self.path.name}: harmonics", tuple(rows))

    def tones(self) -> RecordTable:
        """Return start and tone of every note: rise, chiff, glide, what speaks first, steadiness, vibrato.

        Raises
        ------
        InputError
            They were not asked for.
        """
        if self.take.tones is None:
            raise InputError("tones were not asked for; listen with tone=True")
        rows: list[Record] = []
        for named, t in zip(self.notes, self.take.tones, strict=True):
            swing = t.vibrato
            rows.append(
                {
                    "note": named.name or None, "onset_s": named.heard.onset_s, "slurred": bool(t.slurred),
                    "rise_s": plain(t.rise_s), "chiff_db": plain(t.chiff_db), "chiff_s": plain(t.chiff_s),
                    "glide_cents": plain(t.glide_cents), "settle_s": plain(t.settle_s),
                    "first_harmonic": int(t.first_order), "steadiness_cents": plain(t.steadiness_cents),
                    "steadiness_db": plain(t.steadiness_db),
                    "vibrato_hz": None if swing is None else plain(swing.rate_hz),
                    "vibrato_cents": None if swing is None else plain(swing.extent_cents),
                }
            )  # fmt: skip
        return RecordTable(f"{self.path.name}: attack and tone", tuple(rows))

    def _swell(self) -> Swell:
        if self.take.swell is None:
            raise InputError("swells were not asked for; listen with swell=True, or with a breath log")
        return self.take.swell

    def registers(self) -> RecordTable:
        """Return which pitch was held from when to when in slow swells, and how it follows breath.

        Breath in Pa and cents a doubling need a breath log.

        Raises
        ------
        InputError
            Swells were not asked for.
        """
        rows: list[Record] = []
        for s in self._swell().stretches:
            known = [float(p) for p in s.pressures_pa if math.isfinite(p)]
            rows.append(
                {
                    "start_s": float(s.start_s), "end_s": float(s.end_s), "frequency_hz": float(s.middle_hz),
                    "least_pa": min(known, default=None), "most_pa": max(known, default=None),
                    "cents_per_doubling": plain(s.cents_per_doubling),
                }
            )  # fmt: skip
        return RecordTable(f"{self.path.name}: registers held", tuple(rows))

    def jumps(self) -> RecordTable:
        """Return the jumps between registers in slow swells, with their breath where a log told it.

        Raises
        ------
        InputError
            Swells were not asked for.
        """
        return RecordTable(
            f"{self.path.name}: jumps",
            tuple(
                {
                    "time_s": float(j.time_s), "up": bool(j.up), "before_hz": float(j.before_hz),
                    "after_hz": float(j.after_hz), "breath_pa": plain(j.pressure_pa),
                }
                for j in self._swell().jumps
            ),
        )  # fmt: skip

    def _headline(self) -> str:
        named = [n for n in self.notes if n.name]
        said = f"{self.path.name}: {len(self.notes)} notes in {self.seconds:.1f} s"
        if not named:
            return said
        worst = max(named, key=lambda n: abs(n.cents))
        warned = f"; {len(self.warnings)} warnings" if self.warnings else ""
        return f"{said}, furthest off {worst.name} {signed(worst.cents)} cents{warned}"

    def picture(self, *, theme: Theme = "light") -> Picture:
        """Return one row a note in the order of playing: cents with a bar of two sigma, and the tolerance.

        Raises
        ------
        InputError
            No note was heard that has a name.
        """
        boxes = note_boxes(n for n in self.notes if n.name)
        title = f"{self.path.name}: cents per note"
        return Picture(
            title, cents_picture(boxes, title=title, tolerance_cents=self.named.tolerance_cents, theme=theme)
        )  # fmt: skip

    def _repr_svg_(self) -> str | None:
        try:
            return self.picture().svg
        except InputError:
            return None


def listen(
    path: str | Path, *, model: Model | None = None, a4_hz: float = 440.0, tone: bool = False, swell: bool = False,
    breath_log: str | Path | None = None,
) -> HeardNotes:  # fmt: skip
    """Hear the notes of a recording: when, which, how high, and how sure that is.

    Parameters
    ----------
    path : str or Path
        WAV, FLAC, OGG or MP3: up to six hours, or 20 minutes where more than the notes is asked for.
    model : Model, optional
        Whose notes were played; without one each note is called by the nearest of the equal-tempered scale.
    a4_hz : float
        Tuning standard where no model is given.
    tone : bool
        Also start and tone of every note.
    swell : bool
        Also registers held and jumps between them in slow swells of breath.
    breath_log : str or Path, optional
        Table of time and Pa taken beside the sound (CSV); its place in the sound is found. Asks for swells.

    Raises
    ------
    RecordingError
        Recording or log cannot be read, they do not belong together, or a swell is wanted and nothing sounds.
    InputError
        The tuning standard lies outside 300 to 600 Hz.
    """
    checked_a4_hz(a4_hz)
    beside = BreathBeside(None if breath_log is None else Path(breath_log))
    take = hear_take(Path(path), Wanted(tone=tone, swell=swell, breath=beside))
    return HeardNotes(path=Path(path), take=take, named=name_notes(take.hearing.notes, model, a4_hz))
