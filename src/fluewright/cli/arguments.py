"""What the verbs are given: arguments that many share, and how their text is read."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from fluewright.errors import InputError

__all__ = ["JsonOpt", "LedgerOpt", "ModelArg", "ThemeOpt", "existing_ledger", "sizes_of", "theme_of"]

ModelArg = Annotated[str, typer.Argument(metavar="MODEL", help="A model file, or the name of a starting model.")]
JsonOpt = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]
ThemeOpt = Annotated[str, typer.Option("--theme", help="light or dark, for the picture.")]
LedgerOpt = Annotated[Path, typer.Option("--ledger", help="The ledger's file.")]


def sizes_of(pairs: list[str]) -> dict[str, float]:
    """Return size by key from texts such as ``holes.3.diameter_mm=6.2``.

    Raises
    ------
    InputError
        A text is no KEY=MILLIMETRES, or a key comes twice.
    """
    sizes = {}
    for pair in pairs:
        key, _, text = pair.partition("=")
        try:
            value = float(text)
        except ValueError:
            raise InputError(
                f"{pair!r}: write KEY=MILLIMETRES, for example --size holes.3.diameter_mm=6.2", field="size"
            ) from None
        if key.strip() in sizes:
            raise InputError(f"{pair!r}: {key.strip()} is given twice; keep one of them", field="size")
        sizes[key.strip()] = value
    return sizes


def theme_of(text: str) -> Literal["light", "dark"]:
    """Return the theme of a picture.

    Raises
    ------
    InputError
        It is neither light nor dark.
    """
    if text == "light":
        return "light"
    if text == "dark":
        return "dark"
    raise InputError(f"--theme is {text!r}; it can be light or dark")


def existing_ledger(path: Path) -> Path:
    """Return the path of a ledger that is there.

    Raises
    ------
    InputError
        There is none.
    """
    if not path.exists():
        raise InputError(
            f"{path}: there is no ledger; check the path, or begin one with "
            f"`fluewright ledger add-model MODEL --ledger {path}`"
        )
    return path
