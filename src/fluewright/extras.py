"""The parts of the program that are installed only where they are wanted, and what to say where one is missing."""

from importlib.util import find_spec

from fluewright.errors import MissingPartError

__all__ = ["PARTS", "require"]

PARTS = {
    "web": ("cryptography", "jinja2", "segno", "starlette", "uvicorn", "websockets"),
    "papers": ("typst",),
}
"""The packages of each part, by the names they are imported by; pyproject.toml has the same."""


def require(part: str, *, by: str) -> None:
    """Make sure that a part is installed.

    Parameters
    ----------
    part : str
        A key of `PARTS`.
    by : str
        What needs it, as a person knows it.

    Raises
    ------
    MissingPartError
        A package of it is missing.
    """
    if any(find_spec(package) is None for package in PARTS[part]):
        raise MissingPartError(f'{by} needs the {part} part: pip install "fluewright[{part}]"')
