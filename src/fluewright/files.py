"""The one way to write a file, whole or not at all, and to read a small one that anybody may have written."""

import os
import re
import stat
import tempfile
from pathlib import Path

from fluewright.errors import InputError

__all__ = ["is_there", "named_after", "read_text", "write_whole"]

_NOT_IN_NAMES = re.compile(r"[^\w #()+.-]")


def is_there(path: Path) -> bool:
    """Return whether there is something at a path; a name that no system takes, or that nobody may look at, is not."""
    try:
        return path.exists()
    except OSError:
        return False


def named_after(text: str) -> str:
    """Return a name for a file after a text that anybody may have written: no folder in it, never hidden."""
    return _NOT_IN_NAMES.sub("_", text).strip(" .-")[:80] or "unnamed"


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
        if target.exists() and not target.is_file():
            # A pipe or a device would be replaced by the file.
            raise InputError(f"{target}: is not a plain file; name another")
        handle, name = tempfile.mkstemp(prefix=f".{target.name[:40]}.", suffix=".part", dir=target.parent)
        temporary = Path(name)
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())  # or a power cut could leave an empty file under the name
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


def read_text(path: Path | str, what: str, *, most_bytes: int) -> str:
    """Return the text of a file; a folder, a pipe or a device is refused, and one that is larger than such files are.

    Parameters
    ----------
    path : Path or str
        A plain file in UTF-8, with or without a byte order mark.
    what : str
        What it should be, with its article: ``a model file``.
    most_bytes : int
        How large such a file may be.

    Raises
    ------
    InputError
        It is no such file; the path stands in the message.
    """
    path = Path(path)
    try:
        # What path.exists() takes for missing may be a name that is too long or holds a zero.
        kind = path.stat().st_mode
        if stat.S_ISDIR(kind):
            raise InputError(f"{path}: is a folder; name {what} in it")
        if not stat.S_ISREG(kind):
            raise InputError(f"{path}: is not a plain file; name {what}")
        with path.open("rb") as stream:
            raw = stream.read(most_bytes + 1)
        if len(raw) > most_bytes:
            raise InputError(
                f"{path}: is {max(path.stat().st_size, len(raw)) / 1024:.0f} KiB large, above the "
                f"{most_bytes // 1024} KiB that {what} may have; name {what}"
            )
    except FileNotFoundError as error:
        raise InputError(f"{path}: there is no such file; check the name") from error
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise InputError(f"{path}: cannot be read ({reason}); check the name and the rights to read it") from None
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(f"{path}: is not UTF-8 text (line {line}); save it as UTF-8") from None
