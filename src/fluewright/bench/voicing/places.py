"""Which adjustments are made at which place of the head, for a picture whose places are pressed."""

from fluewright.acoustics.voicing import Adjustment
from fluewright.bench.voicing.advice import step_of
from fluewright.errors import InputError

__all__ = ["PLACES", "adjustments_at", "places_of"]

PLACES: dict[str, tuple[str, ...]] = {
    "entry": ("windway-taper", "entry-flare"),
    "windway": ("windway-higher", "windway-lower"),
    "upper-chamfer": ("upper-chamfer",),
    "lower-chamfer": ("lower-chamfer", "new-block-more-chamfer", "new-block-less-chamfer"),
    "block": (
        "block-forward", "block-back", "windway-lower", "windway-higher", "new-block-more-chamfer",
        "new-block-less-chamfer",
    ),
    "window": ("window-longer", "dress-edge", "block-forward", "block-back"),
    "edge": ("edge-outward", "edge-inward", "edge-break", "dress-edge", "window-longer"),
    "ramp": ("dress-edge", "window-longer", "edge-outward", "edge-inward"),
    "ears": ("ears-lower",),
}  # fmt: skip
"""Place of the section -> keys of `advice.STEPS`, what is usual there first. A floor is worked on the block; the window
grows where the edge is cut back, and the block shortens it; the edge's height is cut with a new ramp."""


def adjustments_at(place: str) -> tuple[Adjustment, ...]:
    """Return the adjustments of a place, each with its usual step, for `acoustics.voicing.voicing_effects`.

    Raises
    ------
    InputError
        There is no such place.
    """
    if place not in PLACES:
        raise InputError(f"place {place!r} is not known; use one of {', '.join(PLACES)}")
    return tuple(step_of(key).adjustment for key in PLACES[place])


def places_of(key: str) -> tuple[str, ...]:
    """Return the places at which an adjustment is made; none for what changes no size, such as sealing a leak.

    Raises
    ------
    InputError
        There is no such adjustment in `advice.STEPS`.
    """
    step_of(key)
    return tuple(place for place, keys in PLACES.items() if key in keys)
