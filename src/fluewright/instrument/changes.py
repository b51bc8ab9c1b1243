"""A model changed: other sizes, limits, tuning standard, air, or name."""

from collections.abc import Mapping
from typing import Any

from fluewright.instrument.files import validate_model
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import with_sizes

__all__ = ["changed", "renamed", "with_target"]


def changed(model: Model, sizes: Mapping[str, float], limits: Mapping[str, Any] | None = None) -> Model:
    """Return a model with some sizes, and what a fit may do, changed.

    Parameters
    ----------
    model : Model
    sizes : mapping
        mm or degrees by key.
    limits : mapping, optional
        Of `Limits`, by name; what is missing stays.

    Raises
    ------
    ModelError
        The sizes make no instrument; the message names key, value, limit and mend.
    """
    made = with_sizes(model, sizes)
    if not limits:
        return made
    raw = made.model_dump()
    raw["limits"] = {**raw["limits"], **limits}
    return validate_model(raw, place=model.model.name)


def with_target(model: Model, *, a4_hz: float | None = None, temperature_c: float | None = None) -> Model:
    """Return the model with another tuning standard or air temperature, checked anew.

    Raises
    ------
    ModelError
        They lie outside what a model may have.
    """
    if a4_hz is None and temperature_c is None:
        return model
    raw = model.model_dump()
    if a4_hz is not None:
        raw["target"]["a4_hz"] = a4_hz
    if temperature_c is not None:
        raw["conditions"]["temperature_c"] = temperature_c
    return validate_model(raw, place=model.model.name)


def renamed(model: Model, name: str) -> Model:
    """Return the model under another name, with its former one as its lineage.

    Raises
    ------
    ModelError
        The name cannot be one.
    """
    raw = model.model_dump()
    raw["model"] |= {"lineage": model.model.name, "name": name}
    return validate_model(raw, place=name)
