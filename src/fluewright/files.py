"""The one way to write a file: whole, or not at all."""

import os
import tempfile
from pathlib import Path

from fluewright.errors import InputError

__all__ = ["write_whole"]


def write_whole(path: Path | str, content: str | bytes, *, mode: int = 0o644) -> Path:
    """Write a file in one step; a reader sees the old one or the new one, never a part, and a failure leaves the old.

    Parameters
    ----------
    path : Path or str
        In a folder that exists; an existing file is replaced.
    content : str or bytes
        Text is written as UTF-8 with line feeds.
    mode : int
        Who may read and write the file.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        It is a folder, or cannot be written there.
    """
    target = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    temporary: Path | None = None
    try:
        if target.is_dir():
            raise InputError(f"{target}: is a folder; name a file in it")
        handle, name = tempfile.mkstemp(prefix=f".{target.name[:40]}.", suffix=".part", dir=target.parent)
        temporary = Path(name)
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        temporary.chmod(mode)
        temporary.replace(target)
    except OSError as error:
        raise InputError(
            f"{target}: cannot be written ({error.strerror or error}); choose a folder that exists and that you may "
            "write to, with room on its disk"
        ) from error
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
    return target
