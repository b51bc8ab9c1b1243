"""How page data become a PDF file, without system fonts and with nothing spliced into the page's code."""

import json
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path

from fluewright.errors import ComputeError, InputError
from fluewright.extras import require
from fluewright.files import write_whole
from fluewright.plain_text import unobeyed

__all__ = ["check_timestamp", "write_pdf"]


def check_timestamp(timestamp: int | None) -> None:
    """Refuse a time outside 1970 to 9999; None, the present time, passes.

    Raises
    ------
    InputError
        The time lies outside.
    """
    if timestamp is not None and not 0 <= timestamp <= 253_402_300_799:
        raise InputError(
            f"timestamp is {timestamp}; it counts seconds since 1970 and ends with the year 9999. Give a time between."
        )


def _harmless(value: object) -> object:
    """Return plain data with all texts harmless for who copies from the page."""
    if isinstance(value, str):
        return unobeyed(value)
    if isinstance(value, Mapping):
        return {key: _harmless(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_harmless(inner) for inner in value]
    return value


def write_pdf(
    form: str, data: Mapping[str, object], path: Path | str, *, timestamp: int | None, mode: int = 0o644
) -> Path:
    """Typeset one of the shipped forms with data and write the PDF in one step.

    Parameters
    ----------
    form : str
        Name of a ``.typ`` file of this package.
    data : mapping
        Plain values; they travel as JSON, so that no text in them is ever read as code.
    path : path
        File to write; an existing one is replaced.
    timestamp : int or None
        Creation time in seconds since 1970 (UTC) kept in the file; the same data and time give the same
        bytes. None uses the present time.
    mode : int
        Who may read and write the file.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    InputError
        The file cannot be written, or the time lies outside 1970 to 9999.
    ComputeError
        The page could not be typeset.
    MissingPartError
        The typesetter is not installed.
    """
    require("papers", by="a PDF sheet or certificate")
    import typst

    target = Path(path)
    check_timestamp(timestamp)
    code = files("fluewright.making").joinpath(form).read_bytes()
    try:
        pdf = typst.compile(
            code,
            sys_inputs={"data": json.dumps(_harmless(data), ensure_ascii=True, sort_keys=True)},
            ignore_system_fonts=True,
            timestamp=timestamp,
            format="pdf",
        )
    except typst.TypstError as error:
        raise ComputeError(f"the page {form} could not be typeset: {error}. Nothing was written.") from error
    return write_whole(target, bytes(pdf), mode=mode)
