"""Where material can be taken off a piece, how far, how well, with what, and what it can never give back."""

from collections.abc import Mapping
from dataclasses import dataclass

from fluewright.bench.pitch_model import PitchModel
from fluewright.errors import InputError
from fluewright.instrument.sizes import LENGTH, hole_key

__all__ = ["KINDS", "Feature", "features_of", "tool_for"]

KINDS = ("hole", "foot", "rounding", "chamfer", "undercut", "undercut up", "undercut down", "window", "bore")
"""Kinds of cuts, in the words of the bench."""

# key's tail, standard error of a hand's cut mm, smallest step mm, most mm; common practice, no source.
_AT_HOLES = {
    "hole": ("diameter_mm", 0.03, 0.03, 2.5),
    "rounding": ("outer_round_mm", 0.05, 0.1, 1.0),
    "chamfer": ("inner_chamfer_mm", 0.05, 0.1, 0.6),
    "undercut": ("undercut.all_round_mm", 0.10, 0.2, 1.5),
    "undercut up": ("undercut.upstream_mm", 0.10, 0.2, 1.5),
    "undercut down": ("undercut.downstream_mm", 0.10, 0.2, 1.5),
}
_HOW = {
    "hole": "open hole {name} evenly all round by {step:.2f} mm on the diameter",
    "foot": "shorten the foot by {step:.2f} mm, square to the bore",
    "rounding": "round the outer edge of hole {name} by {step:.2f} mm more, evenly",
    "chamfer": "chamfer the inner edge of hole {name} by {step:.2f} mm more",
    "undercut": "undercut hole {name} all round by {step:.2f} mm more at its bore end",
    "undercut up": "undercut hole {name} on the window's side by {step:.2f} mm more",
    "undercut down": "undercut hole {name} on the foot's side by {step:.2f} mm more",
    "window": "lengthen the window by {step:.2f} mm at the edge, along the ramp",
    "bore": "open the bore at station {name} by {step:.2f} mm on the diameter",
}
_LASTS = {
    "hole": "a hole opened too far can only be bushed or waxed",
    "foot": "what the foot has lost only a ring or a new body gives back",
    "rounding": "a rounded edge cannot be made sharp again",
    "chamfer": "the inner edge cannot be made sharp again",
    "undercut": "an undercut can only be filled with wax",
    "undercut up": "an undercut can only be filled with wax",
    "undercut down": "an undercut can only be filled with wax",
    "window": "the edge cannot come back; voicing changes with it: blow every note again",
    "bore": "a bore opened too far needs a sleeve; it moves every note",
}
_CAUTION = {
    "hole": "Clear chips from the bore; let plastic cool a minute, metal three, before playing.",
    "foot": "Hold the body in soft jaws; keep fingers behind the blade.",
    "rounding": "Hold the body firmly and cut away from the fingers.",
    "chamfer": "Work from the bore with light; wipe the bore clean.",
    "undercut": "Never lever against the opposite wall of the bore.",
    "undercut up": "Never lever against the opposite wall of the bore.",
    "undercut down": "Never lever against the opposite wall of the bore.",
    "window": "Keep hard tools off the edge; one stroke, then play.",
    "bore": "Reamers grab: turn by hand, clear chips every few millimetres, mind the dust.",
}


@dataclass(frozen=True)
class Feature:
    """One place to cut.

    Attributes
    ----------
    key : str
        The size that the cut changes.
    kind : str
        One of `KINDS`.
    name : str
        In words, as "hole 3".
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
    kind: str
    name: str
    hole: int | None
    before_mm: float
    direction: float
    room_mm: float
    accuracy_mm: float
    smallest_mm: float

    def after_mm(self, step_mm: float) -> float:
        """Return the size after a cut."""
        return self.before_mm + self.direction * step_mm

    def how(self, step_mm: float) -> str:
        """Return what to do, in words."""
        name = self.name.removeprefix("hole ").removeprefix("station ")
        return _HOW[self.kind].format(name=name, step=step_mm)

    @property
    def lasts(self) -> str:
        """Return what cannot be undone."""
        return _LASTS[self.kind]

    @property
    def caution(self) -> str:
        """Return the usual caution; the machine's manual and trained practice come first."""
        return _CAUTION[self.kind]


def features_of(
    pitch: PitchModel,
    as_built: Mapping[str, float],
    *,
    kinds: tuple[str, ...] = ("hole", "foot"),
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
    for kind in kinds:
        if kind not in KINDS:
            raise InputError(f"cuts: {kind!r} is no kind of cut; choose from {', '.join(KINDS)}")
    model = pitch.model
    found: list[Feature] = []
    if "foot" in kinds:
        length = pitch.size(LENGTH, as_built)
        lowest = model.holes[-1].position_mm + 0.5 * model.holes[-1].diameter_mm if model.holes else 0.5 * length
        least = max(model.limits.length_min_mm or 0.0, lowest + model.limits.foot_margin_mm, 0.88 * model.length_mm)
        found.append(
            Feature(LENGTH, "foot", "foot end", None, length, -1.0, max(length - least, 0.0), foot_accuracy_mm, 0.1)
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
            if kind == "hole":
                room = (hole.max_diameter_mm or model.limits.largest_hole_mm) - size
                accuracy, smallest = hole_accuracy_mm, hole_step_mm
            found.append(Feature(key, kind, f"hole {hole.name}", index, size, 1.0, max(room, 0.0), accuracy, smallest))
    if "window" in kinds:
        key = "head.window_length_mm"
        size = pitch.size(key, as_built)
        most = 1.1 * model.head.window_length_mm
        found.append(Feature(key, "window", "window", None, size, 1.0, max(most - size, 0.0), 0.05, 0.05))
    if "bore" in kinds:
        for number in range(1, len(model.bore.stations_mm) + 1):
            key = f"bore.stations_mm.{number}.diameter"
            size, design = pitch.size(key, as_built), pitch.design[key]
            room = max(1.02 * design - size, 0.0)
            found.append(Feature(key, "bore", f"station {number}", None, size, 1.0, room, 0.02, 0.03))
    return tuple(found)


def tool_for(pitch: PitchModel, feature: Feature, after_mm: float) -> str:
    """Return the tool in words: one of the shelf where its size fits, else what a hand uses."""
    if feature.kind == "hole":
        limits = pitch.model.limits
        for name, sizes in (("drill", limits.drills_mm), ("reamer", limits.reamers_mm)):
            for size in sizes:
                if abs(size - after_mm) <= 0.02:
                    return f"{size:g} mm {name} of the shelf, turned by hand"
        return f"taper reamer or round file by hand, to the {after_mm:.2f} mm pin"
    return {
        "foot": "fine saw or facing tool, then a flat file",
        "rounding": "scraper or ball of abrasive paper",
        "chamfer": "hooked scraper through the bore",
        "undercut": "undercutting tool or hooked knife",
        "undercut up": "hooked knife",
        "undercut down": "hooked knife",
        "window": "fine flat file along the ramp",
        "bore": "bore reamer or abrasive on a stick, at that place only",
    }[feature.kind]
