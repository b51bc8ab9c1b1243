"""Every size of an instrument by name: key, value, unit, words, kind of cut, range; how it is read and set.

Keys are those of the model's file, holes by their names (which may hold dots), stations by number from 1:

======================================  =======================================================
key                                     what it is
======================================  =======================================================
``length_mm``                           the foot end: bore and outside together
``head.window_length_mm``               a size of the head; ``head.windway.length_mm``, ``head.upper_chamfer.angle_deg``
``bore.stations_mm.2.diameter``         a station of the bore; ``.x`` is its place
``bore.outside_mm.2.diameter``          a station of the outside
``holes.3.diameter_mm``                 a size of a hole; ``holes.3.undercut.upstream_mm``
======================================  =======================================================

A size that is set together with others (the foot end, both sides of a step) is named once.
"""

import difflib
import itertools
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum, StrEnum
from functools import cache
from typing import Any, Final

from fluewright.errors import ModelError
from fluewright.instrument.files import validate_model
from fluewright.instrument.model import Model
from fluewright.instrument.parts import Bore, Chamfer, Head, Hole, Undercut, Windway
from fluewright.instrument.shape import abreast_mm

__all__ = [
    "LENGTH", "CutKind", "Part", "Removal", "Size", "SizeName", "checked_sizes", "hole_key", "is_named", "set_sizes",
    "size_name", "size_of", "size_unit", "size_words", "sizes_of", "with_sizes",
]  # fmt: skip


class Part(StrEnum):
    """Which part of the instrument a size belongs to."""

    BODY = "body"
    BORE = "bore"
    OUTSIDE = "outside"
    HEAD = "head"
    HOLE = "hole"


class CutKind(StrEnum):
    """What kind of work changes a size, in the words of the bench."""

    HOLE = "hole"
    FOOT = "foot"
    ROUNDING = "rounding"
    CHAMFER = "chamfer"
    UNDERCUT = "undercut"
    UNDERCUT_UP = "undercut up"
    UNDERCUT_DOWN = "undercut down"
    WAIST = "waist"
    WINDOW = "window"
    BORE = "bore"
    OUTSIDE = "outside"
    HEAD = "head"
    PLACE = "place"


class Removal(Enum):
    """What taking material off does to a size; EITHER where it can also be set back (block, shim, a new edge)."""

    LARGER = 1
    SMALLER = -1
    EITHER = 0
    NEVER = None


@dataclass(frozen=True)
class _Field:
    """What is alike in all sizes of one field."""

    words: str
    cut: CutKind
    removal: Removal


_HOLE: Final = {
    "position_mm": _Field("position", CutKind.PLACE, Removal.NEVER),
    "diameter_mm": _Field("diameter", CutKind.HOLE, Removal.LARGER),
    "outer_round_mm": _Field("outer rounding", CutKind.ROUNDING, Removal.LARGER),
    "inner_chamfer_mm": _Field("inner chamfer", CutKind.CHAMFER, Removal.LARGER),
    "undercut.all_round_mm": _Field("undercut all round", CutKind.UNDERCUT, Removal.LARGER),
    "undercut.upstream_mm": _Field("undercut toward the window", CutKind.UNDERCUT_UP, Removal.LARGER),
    "undercut.downstream_mm": _Field("undercut toward the foot", CutKind.UNDERCUT_DOWN, Removal.LARGER),
    "waist_mm": _Field("waist", CutKind.WAIST, Removal.LARGER),
}
_HEAD: Final = {
    "window_length_mm": _Field("window length", CutKind.WINDOW, Removal.LARGER),
    "window_width_mm": _Field("window width", CutKind.HEAD, Removal.LARGER),
    "ramp_angle_deg": _Field("ramp angle", CutKind.HEAD, Removal.EITHER),
    "ear_height_mm": _Field("ear height", CutKind.HEAD, Removal.SMALLER),
    "edge_offset_mm": _Field("edge offset", CutKind.HEAD, Removal.EITHER),
    "block_depth_mm": _Field("block depth", CutKind.HEAD, Removal.EITHER),
    "windway.length_mm": _Field("windway length", CutKind.HEAD, Removal.EITHER),
    "windway.width_mm": _Field("windway width", CutKind.HEAD, Removal.EITHER),
    "windway.entry_height_mm": _Field("windway entry height", CutKind.HEAD, Removal.EITHER),
    "windway.exit_height_mm": _Field("windway exit height", CutKind.HEAD, Removal.EITHER),
    "windway.entry_flare_mm": _Field("windway entry flare", CutKind.HEAD, Removal.EITHER),
    "windway.floor_height_mm": _Field("windway floor over the bore", CutKind.HEAD, Removal.EITHER),
    "upper_chamfer.length_mm": _Field("upper chamfer length", CutKind.HEAD, Removal.LARGER),
    "upper_chamfer.angle_deg": _Field("upper chamfer angle", CutKind.HEAD, Removal.EITHER),
    "lower_chamfer.length_mm": _Field("lower chamfer length", CutKind.HEAD, Removal.EITHER),
    "lower_chamfer.angle_deg": _Field("lower chamfer angle", CutKind.HEAD, Removal.EITHER),
    "broken_edge_mm": _Field("broken edge", CutKind.HEAD, Removal.EITHER),
}
_FOOT: Final = _Field("length", CutKind.FOOT, Removal.SMALLER)
_STATION: Final = {
    (Part.BORE, "diameter"): _Field("diameter", CutKind.BORE, Removal.LARGER),
    (Part.BORE, "x"): _Field("place", CutKind.PLACE, Removal.NEVER),
    (Part.OUTSIDE, "diameter"): _Field("diameter", CutKind.OUTSIDE, Removal.SMALLER),
}
_TABLES: Final = {"stations_mm": Part.BORE, "outside_mm": Part.OUTSIDE}
_STATION_KEY: Final = re.compile(r"bore\.(stations_mm|outside_mm)\.([1-9][0-9]{0,3})\.(x|diameter)")
_EARS: Final = "head.ear_height_mm"
LENGTH: Final = "length_mm"
"""The key of the foot end."""


@dataclass(frozen=True)
class SizeName:
    """A size's key taken apart.

    Attributes
    ----------
    key : str
    part : Part
    field : str
        Within its part: ``diameter_mm``, ``undercut.upstream_mm``, ``windway.length_mm``, ``x``.
    hole : str
        The hole's name; empty for other parts.
    station : int
        The station's number from 1; 0 for other parts.
    """

    key: str
    part: Part
    field: str
    hole: str = ""
    station: int = 0

    @property
    def _alike(self) -> _Field:
        if self.part is Part.HOLE:
            return _HOLE[self.field]
        if self.part is Part.HEAD:
            return _HEAD[self.field]
        return _FOOT if self.part is Part.BODY else _STATION[(self.part, self.field)]

    @property
    def unit(self) -> str:
        """Return "mm" or "deg"."""
        return "deg" if self.field.endswith("_deg") else "mm"

    @property
    def cut(self) -> CutKind:
        """Return what kind of work changes it."""
        return self._alike.cut

    @property
    def removal(self) -> Removal:
        """Return what taking material off does to it."""
        return self._alike.removal

    @property
    def at_hole(self) -> bool:
        """Return whether it is a size that cutting at a hole changes."""
        return self.part is Part.HOLE and self.removal is Removal.LARGER

    @property
    def words(self) -> str:
        """Return the size in plain words: "hole 3 diameter"."""
        place = {Part.HOLE: f"hole {self.hole} ", Part.BORE: f"bore {self.station} "}
        place[Part.OUTSIDE] = f"outside {self.station} "
        return place.get(self.part, "") + self._alike.words

    @property
    def place(self) -> str:
        """Return where on the instrument it is: "hole 3", "foot end", "station 2", "head"."""
        if self.part is Part.HOLE:
            return f"hole {self.hole}"
        return {Part.BODY: "foot end", Part.BORE: f"station {self.station}", Part.HEAD: "head"}.get(
            self.part, f"outside station {self.station}"
        )

    @property
    def group(self) -> str:
        """Return the heading that it stands under in a form: "bore", "outside", "head" or "hole 3"."""
        if self.part is Part.HOLE:
            return self.place
        return str(Part.BORE if self.part is Part.BODY else self.part)


@dataclass(frozen=True)
class Size(SizeName):
    """A size of one model: its name, its value in mm or degrees, and the range that the file allows."""

    value: float = math.nan
    least: float = -math.inf
    most: float = math.inf


def hole_key(hole: str, field: str = "diameter_mm") -> str:
    """Return the key of a hole's size."""
    return f"holes.{hole}.{field}"


@cache
def size_name(key: str) -> SizeName:
    """Return a key taken apart; whether a model has that hole or station is not asked.

    Raises
    ------
    ModelError
        It is no key of a size.
    """
    if key == LENGTH:
        return SizeName(key, Part.BODY, key)
    if key.startswith("head.") and key[5:] in _HEAD:
        return SizeName(key, Part.HEAD, key[5:])
    if key.startswith("holes."):
        # A hole's name may hold dots: the field is what the key ends with.
        for field in _HOLE:
            if key.endswith(f".{field}") and len(key) > len("holes..") + len(field):
                return SizeName(key, Part.HOLE, field, hole=key[len("holes.") : -len(field) - 1])
    match = _STATION_KEY.fullmatch(key)
    if match is not None and (_TABLES[match[1]], match[3]) in _STATION:
        return SizeName(key, _TABLES[match[1]], match[3], station=int(match[2]))
    raise ModelError(
        "is no size of an instrument; write it as the model's file does, like holes.3.diameter_mm", field=key
    )


def is_named(key: str) -> bool:
    """Return whether a key names a size."""
    try:
        size_name(key)
    except ModelError:
        return False
    return True


def size_words(key: str) -> str:
    """Return a size in plain words; a text that is no key of a size, of an old record, stays as it is."""
    return size_name(key).words if is_named(key) else key


def size_unit(key: str) -> str:
    """Return "mm" or "deg"; of a text that is no key of a size, of an old record, what it ends with."""
    if is_named(key):
        return size_name(key).unit
    return "deg" if key.endswith("_deg") else "mm"


@cache
def _range(owner: type[Head | Hole | Windway | Chamfer | Undercut], field: str) -> tuple[float, float]:
    """Return the least and the greatest value that the file allows for a field."""
    least, most = -math.inf, math.inf
    for limit in owner.model_fields[field].metadata:
        least = max(least, getattr(limit, "ge", -math.inf), getattr(limit, "gt", -math.inf))
        most = min(most, getattr(limit, "le", math.inf), getattr(limit, "lt", math.inf))
    return least, most


_OWNERS: Final[dict[str, type[Windway | Chamfer | Undercut]]] = {
    "windway": Windway, "upper_chamfer": Chamfer, "lower_chamfer": Chamfer, "undercut": Undercut,
}  # fmt: skip


def _of_part(key: str, part: Head | Hole, field: str) -> Size | None:
    """Return a size of the head or of a hole; None where the file leaves it out."""
    inner, _, last = field.rpartition(".")
    owner = getattr(part, inner) if inner else part
    value = getattr(owner, last)
    if value is None:
        return None
    name, limits = size_name(key), _range(_OWNERS[inner] if inner else type(part), last)
    return Size(key, name.part, name.field, name.hole, 0, float(value), *limits)


def _stations(bore: Bore) -> Iterator[Size]:
    places = [x for x, _ in bore.stations_mm]
    for i, (x, diameter) in enumerate(bore.stations_mm, start=1):
        # Both stations of a step are at one place, which is named once, at the first of them.
        if 1 < i < len(places) and places[i - 2] != x:
            yield Size(f"bore.stations_mm.{i}.x", Part.BORE, "x", "", i, x, -5000.0, 5000.0)
        yield Size(f"bore.stations_mm.{i}.diameter", Part.BORE, "diameter", "", i, diameter, 0.0, 5000.0)
    for i, (_, diameter) in enumerate(bore.outside_mm, start=1):
        yield Size(f"bore.outside_mm.{i}.diameter", Part.OUTSIDE, "diameter", "", i, diameter, 0.0, 5000.0)


def sizes_of(model: Model) -> tuple[Size, ...]:
    """Return every named size of a model: head, foot end, bore, outside, holes; without what the file leaves out."""
    head = (_of_part(f"head.{field}", model.head, field) for field in _HEAD)
    holes = (_of_part(hole_key(hole.name, field), hole, field) for hole in model.holes for field in _HOLE)
    foot = Size(LENGTH, Part.BODY, LENGTH, "", 0, model.length_mm, 0.0, 5000.0)
    return (*(s for s in head if s is not None), foot, *_stations(model.bore), *(s for s in holes if s is not None))


def size_of(model: Model, key: str) -> Size:
    """Return one size of a model.

    Raises
    ------
    ModelError
        The model has no such size; near names are told.
    """
    return _known(model, {s.key: s for s in sizes_of(model)}, key)


def _known(model: Model, sizes: Mapping[str, Size], key: str) -> Size:
    if key not in sizes:
        near = difflib.get_close_matches(key, sizes, n=3)
        mend = f"did you mean {' or '.join(near)}?" if near else f"sizes are {', '.join(list(sizes)[:8])} and so on"
        raise ModelError(f"{model.model.name} has no such size; {mend}", field=key)
    return sizes[key]


def checked_sizes(model: Model, sizes: Mapping[str, float]) -> dict[str, float]:
    """Return the sizes if the model has them all and makes an instrument with them.

    Raises
    ------
    ModelError
        A key that is no size of the model, or sizes that make no instrument.
    """
    if sizes:
        with_sizes(model, sizes)
    return dict(sizes)


def with_sizes(model: Model, sizes: Mapping[str, float]) -> Model:
    """Return the model with some sizes replaced, mm or degrees by key.

    The ear height may be set where the file leaves it out. Both stations of a step move together.

    Raises
    ------
    ModelError
        A key that is no size of the model, or sizes that make no instrument or change the order of the holes.
    """
    if not sizes:
        return model
    known = {s.key: s for s in sizes_of(model)}
    named = {size_name(key) if key == _EARS else _known(model, known, key): value for key, value in sizes.items()}
    raw = set_sizes(model.model_dump(), named)
    positions = [h["position_mm"] for h in raw["holes"]]
    for (one, x1), (two, x2) in itertools.pairwise(zip(model.holes, positions, strict=True)):
        if x2 < x1 - abreast_mm(one, two):
            raise ModelError("the sizes would change the order of the holes along the bore; keep the order")
    return validate_model(raw, place=model.model.name)


def set_sizes(raw: dict[str, Any], sizes: Mapping[SizeName, float]) -> dict[str, Any]:
    """Return a model's plain data with some sizes set, not judged; the data given is changed too."""
    for name, value in sizes.items():
        _set(raw, name, value)
    return raw


def _set(raw: dict[str, Any], name: SizeName, value: float) -> None:
    if name.part is Part.BODY:
        for table in _TABLES:
            *others, (_, diameter) = raw["bore"][table]
            raw["bore"][table] = [*others, (value, diameter)]
    elif name.part in (Part.BORE, Part.OUTSIDE):
        table = "stations_mm" if name.part is Part.BORE else "outside_mm"
        stations = [list(s) for s in raw["bore"][table]]
        here = stations[name.station - 1]
        for station in stations if name.field == "x" else [here]:
            # Both stations of a step move together.
            if name.field != "x":
                station[1] = value
            elif station is not here and station[0] == here[0]:
                station[0] = value
        if name.field == "x":
            here[0] = value
        raw["bore"][table] = stations
    else:
        place = raw["head"] if name.part is Part.HEAD else next(h for h in raw["holes"] if h["name"] == name.hole)
        *inner, last = name.field.split(".")
        for part in inner:
            place = place[part]
        place[last] = value
