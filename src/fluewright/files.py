"""The one way to write a file: whole, or not at all; and what only its owner may read.

What the program keeps for itself (ledger, recordings, drafts) only its owner may read, and it is never written through
a symbolic link: whoever may write in a folder could lay one there that leads elsewhere.
"""

import os
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from fluewright.errors import InputError

__all__ = ["append_synced", "narrowed", "part_file", "private_folder", "refuse_link", "sync_folder", "write_whole"]

PRIVATE_FILE, PRIVATE_FOLDER = 0o600, 0o700


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
        Whether it is on the disk, name and all, when this returns, so that no power cut takes it.

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
            if synced:
                stream.flush()
                os.fsync(stream.fileno())
        temporary.chmod(mode)
        temporary.replace(target)
        if synced:
            sync_folder(target.parent)
    except OSError as error:
        raise InputError(
            f"{target}: cannot be written ({error.strerror or error}); choose a folder that exists and that you may "
            "write to, with room on its disk"
        ) from error
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
    return target


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
            "write to, with room on its disk"
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
