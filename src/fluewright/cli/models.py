"""Model files: the starting ones, copies of them, and whether a file is good."""

from pathlib import Path
from typing import Annotated

import typer

from fluewright.cli.arguments import JsonOpt
from fluewright.cli.printing import print_json, print_table, put, warn
from fluewright.errors import InputError
from fluewright.files import is_there, write_whole

__all__ = ["check", "models", "new"]


def models(as_json: JsonOpt = False) -> None:
    """List the starting models that come with the program."""
    from fluewright.instrument.starting import load, starting_models

    found = [(name, load(name)) for name in starting_models()]
    if as_json:
        print_json(
            {
                "models": [
                    {
                        "name": name,
                        "description": m.model.description,
                        "lowest_note": m.model.lowest_note,
                        "length_mm": m.length_mm,
                        "holes": len(m.holes),
                    }
                    for name, m in found
                ]
            }
        )
        return
    print_table(
        "Starting models",
        ["name", "lowest", "length mm", "holes", "description"],
        [
            [name, m.model.lowest_note, f"{m.length_mm:.1f}", str(len(m.holes)), m.model.description]
            for name, m in found
        ],
    )


def new(
    starting: Annotated[str, typer.Argument(metavar="STARTING", help="Starting model to copy; see `models`.")],
    path: Annotated[Path, typer.Argument(metavar="FILE", help="File to write.")],
    force: Annotated[bool, typer.Option("--force", help="Replace an existing file.")] = False,
) -> None:
    """Copy a starting model to a file of your own.

    Raises
    ------
    InputError
        No starting model has that name, or the file exists.
    """
    from fluewright.instrument.starting import starting_models

    known = starting_models()
    if starting not in known:
        raise InputError(f"{starting}: no starting model has that name; there are {', '.join(known)}")
    if is_there(path) and not force:
        raise InputError(f"{path}: the file exists; choose another name or say --force")
    write_whole(path, known[starting].read_text(encoding="utf-8"))
    put(f"{path}\n")


def check(
    model: Annotated[str | None, typer.Argument(metavar="MODEL", help="Model file or starting model.")] = None,
    write_schema: Annotated[
        Path | None, typer.Option("--write-schema", help="Write the JSON Schema of model files instead.")
    ] = None,
) -> None:
    """Check a model file: faults end with exit code 2, unusual sizes are said as warnings.

    Raises
    ------
    InputError
        No model is named.
    """
    if write_schema is not None:
        from fluewright.instrument.files import write_schema as write

        write(write_schema)
        put(f"{write_schema}\n")
        return
    if model is None:
        raise InputError("check: name a model file, for example `fluewright check d5-cylinder`")
    from fluewright.instrument.practice import warnings_for
    from fluewright.instrument.starting import load

    loaded = load(model)
    notes = warnings_for(loaded)
    warn(notes)
    put(f"{model}: good, {len(notes)} warning{'' if len(notes) == 1 else 's'}\n")
