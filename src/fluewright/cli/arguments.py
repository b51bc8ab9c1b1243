"""What the verbs are given: arguments that many share, and how their text is read."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from fluewright.errors import InputError
from fluewright.files import is_there

__all__ = [
    "BreathReadingOpt", "JsonOpt", "LedgerOpt", "LogOffsetOpt", "ModelArg", "SerialOpt", "ThemeOpt", "existing_ledger",
    "piece_in_ledger", "sizes_of", "theme_of",
]  # fmt: skip

ModelArg = Annotated[str, typer.Argument(metavar="MODEL", help="A model file, or the name of a starting model.")]
JsonOpt = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]
ThemeOpt = Annotated[str, typer.Option("--theme", help="light or dark, for the picture.")]
LedgerOpt = Annotated[Path, typer.Option("--ledger", help="The ledger's file.")]
SerialOpt = Annotated[str | None, typer.Option("--serial", help="The piece in the ledger.")]
LogOffsetOpt = Annotated[
    float | None, typer.Option("--log-offset", help="Sound time of the log's time 0, s; found by itself when left out.")
]
BreathReadingOpt = Annotated[
    list[str] | None,
    typer.Option("--breath", help="A reading SECONDS=PRESSURE, in Pa or with mm or cm of water; repeat it."),
]


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
    if not is_there(path):
        raise InputError(
            f"{path}: there is no ledger; check the path, or begin one with "
            f"`fluewright ledger add-model MODEL --ledger {path}`"
        )
    return path


def piece_in_ledger(ledger: Path | None, serial: str | None) -> tuple[Path, str] | None:
    """Return the ledger and the piece that were named together, None where neither was.

    Raises
    ------
    InputError
        Only one of the two is named, or there is no such ledger.
    """
    if (ledger is None) != (serial is None):
        raise InputError("--ledger and --serial go together: name both, or neither")
    return None if ledger is None or serial is None else (existing_ledger(ledger), serial)
