"""Arithmetic that many kernels share: a short inverse."""

from fluewright.acoustics.kernels.compiled import part

__all__ = ["inverse"]


@part
def inverse(z):
    """Return 1/z without the guards against overflow that plain division carries."""
    d = z.real * z.real + z.imag * z.imag
    return complex(z.real / d, -z.imag / d)
