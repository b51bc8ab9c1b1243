"""Where material can be taken off a piece, how far, how well, with what, and what it can never give back."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from fluewright.bench.cut_words import BY_HAND
from fluewright.bench.pitch_model import PitchModel
from fluewright.errors import InputError
from fluewright.instrument.sizes import LENGTH, CutKind, hole_key

__all__ = ["KINDS", "Feature", "features_of", "kinds_of", "smallest_step_mm", "tool_for"]

KINDS = (
    CutKind.HOLE, CutKind.FOOT, CutKind.ROUNDING, CutKind.CHAMFER, CutKind.UNDERCUT, CutKind.UNDERCUT_UP,
    CutKind.UNDERCUT_DOWN, CutKind.WINDOW, CutKind.BORE,
)  # fmt: skip
"""Kinds of cuts that the bench proposes."""

# key's tail, standard error of a hand's cut mm, smallest step mm, most mm; common practice, no source.
_AT_HOLES = {
    CutKind.HOLE: ("diameter_mm", 0.03, 0.03, 2.5),
    CutKind.ROUNDING: ("outer_round_mm", 0.05, 0.1, 1.0),
    CutKind.CHAMFER: ("inner_chamfer_mm", 0.05, 0.1, 0.6),
    CutKind.UNDERCUT: ("undercut.all_round_mm", 0.10, 0.2, 1.5),
    CutKind.UNDERCUT_UP: ("undercut.upstream_mm", 0.10, 0.2, 1.5),
    CutKind.UNDERCUT_DOWN: ("undercut.downstream_mm", 0.10, 0.2, 1.5),
}
_SMALLEST_MM = {CutKind.FOOT: 0.1, CutKind.WINDOW: 0.05, CutKind.BORE: 0.03}


@dataclass(frozen=True)
class Feature:
    """One place to cut.

    Attributes
    ----------
    key : str
        The size that the cut changes.
    kind : CutKind
    hole : int or None
        Index of the hole; None for foot, window and bore.
    before_mm : float
        The present size.
    direction : float
        +1 where cutting makes the size larger, -1 where smaller.
    room_mm : float
        How much may come off.
    accuracy_mm : float
        Standard error of the cut.
    smallest_mm : float
        Below this a cut is not worth making.
    """

    key: str
    kind: CutKind
    hole: int | None
    before_mm: float
    direction: float
    room_mm: float
    accuracy_mm: float
    smallest_mm: float

    def after_mm(self, step_mm: float) -> float:
        """Return the size after a cut."""
        return self.before_mm + self.direction * step_mm


def smallest_step_mm(kind: CutKind, hole_step_mm: float = 0.03) -> float:
    """Return below what step a cut of a kind is not worth making; `hole_step_mm` is that of a hole's diameter."""
    if kind is CutKind.HOLE:
        return hole_step_mm
    return _AT_HOLES[kind][2] if kind in _AT_HOLES else _SMALLEST_MM[kind]


def kinds_of(words: Iterable[str]) -> tuple[CutKind, ...]:
    """Return kinds of cuts from their words.

    Raises
    ------
    InputError
        A kind that the bench does not propose.
    """
    words = tuple(words)
    for word in words:
        if word not in KINDS:
            raise InputError(f"{word!r} is no kind of cut; choose from {', '.join(KINDS)}", field="cuts")
    return tuple(CutKind(word) for word in words)


def features_of(
    pitch: PitchModel,
    as_built: Mapping[str, float],
    *,
    kinds: tuple[CutKind, ...] = (CutKind.HOLE, CutKind.FOOT),
    hole_accuracy_mm: float = 0.03,
    foot_accuracy_mm: float = 0.10,
    hole_step_mm: float = 0.03,
) -> tuple[Feature, ...]:
    """Return the places to cut, from the foot upward, those at a limit included (their room is 0).

    Raises
    ------
    InputError
        A kind that does not exist.
    """
    kinds_of(kinds)
    model = pitch.model
    found: list[Feature] = []
    if CutKind.FOOT in kinds:
        length = pitch.size(LENGTH, as_built)
        lowest = model.holes[-1].position_mm + 0.5 * model.holes[-1].diameter_mm if model.holes else 0.5 * length
        least = max(model.limits.length_min_mm or 0.0, lowest + model.limits.foot_margin_mm, 0.88 * model.length_mm)
        found.append(
            Feature(
                LENGTH,
                CutKind.FOOT,
                None,
                length,
                -1.0,
                max(length - least, 0.0),
                foot_accuracy_mm,
                _SMALLEST_MM[CutKind.FOOT],
            )
        )
    for index in range(len(model.holes) - 1, -1, -1):
        hole = model.holes[index]
        for kind in KINDS:
            if kind not in kinds or kind not in _AT_HOLES:
                continue
            tail, accuracy, smallest, most = _AT_HOLES[kind]
            key = hole_key(hole.name, tail)
            size = pitch.size(key, as_built)
            room = most - size
            if kind is CutKind.HOLE:
                room = (hole.max_diameter_mm or model.limits.largest_hole_mm) - size
                accuracy, smallest = hole_accuracy_mm, hole_step_mm
            found.append(Feature(key, kind, index, size, 1.0, max(room, 0.0), accuracy, smallest))
    if CutKind.WINDOW in kinds:
        key = "head.window_length_mm"
        size = pitch.size(key, as_built)
        most = 1.1 * model.head.window_length_mm
        found.append(
            Feature(key, CutKind.WINDOW, None, size, 1.0, max(most - size, 0.0), 0.05, _SMALLEST_MM[CutKind.WINDOW])
        )
    if CutKind.BORE in kinds:
        for number in range(1, len(model.bore.stations_mm) + 1):
            key = f"bore.stations_mm.{number}.diameter"
            size, design = pitch.size(key, as_built), pitch.design[key]
            room = max(1.02 * design - size, 0.0)
            found.append(Feature(key, CutKind.BORE, None, size, 1.0, room, 0.02, _SMALLEST_MM[CutKind.BORE]))
    return tuple(found)


def tool_for(pitch: PitchModel, feature: Feature, after_mm: float) -> str:
    """Return the tool in words: one of the shelf where its size fits, else what a hand uses."""
    if feature.kind is CutKind.HOLE:
        limits = pitch.model.limits
        for name, sizes in (("drill", limits.drills_mm), ("reamer", limits.reamers_mm)):
            for size in sizes:
                if abs(size - after_mm) <= 0.02:
                    return f"{size:g} mm {name} of the shelf, turned by hand"
        return f"taper reamer or round file by hand, to the {after_mm:.2f} mm pin"
    return BY_HAND[feature.kind]
