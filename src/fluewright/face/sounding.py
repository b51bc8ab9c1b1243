"""A design as sound before any material is cut, to play in a notebook or to keep as a file."""

import io
import math
from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

from fluewright.acoustics.sounding import Blown
from fluewright.acoustics.synthesis import Sound, note_gesture, scale_gesture, scale_rows, sound_of
from fluewright.errors import InputError
from fluewright.face.blowing import blown_model
from fluewright.instrument.model import Model
from fluewright.listening import write_recording

__all__ = ["PlayedSound", "hear"]

_SHORTEST_S, _LONGEST_S = 0.1, 120.0


@dataclass(frozen=True, repr=False, kw_only=True)
class PlayedSound:
    """What a model sounds like, as its jet and air column make it.

    Attributes
    ----------
    model : Model
    notes : tuple of str
        What is played, in order.
    sound : Sound
        As `acoustics.synthesis` returned it: pressure at 1 m in Pa, and its rate.
    """

    model: Model
    notes: tuple[str, ...]
    sound: Sound

    @property
    def rate_hz(self) -> int:
        """Samples per second."""
        return self.sound.rate_hz

    @property
    def seconds(self) -> float:
        """How long it lasts."""
        return len(self.sound.pressure_pa) / self.sound.rate_hz

    @property
    def level_db(self) -> float:
        """Sound pressure level at 1 m in the open over all of it, dB re 20 uPa."""
        return self.sound.level_db

    def save(self, path: str | Path) -> Path:
        """Write a .wav or .flac file, scaled to its largest value, and return it.

        Raises
        ------
        RecordingError
            Another suffix, or it cannot be written there.
        """
        write_recording(Path(path), self.sound.samples(), self.sound.rate_hz)
        return Path(path)

    def __repr__(self) -> str:
        """Return in one line what it is."""
        return (
            f"<PlayedSound {self.model.model.name}: {' '.join(self.notes)}; {self.seconds:.1f} s, "
            f"{self.level_db:.0f} dB at 1 m>"
        )

    def _repr_html_(self) -> str:
        import soundfile

        stream = io.BytesIO()
        soundfile.write(stream, self.sound.samples(), self.rate_hz, format="WAV", subtype="PCM_16")
        data = b64encode(stream.getvalue()).decode("ascii")
        told = escape(f"{self.model.model.name}: {' '.join(self.notes)}")
        return f'<div><p>{told}</p><audio controls="controls" src="data:audio/wav;base64,{data}"></audio></div>'


def hear(
    model: Model, notes: str | Sequence[str] | None = None, *, seconds: float | None = None,
    breath_pa: float | None = None, slurred: bool = False, noise: bool = True, seed: int = 0,
) -> PlayedSound:  # fmt: skip
    """Let a model be heard before any material is cut: a note, several, or its scale.

    Parameters
    ----------
    model : Model
    notes : str or sequence of str, optional
        Names of notes, played one after another; by default the scale.
    seconds : float, optional
        Of each note, 0.1 to 120; by default 1.5 of a single note and 0.6 of several.
    breath_pa : float, optional
        Blowing pressure of a single note; by default as the model plans.
    slurred : bool
        Several notes on one breath; else each is tongued.
    noise : bool
        Turbulence of the jet.
    seed : int
        Of the turbulence; one seed, one sound.

    Raises
    ------
    InputError
        The model has no such note, it does not sound or not at that breath, the head cannot sound, or the time is
        outside its limits.
    """
    if seconds is not None and not _SHORTEST_S <= seconds <= _LONGEST_S:
        raise InputError(f"is {seconds:g}; it can be {_SHORTEST_S:g} to {_LONGEST_S:g}", field="seconds")
    blown = blown_model(model)
    wanted = [notes] if isinstance(notes, str) else notes
    rows = scale_rows(blown) if wanted is None else [_row(blown, name) for name in wanted]
    if not rows:
        raise InputError("is empty; name at least one note, or leave it out for the scale", field="notes")
    if isinstance(notes, str):
        gesture = note_gesture(blown, rows[0], seconds=seconds or 1.5, pressure_pa=breath_pa)
    elif breath_pa is not None:
        raise InputError("is given for several notes; give it with one note", field="breath_pa")
    else:
        gesture = scale_gesture(blown, rows, seconds=seconds or 0.6, slurred=slurred)
    names = tuple(blown.notes[i].note for i in rows)
    return PlayedSound(model=model, notes=names, sound=sound_of(blown, gesture, noise=noise, seed=seed))


def _row(blown: Blown, name: str) -> int:
    """Return the first fingering of a note that sounds."""
    named = [i for i, n in enumerate(blown.notes) if n.note == name]
    if not named:
        known = ", ".join(dict.fromkeys(n.note for n in blown.notes))
        raise InputError(f"has {name!r}; the model has {known}", field="notes")
    sounding = [i for i in named if math.isfinite(blown.notes[i].onset_pa)]
    if not sounding:
        raise InputError(blown.notes[named[0]].warnings[0])
    return sounding[0]
