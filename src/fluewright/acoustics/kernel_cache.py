"""Keeps compiled kernels, so that they are compiled once on a computer and not at every start.

Numba's own file cache does not notice when a kernel in another file changes, may mix up two signatures when two
programs compile at once, and stops on a file that was cut off. Here the folder is named by a hash of all kernel
sources, every compiled signature is a file of its own that carries its key and a checksum, and whatever cannot be read
or written is simply compiled again. What is kept is run as code: it comes only from a folder that no other user can
write (`fluewright.folders`).
"""

import contextlib
import hashlib
import logging
import os
import pickle
import shutil
import tempfile
import time
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import numba
from numba.core import caching
from numba.core.serialize import dumps

from fluewright.folders import cache_folder

__all__ = ["kept", "kernel_folder"]

_UNUSED_S = 30 * 24 * 3600.0
_SAY_EVERY_S = 10.0


def kernel_folder() -> Path:
    """Return the folder of these kernels' compiled code; it is there.

    Raises
    ------
    InputError
        As `fluewright.folders.cache_folder`.
    """
    folder = cache_folder() / f"kernels-{_source_sha256()[:16]}"
    with contextlib.suppress(OSError):
        folder.mkdir(mode=0o700)
        _clear(folder)
    return folder


@lru_cache(maxsize=1)
def _source_sha256() -> str:
    digest = hashlib.sha256(numba.__version__.encode())
    for source in sorted((Path(__file__).parent / "kernels").glob("*.py")):
        digest.update(source.read_bytes())
    return digest.hexdigest()


def _clear(folder: Path) -> None:
    """Remove what other versions left and nobody has used for a month."""
    for other in folder.parent.glob("kernels-*"):
        with contextlib.suppress(OSError):
            used = max([other.stat().st_mtime, *(file.stat().st_atime for file in other.iterdir())])
            if other != folder and time.time() - used > _UNUSED_S:
                shutil.rmtree(other)


def kept(decorate: Callable[..., Any]) -> Callable[..., Any]:
    """Return a decorator that compiles as ``decorate`` does and keeps the result.

    Parameters
    ----------
    decorate : callable
        What ``numba.njit`` gives, without ``cache``.
    """

    def decorator(function: Callable[..., Any]) -> Any:
        dispatcher = decorate(function)
        dispatcher._cache = _KernelCache(function)
        return dispatcher

    return decorator


class _Locator(caching.UserProvidedCacheLocator):
    """Puts every kernel into the one folder."""

    def __init__(self, function: Callable[..., Any], file: str) -> None:
        super().__init__(function, file)
        self._cache_path = str(kernel_folder())

    @classmethod
    def from_function(cls, function: Callable[..., Any], file: str) -> "_Locator":
        return cls(function, file)

    def ensure_cache_path(self) -> None:
        """Do nothing: a folder that has gone costs a new compilation, not the result."""


class _Implementation(caching.CompileResultCacheImpl):
    _locator_classes: list[Any] = [_Locator]  # noqa: RUF012, as numba has it


class _Files:
    """The compiled signatures of one kernel: a file each, checked before it is read."""

    def __init__(self, folder: Path, base: str, stamp: object) -> None:
        self.folder, self.base, self.stamp = folder, base, stamp

    def _path(self, key: object) -> Path:
        return self.folder / f"{self.base}.{hashlib.sha256(repr((self.stamp, key)).encode()).hexdigest()[:16]}.kernel"

    def load(self, key: object) -> Any:
        """Return what was kept for a key, or None."""
        data = self._path(key).read_bytes()
        sum_, text = data[:32], data[32:]
        if hashlib.sha256(text).digest() != sum_:
            return None
        its_key, code = pickle.loads(text)
        return code if its_key == (self.stamp, key) else None

    def save(self, key: object, code: object) -> None:
        """Keep what was compiled for a key; other programs see all of it or nothing."""
        text = dumps(((self.stamp, key), code))
        path = self._path(key)
        handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}.", suffix=".part", dir=self.folder)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(hashlib.sha256(text).digest() + text)
            Path(name).replace(path)
        finally:
            Path(name).unlink(missing_ok=True)


class _KernelCache(caching.FunctionCache):
    """Never stops a computation: what cannot be loaded is compiled, what cannot be kept is not."""

    _impl_class = _Implementation

    def __init__(self, function: Callable[..., Any]) -> None:
        super().__init__(function)
        locator = self._impl.locator
        self._cache_file: Any = _Files(Path(self._cache_path), self._impl.filename_base, locator.get_source_stamp())

    def load_overload(self, signature: Any, context: Any) -> Any:
        try:
            found = super().load_overload(signature, context)
        except Exception:  # whatever a damaged file brings about
            found = None
        if found is None:
            _compiling.begin()
        return found

    def save_overload(self, signature: Any, compiled: Any) -> None:
        with contextlib.suppress(OSError, pickle.PicklingError):
            super().save_overload(signature, compiled)
        _compiling.done()


class _Compiling:
    """Says that kernels are being compiled: once when it begins, and now and then how far it is."""

    def __init__(self) -> None:
        self.count = 0
        self.begun = self.said = 0.0

    def begin(self) -> None:
        if not self.begun:
            self.begun = self.said = time.monotonic()
            _log.info("compiling the acoustic kernels, once on this computer: about a minute")

    def done(self) -> None:
        self.count += 1
        now = time.monotonic()
        if now - self.said > _SAY_EVERY_S:
            self.said = now
            _log.info("compiling the acoustic kernels: %d done in %.0f s", self.count, now - self.begun)


_log = logging.getLogger(__name__)
_compiling = _Compiling()
