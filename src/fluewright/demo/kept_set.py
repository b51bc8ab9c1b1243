"""The demo's workshop kept in the user's cache: made once, handed out as a fresh copy each time."""

import hashlib
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from pathlib import Path

from fluewright.demo.workshop_set import LEDGER_NAME, make_workshop
from fluewright.errors import LedgerError
from fluewright.folders import cache_folder
from fluewright.ledger import back_up
from fluewright.version import __version__

__all__ = ["SEED", "demo_ledger", "kept_folder"]

SEED = 8
"""Of the demo: its pieces meet most of what a shop meets, and its forecasts are as good as most shops' are."""

# What the demo's pieces rest on; the rest of the program may change without making them anew.
_SOURCES = ("acoustics", "bench", "demo", "design", "instrument", "ledger", "listening", "shop", "air.py")
_UNFINISHED = ".unfinished-"
_LEFT_BEHIND_S = 24 * 3600.0  # an unfinished making of this age is of a program that was killed
_UNUSED_S = 30 * 24 * 3600.0


@lru_cache(maxsize=1)
def _source_sha256() -> str:
    """Return a hash of the seed and of the program text that the demo's pieces rest on."""
    package = Path(__file__).parents[1]
    digest = hashlib.sha256(str(SEED).encode())
    for name in _SOURCES:
        place = package / name
        files = [place] if place.is_file() else sorted(f for f in place.rglob("*") if f.suffix in (".py", ".toml"))
        for file in files:
            digest.update(file.relative_to(package).as_posix().encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()


def kept_folder() -> Path:
    """Return where this version's workshop is kept, in the user's cache; it need not be there."""
    return cache_folder() / f"demo-{__version__}-{_source_sha256()[:16]}"


def demo_ledger(say: Callable[[str], None] = lambda text: None) -> Path:
    """Return a fresh copy of the demo's ledger in a temporary folder of its own; whatever is done to it harms nothing.

    The first call of a version makes the workshop (some half a minute) and keeps it in the user's cache; where that
    cannot be written it is made each time.

    Parameters
    ----------
    say : callable
        Told what is being done.
    """
    kept = kept_folder()
    for _ in range(2):
        try:
            if not _whole(kept):
                _keep(kept, say)
            return _copied(kept)
        except LedgerError:
            # Damaged by another hand: away with it, and made anew.
            shutil.rmtree(kept, ignore_errors=True)
        except OSError:
            break
    return make_workshop(_new_folder(), seed=SEED, say=say)


def _new_folder() -> Path:
    return Path(tempfile.mkdtemp(prefix="fluewright-demo-"))


def _whole(kept: Path) -> bool:
    return (kept / LEDGER_NAME).is_file() and (kept / "recordings").is_dir()


def _copied(kept: Path) -> Path:
    copy = _new_folder()
    try:
        path = back_up(kept / LEDGER_NAME, copy / LEDGER_NAME).path
        shutil.copytree(kept / "recordings", copy / "recordings")
    except BaseException:
        shutil.rmtree(copy, ignore_errors=True)
        raise
    with suppress(OSError):
        os.utime(kept)  # it is in use: not to be cleared away
    return path


def _keep(kept: Path, say: Callable[[str], None]) -> None:
    """Make the workshop under a name of its own, and give it its name when it is whole.

    Of two programs that make it at once the first to be ready gives it; the other takes that.
    """
    kept.parent.mkdir(parents=True, exist_ok=True)
    _clear(kept)
    making = Path(tempfile.mkdtemp(prefix=f"{kept.name}{_UNFINISHED}", dir=kept.parent))
    try:
        say("making the demo's workshop, this once")
        path = make_workshop(making, seed=SEED, say=say)
        # A copy in one file, which can be read where nothing can be written.
        alone = back_up(path, making / "alone").path
        for file in making.glob(f"{LEDGER_NAME}*"):
            file.unlink()
        alone.rename(path)
        try:
            making.rename(kept)
        except OSError:
            if not _whole(kept):
                # Emptied by another hand: put aside, to be cleared away some day.
                kept.rename(making.with_name(f"{making.name}-emptied"))
                making.rename(kept)
    finally:
        shutil.rmtree(making, ignore_errors=True)


def _clear(kept: Path) -> None:
    """Remove what killed programs left unfinished, and other versions' workshops that nobody has used for a month."""
    now = time.time()
    for other in kept.parent.glob("demo-*"):
        with suppress(OSError):
            age = now - other.stat().st_mtime
            if other != kept and age > (_LEFT_BEHIND_S if _UNFINISHED in other.name else _UNUSED_S):
                shutil.rmtree(other, ignore_errors=True)
