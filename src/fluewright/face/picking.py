"""One note among many, by its name and register."""

from collections.abc import Iterable, Sequence
from typing import Protocol, TypeVar

from fluewright.errors import InputError
from fluewright.instrument.model import Model

__all__ = ["NotesByName", "pick_note"]


class _Named(Protocol):
    @property
    def note(self) -> str: ...
    @property
    def register(self) -> int: ...


_N = TypeVar("_N", bound=_Named)
_NoteT = TypeVar("_NoteT", bound=_Named, covariant=True)


class _NotesOfModel(Protocol[_NoteT]):
    @property
    def model(self) -> Model: ...
    @property
    def notes(self) -> Sequence[_NoteT]: ...


def pick_note(notes: Iterable[_N], name: str, register: int | None, *, model_name: str) -> _N:
    """Return the first note of a name: of the lowest register that has it, or of the one given; main fingerings first.

    Parameters
    ----------
    notes : iterable
        In the order of a model's fingerings.
    name : str
    register : int or None
    model_name : str
        For the message.

    Raises
    ------
    InputError
        There is none.
    """
    known = []
    for one in notes:
        if one.note == name and register in (None, one.register):
            return one
        known.append(f"{one.note} (register {one.register})")
    asked = name if register is None else f"{name} (register {register})"
    raise InputError(f"{model_name} has no {asked}; it has {', '.join(dict.fromkeys(known))}")


class NotesByName:
    """A result that holds one entry a fingering of a model, in their order."""

    def note(self: _NotesOfModel[_N], name: str, register: int | None = None) -> _N:
        """Return one note by its name: the main fingering of the lowest register that has it, or of the one given.

        Raises
        ------
        InputError
            The model has no such note.
        """
        return pick_note(self.notes, name, register, model_name=self.model.model.name)
