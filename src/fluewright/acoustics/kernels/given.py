"""What the kernels are given of a model: its sizes, its air, and the formulas to take.

`acoustics.network.Network.given` packs it, for all kernels alike.
"""

from typing import NamedTuple

from fluewright.acoustics.kernels.compiled import maker
from fluewright.acoustics.kernels.gas import Gas
from fluewright.acoustics.kernels.offsets import HEAD_SIZES, HOLE_SIZES
from fluewright.arrays import FloatArray

__all__ = ["Formulas", "Given", "Sizes", "split"]


class Formulas(NamedTuple):
    """Which formula stands where it matters, see `acoustics.network.Rules`; switches are 0 or 1.

    thick_foot, solved_window, coupled: int. hole_rule: LEFEBVRE, DUBOS or SOLVED of `holes.py`. lossy, radiate:
    factors on wall losses and on radiation.
    """

    thick_foot: int
    hole_rule: int
    lossy: float
    radiate: float
    solved_window: int
    coupled: int


class Given(NamedTuple):
    """One model: all that the kernels know of it beside fingers and frequency.

    sizes: the vector of `offsets.py`, shape (n,); n_bore, n_out, n_holes: its stations and holes; angles: place of
    every hole round the body, rad, shape (n_holes,); gas: air of the room; window_table: coefficients of the solved
    window, shape (SOLVED_TERMS,).
    """

    sizes: FloatArray
    n_bore: int
    n_out: int
    n_holes: int
    angles: FloatArray
    gas: Gas
    formulas: Formulas
    window_table: FloatArray


class Sizes(NamedTuple):
    """A vector of sizes, or of slopes by sizes, by its parts: views, so that writing to them writes to the vector.

    head: shape (HEAD_SIZES,); bore, outside: rows x, radius; holes: rows of HOLE_SIZES.
    """

    head: FloatArray
    bore: FloatArray
    outside: FloatArray
    holes: FloatArray


@maker
def split(vector, n_bore, n_out):
    """Return a vector of sizes, or of slopes by sizes, shape (sizes,), by its parts."""
    first_out = HEAD_SIZES + 2 * n_bore
    first_hole = first_out + 2 * n_out
    return Sizes(
        vector[:HEAD_SIZES],
        vector[HEAD_SIZES:first_out].reshape(n_bore, 2),
        vector[first_out:first_hole].reshape(n_out, 2),
        vector[first_hole:].reshape((vector.size - first_hole) // HOLE_SIZES, HOLE_SIZES),
    )
