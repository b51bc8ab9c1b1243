"""The one way to write a file, whole or not at all, to read a small one that anybody may have written, and to keep one.

What the program keeps for itself (ledger, recordings, drafts) only its owner may read, and it is never written through
a symbolic link: whoever may write in a folder could lay one there that leads elsewhere.
"""

import os
import re
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from fluewright.errors import InputError

__all__ = [
    "append_synced", "is_there", "named_after", "narrowed", "part_file", "private_folder", "read_text", "refuse_link",
    "sync_folder", "write_whole",
]  # fmt: skip

PRIVATE_FILE, PRIVATE_FOLDER = 0o600, 0o700

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


def write_whole(path: Path | str, content: str | bytes, *, mode: int = 0o644, synced: bool = False) -> Path:
    """Write a file in one step; a reader sees the old one or the new one, never a part, and a failure leaves the old.

    Parameters
    ----------
    path : Path or str
        In a folder that exists; an existing file is replaced.
    content : str or bytes
        Text is written as UTF-8 with line feeds.
    mode : int
        Who may read and write the file.
    synced : bool
        Whether its name is on the disk too when this returns, so that no power cut takes it.

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
        if synced:
            sync_folder(target.parent)
    except OSError as error:
        raise InputError(
            f"{target}: cannot be written ({error.strerror or error}); choose a folder that exists and that you may "
            "write to, or free some room on its disk"
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


@contextmanager
def part_file(path: Path | str, *, mode: int = 0o644) -> Iterator[Path]:
    """Yield the name of a file to be written by another library; it gets its own name only when all went well.

    Parameters
    ----------
    path : Path or str
        In a folder that exists; an existing file is replaced at the end.
    mode : int
        Who may read and write the file.

    Raises
    ------
    InputError
        It is a folder, or cannot be written there; nothing is left then.
    """
    target = Path(path)
    if target.is_dir():
        raise InputError(f"{target}: is a folder; name a file in it")
    part: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.stem[:40]}.", suffix=target.suffix, dir=target.parent)
        os.close(handle)
        part = Path(name)
        yield part
        part.chmod(mode)
        part.replace(target)
    except OSError as error:
        raise InputError(
            f"{target}: cannot be written ({error.strerror or error}); choose a folder that exists and that you may "
            "write to, or free some room on its disk"
        ) from error
    finally:
        if part is not None:
            with suppress(OSError):
                part.unlink(missing_ok=True)


def append_synced(path: Path, line: bytes, *, at: int | None = None) -> os.stat_result:
    """Add to a file that only its owner may read; it is on the disk, name and all, when this returns.

    Parameters
    ----------
    path : Path
    line : bytes
    at : int, optional
        What lies behind this place is cut off first.

    Returns
    -------
    os.stat_result
        Of the file after it.

    Raises
    ------
    OSError
        It cannot be written, or is a symbolic link.
    """
    flags = os.O_WRONLY | os.O_APPEND | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
    try:
        handle, new = os.open(path, flags | getattr(os, "O_BINARY", 0)), False
    except FileNotFoundError:
        handle, new = os.open(path, flags | os.O_CREAT | getattr(os, "O_BINARY", 0), PRIVATE_FILE), True
    with os.fdopen(handle, "ab") as stream:
        if at is not None:
            stream.truncate(at)
        stream.write(line)
        stream.flush()
        os.fsync(stream.fileno())
        after = os.fstat(stream.fileno())
    if new:
        sync_folder(path.parent)
    return after


def sync_folder(folder: Path) -> None:
    """Put the names in a folder on the disk, where the system can: a new file is there after a power cut only then."""
    try:
        handle = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
    except OSError:
        return  # Windows opens no folder; there names are kept with the file
    try:
        with suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


def private_folder(folder: Path) -> Path:
    """Return a folder that only its owner may open; it is made, and one that others may open is closed to them.

    Raises
    ------
    InputError
        It cannot be made, or is a symbolic link.
    """
    refuse_link(folder, "a folder of the program")
    try:
        if not folder.is_dir():
            folder.mkdir(mode=PRIVATE_FOLDER, parents=True, exist_ok=True)
            sync_folder(folder.parent)
    except OSError as error:
        raise InputError(
            f"{folder}: cannot be made ({error.strerror or error}); check that you may write there and that the disk "
            "has room"
        ) from error
    narrowed(folder, PRIVATE_FOLDER)
    return folder


def narrowed(path: Path, mode: int = PRIVATE_FILE) -> None:
    """Take a file or folder of this user away from everybody else; another user's is left as it is."""
    with suppress(OSError):
        about = path.lstat()
        own = not hasattr(os, "geteuid") or about.st_uid == os.geteuid()
        if own and not stat.S_ISLNK(about.st_mode) and about.st_mode & 0o777 & ~mode:
            path.chmod(stat.S_IMODE(about.st_mode) & mode)


def refuse_link(path: Path, what: str) -> None:
    """Refuse to write through a symbolic link.

    Raises
    ------
    InputError
        The path is one.
    """
    if path.is_symlink():
        raise InputError(f"{path}: is a link, and {what} is never written through one; name what it leads to")
