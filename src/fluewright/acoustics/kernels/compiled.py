"""How every kernel is compiled.

Kernels keep no state and write only to what they are given, so they run without the interpreter's lock: a drag on the
page and the sound from a bench go on while a breath curve or a sound is computed beside them.

==============  =====================================================================================================
how             for
==============  =====================================================================================================
`kernel`        what makes no array and returns numbers only. Numba's counting of references is left out: where tuples
                of arrays go from one to the next it would cost more than all arithmetic
`part`          the same, for a piece of a larger kernel that has a name for the reader's sake: it is put into its
                callers whole
`inlined`       what is too short to be compiled by itself, or stands in one place alone: its text is put into its
                callers, whose rules it takes
`maker`         what makes arrays or returns them. A kernel may call it only if no array comes back
==============  =====================================================================================================

With `fused_` before it a product and a sum may share one rounding, and a division may become a product; nothing else is
loosened. tests/acoustics/test_kernels.py holds all three to their word.
"""

from typing import Any

from numba import njit
from numba.core.options import DefaultOptions

__all__ = ["fused_kernel", "fused_part", "inlined", "kernel", "maker", "part"]

_FUSED = {"contract", "arcp"}
_ALL: dict[str, Any] = {"cache": True, "error_model": "numpy", "nogil": True}
# Without the option, which numba does not promise, everything still runs, only slower.
_UNCOUNTED: dict[str, Any] = {"_nrt": False} if hasattr(DefaultOptions, "_nrt") else {}
_COUNTED: dict[str, Any] = {"_nrt": True} if hasattr(DefaultOptions, "_nrt") else {}

kernel = njit(**_ALL, **_UNCOUNTED)
fused_kernel = njit(**_ALL, **_UNCOUNTED, fastmath=_FUSED)
part = njit(**_ALL, **_UNCOUNTED, forceinline=True)
fused_part = njit(**_ALL, **_UNCOUNTED, fastmath=_FUSED, forceinline=True)
maker = njit(**_ALL, **_COUNTED)
inlined = njit(error_model="numpy", nogil=True, inline="always")
