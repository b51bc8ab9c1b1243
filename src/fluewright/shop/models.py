"""Models of the ledger and starting models: listing, reading, changing sizes, saving a version."""

import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from fluewright.errors import InputError
from fluewright.instrument.changes import renamed
from fluewright.instrument.files import model_from_text, model_text
from fluewright.instrument.model import Model
from fluewright.instrument.starting import load, starting_models
from fluewright.ledger import Ledger, ModelVersion, open_ledger

__all__ = [
    "ListedModel", "Version", "list_models", "read_model_of", "read_version", "recorded_model",
    "save_version", "versions_of",
]  # fmt: skip

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,59}")


@dataclass(frozen=True)
class ListedModel:
    """A model that is there: the newest version in the ledger, or a starting model (version 0).

    Attributes
    ----------
    name : str
    version : int
    model : Model or None
        None where what the ledger holds is no model any more, by a later and stricter rule for example.
    fault : str
        Why not; empty where it is one.
    """

    name: str
    version: int
    model: Model | None
    fault: str = ""


@dataclass(frozen=True)
class Version:
    """One version of a model in the ledger."""

    version: int
    added_at: datetime
    lineage: str


def recorded_model(book: Ledger, name: str, version: int | None = None) -> Model:
    """Return a model of an open ledger, by default its newest version.

    Raises
    ------
    LedgerError
        There is none of that name or version.
    ModelError
        What the ledger holds is no model any more.
    """
    return model_from_text(book.model(name, version).toml_text, place=f"{name} in the ledger")


def list_models(ledger: Path) -> list[ListedModel]:
    """Return the newest versions of the ledger's models, then the starting models that it does not have.

    One that is no model any more is listed with its fault: it keeps nobody from the others.
    """
    with open_ledger(ledger) as book:
        newest = {m.name: m for m in book.models()}
    starting = [ListedModel(name, 0, load(name)) for name in starting_models() if name not in newest]
    return [_listed(m) for m in newest.values()] + starting


def _listed(kept: ModelVersion) -> ListedModel:
    try:
        return ListedModel(kept.name, kept.version, model_from_text(kept.toml_text, place=kept.name))
    except InputError as error:
        return ListedModel(kept.name, kept.version, None, str(error))


def read_model_of(ledger: Path, name: str, version: int | None = None) -> Model:
    """Return a model of the ledger, or a starting model.

    Raises
    ------
    InputError
        There is none of that name.
    """
    with open_ledger(ledger) as book:
        if name in {m.name for m in book.models()}:
            return recorded_model(book, name, version)
    if name in starting_models():
        return load(name)
    raise InputError(f"there is no model {name[:60]!r}; choose one from the list", field="model")


def read_version(ledger: Path, said: str) -> Model:
    """Return the model that ``name`` or ``name@version`` means.

    Raises
    ------
    InputError
        There is none.
    """
    name, _, version = said.partition("@")
    if version and not (version.isascii() and version.isdigit() and len(version) < 7):
        raise InputError(f"{said[:60]}: write NAME@VERSION, for example d5-cylinder@2", field="model")
    return read_model_of(ledger, name, int(version) if version else None)


def versions_of(ledger: Path, name: str) -> list[Version]:
    """Return the versions of a model in the ledger, newest first."""
    with open_ledger(ledger) as book:
        known = [m for m in book.models() if m.name == name]
    return [Version(m.version, m.added_at, m.lineage or "") for m in reversed(known)]


def save_version(ledger: Path, model: Model, name: str = "") -> ModelVersion:
    """Save a model as a version of `name` in the ledger, by default of its own name; the same text is the same version.

    Raises
    ------
    InputError
        The name cannot be one.
    """
    own = model.model.name
    wanted = name or own
    # Its name is a page's address and a file's name; one that the ledger has already may go on.
    with open_ledger(ledger) as book:
        known = {m.name for m in book.models()}
    if wanted not in known and not _NAME.fullmatch(wanted):
        raise InputError(
            f"{wanted[:60]!r} cannot be a model's name; use up to 60 letters, figures, points and hyphens, for example "
            "d5-cylinder-442",
            field="name",
        )
    if name and name != own:
        model = renamed(model, name)
    with open_ledger(ledger) as book:
        return book.add_model(model.model.name, model_text(model), lineage=model.model.lineage or None)
