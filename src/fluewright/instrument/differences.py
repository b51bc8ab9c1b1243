"""Which numbers differ between two models: sizes, targets, limits, conditions, holes and stations added or gone."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fluewright.instrument.model import Model

__all__ = ["SizeDifference", "model_numbers", "size_differences"]

_UNITS = {"mm": "mm", "deg": "deg", "cents": "cents", "pa": "Pa", "hz": "Hz", "c": "degC"}
_STATION = ("x", "diameter")


@dataclass(frozen=True)
class SizeDifference:
    """One number that differs.

    Attributes
    ----------
    key : str
        As in the model's file: ``head.window_length_mm``; holes by name, ``holes.3.position_mm``; entries of lists
        from 1, stations with ``x`` or ``diameter``: ``bore.stations_mm.2.diameter``.
    before, after : float or None
        None where the number is not there: a hole or station added or gone, a key left out.
    unit : str
        "mm", "deg", "cents", "Pa", "Hz", "degC", or "" for a bare number.
    path : tuple of str
        Parts of the key (a hole's name may have dots).
    """

    key: str
    before: float | None
    after: float | None
    unit: str
    path: tuple[str, ...]

    @property
    def change(self) -> float | None:
        """Return after less before; None where one of them is not there."""
        return None if self.before is None or self.after is None else self.after - self.before


def model_numbers(model: Model) -> dict[tuple[str, ...], float]:
    """Return every number of a model by the parts of its key, in the order of the file.

    Numbers only: names, notes' names, fingerings and what is left out are not in it.
    """
    return dict(_numbers(model.model_dump(), ()))


def _numbers(value: Any, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], float]]:
    if isinstance(value, bool | str) or value is None:
        return
    if isinstance(value, int | float):
        yield path, float(value)
    elif isinstance(value, Mapping):
        for key, part in value.items():
            yield from _numbers(part, (*path, key))
    elif path == ("holes",):
        for hole in value:
            yield from _numbers(hole, (*path, hole["name"]))
    else:
        station = path in (("bore", "stations_mm"), ("bore", "outside_mm"))
        for number, part in enumerate(value, start=1):
            if station:
                for name, size in zip(_STATION, part, strict=True):
                    yield (*path, str(number), name), float(size)
            else:
                yield from _numbers(part, (*path, str(number)))


def _unit(path: tuple[str, ...]) -> str:
    """Return the unit that the innermost key with one names."""
    # A hole's name is not a key.
    keys = path[2:] if path[0] == "holes" else path
    for key in reversed(keys):
        head, _, tail = key.rpartition("_")
        if head and tail in _UNITS:
            return _UNITS[tail]
    return ""


def size_differences(old: Model, new: Model) -> tuple[SizeDifference, ...]:
    """Return every number that differs between two models, in the order of the newer one; what is gone comes last.

    Holes are the same where they have the same name, list entries and stations where they have the same number.
    Empty for equal models; setting every number to its `after` turns the older model's numbers into the newer's.
    """
    before, after = model_numbers(old), model_numbers(new)
    return tuple(
        SizeDifference(".".join(path), before.get(path), after.get(path), _unit(path), path)
        for path in dict.fromkeys([*after, *before])
        if before.get(path) != after.get(path)
    )
