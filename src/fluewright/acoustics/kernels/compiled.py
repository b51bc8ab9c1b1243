"""How every kernel is compiled.

Kernels keep no state and write only to what they are given, so they run without the interpreter's lock: a drag on the
page and the sound from a bench go on while a breath curve or a sound is computed beside them.

=============  ======================================================================================================
how            for
=============  ======================================================================================================
`kernel`       what makes no array and returns numbers only. Numba's counting of references is left out: where tuples of
               arrays go from one to the next it would cost more than all arithmetic
`maker`        what makes arrays or returns them. A kernel may call it only if no array comes back
`part`         a piece of a kernel or maker that has a name for the reader's sake. Its text is put into its callers, and
               it takes their rules
=============  ======================================================================================================

In a `fused_kernel` a product and a sum may share one rounding, and a division may become a product; nothing else is
loosened. tests/acoustics/test_kernels.py holds all to their word.
"""

from typing import Any

from numba import njit
from numba.core.options import DefaultOptions

from fluewright.acoustics.kernel_cache import kept

__all__ = ["fused_kernel", "kernel", "maker", "part"]

_ALL: dict[str, Any] = {"error_model": "numpy", "nogil": True}
# Without the option, which numba does not promise, everything still runs, only slower.
_UNCOUNTED: dict[str, Any] = {"_nrt": False} if hasattr(DefaultOptions, "_nrt") else {}
_COUNTED: dict[str, Any] = {"_nrt": True} if hasattr(DefaultOptions, "_nrt") else {}

kernel = kept(njit(**_ALL, **_UNCOUNTED))
fused_kernel = kept(njit(**_ALL, **_UNCOUNTED, fastmath={"contract", "arcp"}))
maker = kept(njit(**_ALL, **_COUNTED))
part = njit(**_ALL, inline="always")
