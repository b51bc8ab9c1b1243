"""Compiled kernels: arrays and SI floats in, arrays out; no files, no messages, no defaults."""

import importlib
import sys


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
