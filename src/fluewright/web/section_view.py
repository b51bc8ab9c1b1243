"""The head's section as a control: press a place that the trade cuts, see what one usual step there does."""

from functools import lru_cache
from typing import Any

from fluewright.acoustics.voicing import ADJUSTMENTS, QUANTITIES, VoicingEffect, voicing_effects
from fluewright.errors import ComputeError, InputError
from fluewright.instrument.files import model_from_text, model_text
from fluewright.instrument.model import Model
from fluewright.pictures.palette import Theme
from fluewright.pictures.section import head_section

__all__ = ["section_view"]


@lru_cache(maxsize=64)
def _effects(text: str, place: str) -> tuple[VoicingEffect, ...]:
    from fluewright.bench.voicing.places import PLACES

    if place not in PLACES:
        raise InputError(f"{place[:40]!r} is no place of the section; it has {', '.join(PLACES)}")
    model = model_from_text(text, place="model")
    try:
        return voicing_effects(model, adjustments=[a for a in ADJUSTMENTS if a.key in PLACES[place]])
    except ComputeError as error:
        raise InputError(str(error)) from error


def section_view(made: Model, place: str, theme: Theme) -> dict[str, Any]:
    """Return the section and, where a place is named, the effects of every adjustment there.

    Raises
    ------
    InputError
        There is no such place, or the head cannot sound.
    """
    found: dict[str, Any] = {"section": head_section(made, theme=theme), "place": place, "effects": []}
    if place:
        for effect in _effects(model_text(made), place):
            found["effects"].append(_plain(effect))
    return found


def _plain(effect: VoicingEffect) -> dict[str, Any]:
    adjustment = effect.adjustment
    return {
        "key": adjustment.key, "title": adjustment.title, "undo": adjustment.undo, "caution": adjustment.caution,
        "reason": effect.reason,
        "effects": [
            {"title": QUANTITIES[e.quantity][0], "unit": QUANTITIES[e.quantity][1], "value": e.value,
             "sigma": e.uncertainty, "evidence": e.evidence}
            for e in effect.effects if e.quantity in QUANTITIES
        ],
    }  # fmt: skip
