"""One note among many, by its name and register."""

from collections.abc import Iterable
from typing import Protocol, TypeVar

from fluewright.errors import InputError

__all__ = ["pick_note"]


class _Named(Protocol):
    @property
    def note(self) -> str: ...
    @property
    def register(self) -> int: ...


_N = TypeVar("_N", bound=_Named)


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
