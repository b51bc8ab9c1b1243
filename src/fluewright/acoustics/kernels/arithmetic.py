"""Arithmetic that many kernels share: what the compiler may loosen, and a short inverse."""

from numba import njit

__all__ = ["FAST", "inverse"]

# A product and a sum may share one rounding, and a division may become a product; nothing else is loosened.
FAST = {"contract", "arcp"}


@njit(cache=True, error_model="numpy")
def inverse(z):
    """Return 1/z without the guards against overflow that plain division carries."""
    d = z.real * z.real + z.imag * z.imag
    return complex(z.real / d, -z.imag / d)
