"""Pitch of every note of one piece: for any sizes, constants and air, fast enough to be asked hundreds of times a cut.

The network is built once a model; sizes are then set in the kernels' vector. What is uncertain enters by parameters:

============  =====  ====================================================================
parameter     unit   meaning
============  =====  ====================================================================
window        1      the window's inertance over the model's, less 1
holes         1      length corrections of the open holes, likewise
losses        1      wall losses, likewise
sound speed   1      speed of sound in the bore, likewise
hole gain     1      what cutting at the holes does, over the model's effect, less 1
foot gain     1      what every other cut does, likewise
offsets       cents  what is left, one a fingering
============  =====  ====================================================================
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import cached_property

import numpy as np

from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.network import Network, build_network
from fluewright.acoustics.resonance import Resonances, resonances
from fluewright.acoustics.sounding import blow, jet_shift
from fluewright.air import Air
from fluewright.arrays import BoolArray, FloatArray
from fluewright.errors import InputError
from fluewright.instrument.fingering import Fingering
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import CutKind, is_named, size_name
from fluewright.units import CENTS_PER_RELATIVE

__all__ = ["CONSTANTS", "SHARED", "PitchModel", "is_hole_cut", "is_plain_cut", "is_removable"]


CONSTANTS = ("window", "holes", "losses", "sound speed")
SHARED = (*CONSTANTS, "hole gain", "foot gain", "jet")
"""Parameters that all notes share, in their order; the offsets follow."""


def is_hole_cut(key: str) -> bool:
    """Return whether a size is one that cutting at a hole changes."""
    return is_named(key) and size_name(key).at_hole


def is_plain_cut(key: str) -> bool:
    """Return whether a size is a hole's diameter or the length: what cutting it does is best known."""
    return size_name(key).cut in (CutKind.HOLE, CutKind.FOOT)


def is_removable(key: str) -> bool:
    """Return whether a size is one that tuning the body by removing material changes."""
    return is_hole_cut(key) or (is_named(key) and size_name(key).cut in (CutKind.FOOT, CutKind.WINDOW, CutKind.BORE))


@dataclass(frozen=True)
class PitchModel:
    """The forward model of one design.

    Attributes
    ----------
    network : Network
        Of the design, in its own air.
    jet_cents : array, shape (n,)
        Pitch of the design at its planned breath against its resonance; 0 where the blown model has none.
    pull_cents : array, shape (n,)
        Cents per doubling of breath about the planned one; NaN where the blown model has none.
    """

    network: Network
    jet_cents: FloatArray
    pull_cents: FloatArray

    @classmethod
    def of(cls, model: Model) -> "PitchModel":
        """Return the forward model of a design: its resonances, and what the jet makes of them.

        The jet's share is computed once for the design; a cut changes it by far less than it is known.
        """
        network = build_network(model)
        jet, pull = jet_shift(blow(network))
        return cls(network, jet, pull)

    @property
    def model(self) -> Model:
        """Return the design."""
        return self.network.model

    @property
    def fingerings(self) -> tuple[Fingering, ...]:
        """Return the fingerings in the order of every result."""
        return self.network.fingerings

    @property
    def n_parameters(self) -> int:
        """Return the number of parameters: the shared ones and an offset a fingering."""
        return len(SHARED) + len(self.fingerings)

    @cached_property
    def first_register(self) -> BoolArray:
        """Return which fingerings are of register 1, shape (n,)."""
        return np.array([f.register == 1 for f in self.fingerings])

    @cached_property
    def columns(self) -> dict[str, int]:
        """Return the place of every named size in `by_dimension_cents`."""
        return {d.key: j for j, d in enumerate(self.network.dimensions)}

    @cached_property
    def design(self) -> dict[str, float]:
        """Return the design's sizes, mm or deg by key."""
        return {d.key: d.value for d in self.network.dimensions}

    def size(self, key: str, as_built: Mapping[str, float]) -> float:
        """Return a present size."""
        return float(as_built.get(key, self.design[key]))

    def vector(self, as_built: Mapping[str, float], constants: FloatArray | None = None) -> FloatArray:
        """Return the kernels' sizes for a piece.

        Parameters
        ----------
        as_built : mapping
            Sizes in mm or deg by key, where they differ from the design.
        constants : array, shape (4,), optional
            As in `CONSTANTS`; by default 0.

        Raises
        ------
        InputError
            A key that is no size of the model, or a size that is not finite.
        """
        sizes = self.network.sizes.copy()
        for key, value in as_built.items():
            if key not in self.columns:
                near = get_close_matches(key, self.columns, n=1)
                hint = f"; did you mean {near[0]}?" if near else ""
                raise InputError(f"{key}={value:g}: {self.model.model.name} has no such size{hint}")
            if not np.isfinite(value):
                raise InputError(f"{key} is {value}; give a finite size in mm")
            dimension = self.network.dimensions[self.columns[key]]
            for place, weight in dimension.weights:
                sizes[place] += weight * (value - dimension.value)
        if constants is not None:
            sizes[offsets.WINDOW_SCALE] *= 1.0 + constants[0]
            sizes[offsets.HOLE_SCALE] *= 1.0 + constants[1]
            sizes[offsets.LOSS] *= max(1.0 + constants[2], 0.2)
            sizes[offsets.C_SCALE] *= 1.0 + constants[3]
        return sizes

    def solve(
        self,
        as_built: Mapping[str, float],
        constants: FloatArray | None = None,
        *,
        air: Air | None = None,
        sensitivities: bool = False,
    ) -> Resonances:
        """Return the resonances of a piece.

        Parameters
        ----------
        as_built : mapping
        constants : array, shape (4,), optional
            As for `vector`.
        air : Air, optional
            By default the design's.
        sensitivities : bool
            Whether `by_dimension_cents` is wanted too.

        Raises
        ------
        InputError
            A key that is no size of the model, or a size that is not finite.
        ComputeError
            A note has no resonance with these sizes.
        """
        network = self.network if air is None else replace(self.network, air=air)
        return resonances(network, sizes=self.vector(as_built, constants), sensitivities=sensitivities)

    def cents(self, as_built: Mapping[str, float], constants: FloatArray | None = None) -> FloatArray:
        """Return cents of the resonances against the target of every fingering, shape (n,), in the design's air.

        Arguments as for `vector`.

        Raises
        ------
        InputError, ComputeError
            As `solve`.
        """
        hz = self.solve(as_built, constants).frequencies_hz
        return np.asarray(CENTS_PER_RELATIVE * np.log(hz / self.network.targets_hz))

    def linear(
        self, as_built: Mapping[str, float], parameters: FloatArray, air: Air | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Return (cents of every fingering, their change per unit of every parameter), shapes (n,) and (n, p).

        The gains act on what the cuts since the design's sizes have done, so that what is learned of them on one
        piece holds for the next.
        """
        constants, gains = parameters[:4], parameters[4:6]
        rest = parameters[6] * self.jet_cents + parameters[7:]
        solved = self.solve(as_built, constants, air=air, sensitivities=True)
        hz = solved.frequencies_hz
        by_hole, by_foot = self._effects(as_built, constants, hz, air)
        cents = CENTS_PER_RELATIVE * np.log(hz / self.network.targets_hz)
        scale = CENTS_PER_RELATIVE * solved.by_size
        vector = self.network.sizes
        patterns = np.column_stack(
            [
                scale[:, offsets.WINDOW_SCALE] * vector[offsets.WINDOW_SCALE],
                scale[:, offsets.HOLE_SCALE] * vector[offsets.HOLE_SCALE],
                scale[:, offsets.LOSS] * vector[offsets.LOSS],
                scale[:, offsets.C_SCALE] * vector[offsets.C_SCALE],
                by_hole,
                by_foot,
                self.jet_cents,
                np.eye(cents.size),
            ]
        )
        return cents + by_hole * gains[0] + by_foot * gains[1] + rest, patterns

    def _effects(
        self, as_built: Mapping[str, float], constants: FloatArray, hz: FloatArray, air: Air | None
    ) -> tuple[FloatArray, FloatArray]:
        """Return what the cuts at the holes, and all others, have done since the design, cents."""
        uncut = {k: v for k, v in as_built.items() if not is_removable(k)}
        holes = uncut | {k: v for k, v in as_built.items() if is_hole_cut(k)}
        at_design = self.solve(uncut, constants, air=air).frequencies_hz
        with_holes = self.solve(holes, constants, air=air).frequencies_hz
        return (
            np.asarray(CENTS_PER_RELATIVE * np.log(with_holes / at_design)),
            np.asarray(CENTS_PER_RELATIVE * np.log(hz / with_holes)),
        )
