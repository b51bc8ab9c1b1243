r"""Where the program keeps what belongs to the user, by the conventions of each system.

======== ====================================== ============================
system   data                                   cache
======== ====================================== ============================
Linux    ``~/.local/share/fluewright``          ``~/.cache/fluewright``
macOS    ``~/Library/Application Support/...``  ``~/Library/Caches/...``
Windows  ``%LOCALAPPDATA%\fluewright``           ``...\fluewright\Cache``
======== ====================================== ============================

``XDG_DATA_HOME`` and ``XDG_CACHE_HOME`` move them on Linux and macOS; ``FLUEWRIGHT_CACHE`` names the cache on every
system.

What lies in the cache is run as code (compiled kernels), so a folder counts only where nobody but this user can put
anything in: another user's, one that others can write, or one planted under ``/tmp`` is left alone.
"""

import atexit
import logging
import os
import shutil
import stat
import sys
import tempfile
from functools import lru_cache
from pathlib import Path

import platformdirs

from fluewright.errors import InputError

__all__ = ["cache_folder", "data_folder", "is_private"]

_NAME = "fluewright"
_log = logging.getLogger(__name__)
_OTHERS_WRITE = stat.S_IWGRP | stat.S_IWOTH


def data_folder() -> Path:
    """Return the user's data folder, where the ledger lies by default; it is made when missing.

    Raises
    ------
    InputError
        The user has no home, or it cannot be written.
    """
    folder = _of_system("user_data_path")
    if folder is None:
        raise InputError("this user has no home folder to keep the ledger in; name a file with --ledger, or set HOME")
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if sys.platform != "win32" and folder.stat().st_uid == os.geteuid() and folder.stat().st_mode & 0o077:
            folder.chmod(0o700)
    except OSError as error:
        raise InputError(
            f"{folder}: cannot be made ({error.strerror or error}); name a file with --ledger in a folder that you may "
            "write to"
        ) from error
    return folder


def cache_folder() -> Path:
    """Return the folder for what can be made anew; it is there, and only this user can write in it.

    The first that will do of: ``FLUEWRIGHT_CACHE``, the system's cache for this user, one of this user's own among the
    temporary files, and a fresh one that goes when the program ends.

    Raises
    ------
    InputError
        ``FLUEWRIGHT_CACHE`` names a folder that cannot be made or that others can write.
    """
    chosen = os.environ.get("FLUEWRIGHT_CACHE")
    if chosen:
        folder = Path(chosen).absolute()
        if not _made_private(folder):
            raise InputError(
                f"FLUEWRIGHT_CACHE is {chosen}: it cannot be made there, or others can write in it or above it; name a "
                "folder that only you can write, or unset it"
            )
        return folder
    usual = _of_system("user_cache_path")
    if usual is not None and _made_private(usual):
        return usual
    if sys.platform != "win32":
        shared = Path(tempfile.gettempdir()).absolute() / f"{_NAME}-{os.geteuid()}"
        if _made_private(shared):
            return shared
    return _fresh(tempfile.gettempdir())


def is_private(folder: Path) -> bool:
    """Tell whether nobody but this user (and the administrator) can put anything into a folder or in its place.

    Parameters
    ----------
    folder : Path
        Absolute. On Windows every folder counts: its access lists, which mode bits do not show, keep others out of a
        user's profile.
    """
    if sys.platform == "win32":
        return True
    try:
        owner = folder.lstat().st_uid, folder.stat().st_uid
        if owner != (os.geteuid(), os.geteuid()) or folder.stat().st_mode & _OTHERS_WRITE:
            return False
        return _safe_above(folder)
    except OSError:
        return False


def _of_system(kind: str) -> Path | None:
    """Return a folder by the system's rules, or None where it knows no home for this user."""
    try:
        folder: Path = getattr(platformdirs.PlatformDirs(_NAME, appauthor=False), kind)
    except RuntimeError:
        return None
    return folder if folder.is_absolute() else None


def _made_private(folder: Path) -> bool:
    """Make a folder that only this user can read and write, where it is safe to; tell whether it is that now."""
    try:
        # Looked at before anything is made: a folder of ours in another user's cache would lock that user out.
        there = next(place for place in (folder, *folder.parents) if place.exists())
        if there != folder and sys.platform != "win32" and not _safe_above(there / "new"):
            return False
        for place in reversed([p for p in (folder, *folder.parents) if p != there and there in p.parents]):
            place.mkdir(mode=0o700, exist_ok=True)
        if not folder.is_dir() or not is_private(folder):
            return False
        if folder.stat().st_mode & 0o077 and sys.platform != "win32":
            folder.chmod(0o700)
        return os.access(folder, os.W_OK)
    except OSError:
        return False


def _safe_above(folder: Path) -> bool:
    """Tell whether nobody else can exchange a folder, by what lies above it, as given and with links followed."""
    for path in {folder, folder.resolve()}:
        for place in path.parents:
            about = place.lstat()
            if about.st_uid not in (os.geteuid(), 0):
                return False
            if stat.S_ISLNK(about.st_mode) or about.st_mode & stat.S_ISVTX:
                continue  # a link is its owner's; in a sticky folder nobody moves what is another's
            if about.st_mode & stat.S_IWOTH or (about.st_mode & stat.S_IWGRP and not _own_group(about.st_gid)):
                return False
    return True


def _own_group(group: int) -> bool:
    """Tell whether a group has this user alone in it, as many systems give one to each, or is the administrator's."""
    if group == 0:
        return True
    import grp
    import pwd

    try:
        user, own = pwd.getpwuid(os.geteuid()).pw_name, grp.getgrgid(group)
    except KeyError:
        return False
    return own.gr_name == user and set(own.gr_mem) <= {user}


@lru_cache(maxsize=1)
def _fresh(inside: str) -> Path:
    _log.info("nothing can be kept for the next start: no folder is safe from other users; FLUEWRIGHT_CACHE names one")
    folder = Path(tempfile.mkdtemp(prefix=f"{_NAME}-", dir=inside))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder
