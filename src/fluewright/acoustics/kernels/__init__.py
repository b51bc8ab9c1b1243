"""Compiled kernels: arrays and SI floats in, arrays out; no files, no messages, no defaults."""

import importlib
import sys


def _load_without_blas() -> None:
    """Let numba register its array functions without looking for a linear algebra library.

    It would import all of scipy.linalg for that, half a second of every command; no kernel here uses one.
    """
    if "scipy.linalg" in sys.modules or "numba.np.arraymath" in sys.modules:
        return
    sys.modules["scipy.linalg"] = None  # type: ignore[assignment]
    try:
        importlib.import_module("numba.np.arraymath")
    finally:
        del sys.modules["scipy.linalg"]


_load_without_blas()
