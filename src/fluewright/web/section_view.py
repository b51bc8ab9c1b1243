"""The head's section as a control: press a place that the trade cuts, see what one usual step there does."""

from functools import lru_cache
from typing import Any

from fluewright.acoustics.voicing import QUANTITIES, VoicingEffect, voicing_effects
from fluewright.bench.voicing.advice import STEPS
from fluewright.bench.voicing.places import PLACES
from fluewright.errors import ComputeError, InputError
from fluewright.instrument.files import model_from_text, model_text
from fluewright.instrument.model import Model
from fluewright.pictures.effects import AdjustmentEffects, EffectRow, effect_picture
from fluewright.pictures.palette import Theme
from fluewright.pictures.section import PLACE_NAMES, head_section
from fluewright.shop.head_pictures import lowest_jet

__all__ = ["section_picture", "section_view"]


def section_picture(made: Model, theme: Theme, *, chosen: str | None = None, width_mm: float = 180.0) -> str:
    """Return the section with its places to press, its grips to drag, and the jet."""
    return head_section(made, theme=theme, control=True, chosen=chosen, jet=lowest_jet(made), width_mm=width_mm)


@lru_cache(maxsize=64)
def _effects(text: str, place: str) -> tuple[VoicingEffect, ...]:
    model = model_from_text(text, place="model")
    steps = [s.adjustment for s in STEPS if s.key in PLACES[place] and s.adjustment.steps]
    try:
        return voicing_effects(model, adjustments=steps)
    except ComputeError as error:
        raise InputError(str(error)) from error


def section_view(made: Model, place: str, theme: Theme, *, width_mm: float = 180.0) -> dict[str, Any]:
    """Return the section and, where a place is named, the effects of every adjustment there.

    Raises
    ------
    InputError
        There is no such place, or the head cannot sound.
    """
    if place and place not in PLACES:
        raise InputError(f"{place[:40]!r} is no place of the section; it has {', '.join(PLACES)}")
    found: dict[str, Any] = {
        "section": section_picture(made, theme, chosen=place or None, width_mm=width_mm),
        "place": place,
        "places": [[key, PLACE_NAMES[key]] for key in PLACES],
        "effects": [],
        "picture": "",
    }
    if place:
        effects = _effects(model_text(made), place)
        title = f"{place.replace('-', ' ')}: what one usual step does"
        found["picture"] = effect_picture([_drawn(e) for e in effects], title=title, theme=theme, width_mm=width_mm)
        found["effects"] = [_plain(e) for e in effects]
    return found


def _drawn(effect: VoicingEffect) -> AdjustmentEffects:
    adjustment = effect.adjustment
    rows = [
        EffectRow(QUANTITIES[e.quantity][0], e.value, e.uncertainty, QUANTITIES[e.quantity][1], e.evidence)
        for e in effect.effects if e.quantity in QUANTITIES
    ]  # fmt: skip
    return AdjustmentEffects(
        adjustment.key, adjustment.title, rows, adjustment.undo, adjustment.caution, effect.reason
    )  # fmt: skip


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
