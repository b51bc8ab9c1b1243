"""How every kernel is compiled.

Kernels keep no state and write only to what they are given, so they run without the interpreter's lock: a drag on the
page and the sound from a bench go on while a breath curve or a sound is computed beside them.
"""

from numba import njit

from fluewright.acoustics.kernel_cache import kept

__all__ = ["fused_kernel", "kernel"]

kernel = kept(njit(error_model="numpy", nogil=True))
# A product and a sum may share one rounding, and a division may become a product; nothing else is loosened.
fused_kernel = kept(njit(error_model="numpy", nogil=True, fastmath={"contract", "arcp"}))
