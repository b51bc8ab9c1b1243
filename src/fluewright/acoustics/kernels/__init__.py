"""Compiled kernels: arrays and SI floats in, arrays out; no files, no messages, no defaults.

Numba's file cache does not notice when a kernel in another file changes, so the cache folder is named by a
hash of all kernel sources: an edit anywhere in this folder compiles everything anew, and nothing stale is run.
"""

import hashlib
import importlib
import os
import sys
import tempfile
from pathlib import Path

import numba

__all__ = ["cache_folder"]


def cache_folder() -> Path:
    """Return the folder for compiled kernels, named by the sources' hash; the first writable place is taken."""
    digest = hashlib.sha256(numba.__version__.encode())
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    name = f"kernels-{digest.hexdigest()[:16]}"
    chosen = os.environ.get("FLUEWRIGHT_CACHE")
    home_cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "fluewright"
    for base in (
        Path(chosen) if chosen else home_cache,
        Path(tempfile.gettempdir()) / f"fluewright-{os.getuid()}",
    ):
        folder = base / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(folder, os.W_OK):
            return folder
    return Path(tempfile.mkdtemp(prefix="fluewright-"))


def _load_without(library: str, part: str) -> None:
    """Let numba load a part of itself as if a library were not there."""
    if part in sys.modules:
        return
    there = sys.modules.get(library)
    sys.modules[library] = None  # type: ignore[assignment]
    try:
        importlib.import_module(part)
    finally:
        del sys.modules[library]
        if there is not None:
            sys.modules[library] = there


# All of scipy.linalg would be imported to look for a linear algebra library (half a second of every command), and a
# parser of C started to know foreign functions (0.05 s); no kernel here is compiled with either.
if "scipy.linalg" not in sys.modules:
    _load_without("scipy.linalg", "numba.np.arraymath")
_load_without("cffi", "numba.core.typing.cffi_utils")

if not os.environ.get("NUMBA_CACHE_DIR"):
    # Numba fills its configuration at run time, so the attribute is not in its types.
    setattr(numba.config, "CACHE_DIR", str(cache_folder()))  # noqa: B010
