"""Models: which there are to start from, reading and writing one, its sizes, and changing them."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fluewright.face.records import RecordTable, plain
from fluewright.instrument.changes import changed, renamed, with_target
from fluewright.instrument.files import write_model
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import sizes_of
from fluewright.instrument.starting import load, starting_models

__all__ = ["change", "load", "models", "save", "sizes"]


def models() -> RecordTable:
    """Return the models to start from: name, lowest note, length, holes, description."""
    found = [(name, load(name)) for name in starting_models()]
    return RecordTable(
        "starting models",
        tuple(
            {
                "name": name, "lowest_note": m.model.lowest_note, "length_mm": m.length_mm, "holes": len(m.holes),
                "description": m.model.description,
            }
            for name, m in found
        ),
    )  # fmt: skip


def save(model: Model, path: str | Path, *, like: str | Path | None = None) -> Path:
    """Write a model file (TOML) and return it.

    Parameters
    ----------
    model : Model
    path : str or Path
    like : str or Path, optional
        A model file whose comments and order are kept; by default those of the file that is already at `path`.

    Raises
    ------
    ModelError
        It cannot be written there, or `like` is no model file.
    """
    write_model(model, path, like=like)
    return Path(path)


def sizes(model: Model) -> RecordTable:
    """Return every named size of a model: key, words, value, unit, and the range that a file allows."""
    return RecordTable(
        f"{model.model.name}: sizes",
        tuple(
            {"key": s.key, "words": s.words, "value": s.value, "unit": s.unit, "least": plain(s.least),
             "most": plain(s.most)}
            for s in sizes_of(model)
        ),
    )  # fmt: skip


def change(
    model: Model, sizes: Mapping[str, float] | None = None, *, name: str | None = None, a4_hz: float | None = None,
    temperature_c: float | None = None, limits: Mapping[str, Any] | None = None,
) -> Model:  # fmt: skip
    """Return a changed copy of a model, checked anew; what is not given stays.

    Parameters
    ----------
    model : Model
    sizes : mapping, optional
        mm or degrees by key, as `sizes(model)` lists them.
    name : str, optional
        Of the copy; the former name becomes its lineage.
    a4_hz, temperature_c : float, optional
        Tuning standard, and air in the bore.
    limits : mapping, optional
        What a fit may do, by the names that the model file has under ``[limits]``.

    Raises
    ------
    ModelError
        A size or limit that the model lacks, or values that make no instrument; the message names key, value, limit
        and mend.
    """
    made = with_target(changed(model, sizes or {}, limits), a4_hz=a4_hz, temperature_c=temperature_c)
    return made if name is None else renamed(made, name)
