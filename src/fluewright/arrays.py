"""The types of arrays that the packages exchange; shapes stand in each function's docstring."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["BoolArray", "ComplexArray", "Float32Array", "FloatArray", "IntArray"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
