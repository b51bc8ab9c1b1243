"""A recording heard: which notes, how high, and how sure that is."""

from dataclasses import dataclass
from pathlib import Path

from fluewright.errors import InputError
from fluewright.face.drawing import Picture
from fluewright.face.records import Record, RecordTable, Tabular, plain
from fluewright.instrument.model import Model
from fluewright.listening.streams import HeardFile, hear_file
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
    heard : HeardFile
        As `listening` returned it: what the file is, its notes and warnings.
    named : NamedNotes
        The notes with the names that were meant.
    """

    path: Path
    heard: HeardFile
    named: NamedNotes

    @property
    def notes(self) -> tuple[NamedNote, ...]:
        """Notes in the order of time; the name is empty where a note fits none of the model's."""
        return self.named.rows

    @property
    def seconds(self) -> float:
        """How long the recording is."""
        return self.heard.about.duration_s

    @property
    def sha256(self) -> str:
        """Hash of the file, by which the shop's records know it."""
        return self.heard.about.sha256

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is odd about the recording, and which of the model's notes are missing or extra."""
        said = [*self.heard.about.warnings, *self.heard.hearing.warnings, *self.named.remarks]
        return tuple(dict.fromkeys(said))

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
        rows = []
        for n in self.notes:
            row: Record = {"note": n.name or None, "onset_s": n.heard.onset_s}
            rows.append(row | {f"harmonic_{k}_db": plain(v) for k, v in enumerate(n.heard.harmonic_levels_db, start=1)})
        return RecordTable(f"{self.path.name}: harmonics", tuple(rows))

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


def listen(path: str | Path, *, model: Model | None = None, a4_hz: float = 440.0) -> HeardNotes:
    """Hear the notes of a recording: when, which, how high, and how sure that is.

    Parameters
    ----------
    path : str or Path
        WAV, FLAC, OGG or MP3, of any length.
    model : Model, optional
        Whose notes were played; without one each note is called by the nearest of the equal-tempered scale.
    a4_hz : float
        Tuning standard where no model is given.

    Raises
    ------
    RecordingError
        It cannot be read.
    InputError
        The tuning standard lies outside 300 to 600 Hz.
    """
    checked_a4_hz(a4_hz)
    heard = hear_file(Path(path))
    named = name_notes(heard.hearing.notes, model, a4_hz)
    return HeardNotes(path=Path(path), heard=heard, named=named)
