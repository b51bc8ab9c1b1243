"""Finds the models that a maker can start from."""

import difflib
from importlib import resources
from pathlib import Path

from fluewright.errors import ModelError
from fluewright.files import is_there
from fluewright.instrument.files import read_model
from fluewright.instrument.model import Model

__all__ = ["load", "starting_models"]


def starting_models() -> dict[str, Path]:
    """Return the shipped models: name to file, by name."""
    folder = Path(str(resources.files("fluewright.instrument") / "data"))
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def load(name_or_path: str | Path) -> Model:
    """Read a model by the name of a starting model (``"d5-cylinder"``) or by its path.

    Raises
    ------
    ModelError
        When there is neither, with the near names; or when the file is faulty.
    """
    models = starting_models()
    text = str(name_or_path)
    path = Path(name_or_path)
    if text in models and not path.is_file():
        return read_model(models[text])
    bare = path.name == text and not path.suffix
    if bare and not is_there(path):
        near = difflib.get_close_matches(text, models, n=3, cutoff=0.4)
        mend = f"did you mean {' or '.join(near)}?" if near else f"the starting models are {', '.join(models)}"
        raise ModelError(f'"{text}" is neither a starting model nor a file; {mend}')
    return read_model(path)
