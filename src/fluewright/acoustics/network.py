"""One acoustic network per model: the model's sizes as one SI vector, with a name for every size.

The kernels know a vector; people know keys such as ``holes.3.diameter_mm``. A `Dimension` joins the two: moving
the named size by one millimetre (or degree) moves the entries of the vector by `weights`.
"""

import json
import math
from dataclasses import dataclass, field
from functools import cache, cached_property
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.kernels.gas import Gas
from fluewright.acoustics.kernels.given import Formulas, Given
from fluewright.acoustics.kernels.holes import DUBOS, LEFEBVRE, SOLVED
from fluewright.acoustics.kernels.offsets import HOLE_SIZES
from fluewright.acoustics.kernels.window import SOLVED_TERMS
from fluewright.air import Air, moist_air
from fluewright.arrays import FloatArray, IntArray
from fluewright.errors import ComputeError, ModelError
from fluewright.instrument.fingering import Fingering, fingerings_of
from fluewright.instrument.model import Model
from fluewright.instrument.parts import Hole
from fluewright.instrument.shape import edge_height_mm
from fluewright.instrument.sizes import Part, Size, sizes_of
from fluewright.instrument.temperament import target_frequency_hz

__all__ = [
    "PUBLISHED",
    "Corrections",
    "Dimension",
    "Network",
    "Rules",
    "air_of",
    "build_network",
    "gas_of",
    "hole_row",
    "named_dimensions",
    "window_study",
    "window_table",
]


@dataclass(frozen=True)
class Corrections:
    """Factors on what the published estimates leave uncertain; 1 means as published.

    Attributes
    ----------
    window_scale : float
        On the window's inertance.
    hole_scale : float
        On the length corrections at both ends of an open hole.
    loss_scale : float
        On the wall losses of the model's own `bore.wall_loss_factor`.
    speed_scale : float
        On the speed of sound of the blown air (1.0017 is about one kelvin warmer).
    """

    window_scale: float = 1.0
    hole_scale: float = 1.0
    loss_scale: float = 1.0
    speed_scale: float = 1.0


@dataclass(frozen=True)
class Rules:
    """Which published formula stands where it matters, so that reference cases stay reproducible.

    `thick_foot` takes the wall at the foot into account (Dalmont, Nederveen & Joly 2001); `hole_rule` is
    "solved" (t_a of Lefebvre & Scavone, chimneys by our finite-element study), "lefebvre" or "dubos" (that t_a,
    chimneys as in docs/physics/holes.md#horn); `lossy` and `radiate` switch dissipation off for comparisons;
    `window_rule` is "solved" (our finite-element study of heads) or "published" (docs/physics/window.md#plain-window);
    `coupled` lets the openings feel each other.
    """

    thick_foot: bool = True
    hole_rule: str = "solved"
    lossy: bool = True
    radiate: bool = True
    window_rule: str = "solved"
    coupled: bool = True

    def formulas(self) -> Formulas:
        """Return the choice as the kernels read it."""
        return Formulas(
            thick_foot=int(self.thick_foot),
            hole_rule={"lefebvre": LEFEBVRE, "dubos": DUBOS, "solved": SOLVED}[self.hole_rule],
            lossy=float(self.lossy),
            radiate=float(self.radiate),
            solved_window={"published": 0, "solved": 1}[self.window_rule],
            coupled=int(self.coupled),
        )


PUBLISHED = Rules(hole_rule="lefebvre", window_rule="published", coupled=False)
"""The formulas of docs/physics/network.md#reference-instrument alone, for reference cases."""


@dataclass(frozen=True)
class Dimension:
    """One size that a maker can name: its key, its present value in mm or deg, and its place in the vector."""

    key: str
    value: float
    unit: str
    weights: tuple[tuple[int, float], ...]


@dataclass(frozen=True)
class Network:
    """A model made ready for the kernels.

    `sizes` is the SI vector of the kernels, shape (n,); `states` has one row a fingering (0 closed, 1 open,
    2 half), `modes` the resonance that each sounds.
    """

    model: Model
    air: Air
    rules: Rules
    sizes: FloatArray
    n_bore: int
    n_out: int
    fingerings: tuple[Fingering, ...]
    states: NDArray[np.int8]
    modes: IntArray
    dimensions: tuple[Dimension, ...] = field(repr=False)

    @property
    def n_holes(self) -> int:
        """Return the number of tone holes."""
        return len(self.model.holes)

    @cached_property
    def targets_hz(self) -> FloatArray:
        """Return the target frequency of every fingering, shape (n,)."""
        target, lowest = self.model.target, self.model.model.lowest_note
        return np.array([target_frequency_hz(target, f.note, lowest) for f in self.fingerings])

    @cached_property
    def by_dimension(self) -> FloatArray:
        """Return what one mm (or degree) of each named dimension does to the sizes, shape (sizes, dimensions)."""
        matrix = np.zeros((self.sizes.size, len(self.dimensions)))
        for j, dimension in enumerate(self.dimensions):
            for at, weight in dimension.weights:
                matrix[at, j] += weight
        return matrix

    @cached_property
    def _given(self) -> Given:
        angles = np.radians(np.array([h.angle_deg for h in self.model.holes], dtype=float))
        return Given(
            self.sizes, self.n_bore, self.n_out, self.n_holes, angles, gas_of(self.air), self.rules.formulas(),
            window_table(),
        )  # fmt: skip

    def given(self, sizes: FloatArray | None = None) -> Given:
        """Return the network as the kernels take it.

        Parameters
        ----------
        sizes : array, shape (n,), optional
            Other sizes of the same layout, SI.
        """
        return self._given if sizes is None else Given(sizes, *self._given[1:])


@cache
def window_study() -> dict[str, Any]:
    """Return the fitted window of our finite-element study: coefficients, their ranges, errors on held-back cases.

    Made by research/window/fit.py; format ``fluewright-window-surrogate``, version 1.

    Raises
    ------
    ComputeError
        The table that the program came with is another one.
    """
    text = resources.files("fluewright.acoustics").joinpath("data/window.json").read_text(encoding="utf-8")
    study: dict[str, Any] = json.loads(text)
    if study["format"] != "fluewright-window-surrogate" or study["version"] != 1:
        raise ComputeError(
            f"data/window.json is {study['format']} version {study['version']}, not the window table this program "
            "reads; install fluewright again"
        )
    return study


def gas_of(air: Air) -> Gas:
    """Return an air as the kernels take it."""
    return Gas(air.density, air.sound_speed, air.viscosity, air.gamma, air.prandtl)


@cache
def window_table() -> FloatArray:
    """Return the coefficients of the solved window for the kernels, shape (SOLVED_TERMS,).

    Raises
    ------
    ComputeError
        The table that the program came with is another one.
    """
    study = window_study()
    table: FloatArray = np.array([*study["terms"].values(), *study["kappa"]])
    if table.size != SOLVED_TERMS:
        raise ComputeError(f"data/window.json has {table.size} coefficients, {SOLVED_TERMS} are wanted; install again")
    return table


def air_of(model: Model) -> Air:
    """Return the air of the model's conditions."""
    c = model.conditions
    return moist_air(
        c.temperature_c,
        relative_humidity=c.relative_humidity,
        co2_fraction=c.co2_fraction,
        pressure_pa=c.pressure_pa,
    )


def build_network(
    model: Model,
    *,
    air: Air | None = None,
    corrections: Corrections | None = None,
    rules: Rules | None = None,
) -> Network:
    """Return the network of a model: every size in SI, every fingering, every named dimension.

    Parameters
    ----------
    model : Model
        A validated model.
    air : Air, optional
        Air in the bore; by default that of the model's conditions.
    corrections, rules : optional
        Calibration factors and the choice of formulas; by default as published.

    Raises
    ------
    ModelError
        The model has no fingerings.
    """
    corrections = corrections or Corrections()
    fingerings = fingerings_of(model)
    if not fingerings:
        raise ModelError(
            "fingerings: there are none, so there is no note to compute; add for example\n"
            '[fingerings.register_1]\nD5 = "ccc ccc"'
        )
    sizes = _head_row(model, corrections)
    bore = _stations(model.bore.stations_mm)
    outside = _stations(model.bore.outside_mm)
    holes = np.array([hole_row(hole) for hole in model.holes]).reshape(-1)
    vector = np.concatenate([sizes, bore, outside, holes])
    states = np.array([f.holes for f in fingerings], dtype=np.int8).reshape(len(fingerings), len(model.holes))
    return Network(
        model=model,
        air=air or air_of(model),
        rules=rules or Rules(),
        sizes=vector,
        n_bore=bore.size // 2,
        n_out=outside.size // 2,
        fingerings=fingerings,
        states=states,
        modes=np.array([f.register for f in fingerings], dtype=np.int64),
        dimensions=named_dimensions(model),
    )


def _head_row(model: Model, corrections: Corrections) -> FloatArray:
    """Return what the kernels' vector begins with, SI, shape (HEAD_SIZES,)."""
    head = model.head
    sizes = np.zeros(offsets.HEAD_SIZES)
    sizes[offsets.BLOCK_DEPTH] = head.block_depth_mm * 1e-3
    sizes[offsets.WINDOW_LENGTH] = head.window_length_mm * 1e-3
    sizes[offsets.WINDOW_WIDTH] = head.window_width_mm * 1e-3
    sizes[offsets.RAMP] = math.radians(head.ramp_angle_deg)
    sizes[offsets.EAR] = -1.0 if head.ear_height_mm is None else head.ear_height_mm * 1e-3
    sizes[offsets.LOSS] = model.bore.wall_loss_factor * corrections.loss_scale
    sizes[offsets.WINDOW_SCALE] = corrections.window_scale
    sizes[offsets.HOLE_SCALE] = corrections.hole_scale
    sizes[offsets.C_SCALE] = corrections.speed_scale
    sizes[offsets.BULGE] = model.player.finger_bulge
    sizes[offsets.HALF] = model.player.half_open_fraction
    conditions = model.conditions
    if conditions.breath_temperature_c is not None:
        warmer = conditions.breath_temperature_c - conditions.temperature_c
        sizes[offsets.WARM_SHARE] = warmer / (273.15 + conditions.temperature_c)
    sizes[offsets.WARM_LENGTH] = conditions.cooling_length_mm * 1e-3
    sizes[offsets.EDGE_OFFSET] = edge_height_mm(head) * 1e-3
    sizes[offsets.EDGE_THICKNESS] = head.broken_edge_mm * 1e-3
    return sizes


def _stations(stations_mm: object) -> FloatArray:
    """Return (x, radius) pairs in m, flat."""
    table = np.asarray(stations_mm, dtype=float)
    flat: FloatArray = (table * np.array([1e-3, 0.5e-3])).reshape(-1)
    return flat


def hole_row(hole: Hole) -> FloatArray:
    """Return one hole's sizes as the kernels take them, SI, shape (HOLE_SIZES,)."""
    cut = hole.undercut
    row = np.array(
        [
            hole.position_mm,
            0.5 * hole.diameter_mm,
            hole.outer_round_mm,
            hole.inner_chamfer_mm,
            cut.all_round_mm,
            cut.upstream_mm,
            cut.downstream_mm,
            0.0,
            hole.waist_mm,
        ]
    )
    row *= 1e-3
    row[7] = math.tan(math.radians(cut.angle_deg))
    return row


_HEAD_PLACES = {
    "block_depth_mm": offsets.BLOCK_DEPTH,
    "window_length_mm": offsets.WINDOW_LENGTH,
    "window_width_mm": offsets.WINDOW_WIDTH,
    "ramp_angle_deg": offsets.RAMP,
    "ear_height_mm": offsets.EAR,
    "edge_offset_mm": offsets.EDGE_OFFSET,
    "broken_edge_mm": offsets.EDGE_THICKNESS,
}
# Of a hole's HOLE_SIZES: the column, and how much of it one mm is.
_HOLE_PLACES = {
    "position_mm": (0, 1e-3),
    "diameter_mm": (1, 0.5e-3),
    "outer_round_mm": (2, 1e-3),
    "inner_chamfer_mm": (3, 1e-3),
    "undercut.all_round_mm": (4, 1e-3),
    "undercut.upstream_mm": (5, 1e-3),
    "undercut.downstream_mm": (6, 1e-3),
    "waist_mm": (8, 1e-3),
}


def named_dimensions(model: Model) -> tuple[Dimension, ...]:
    """Return every size of the model that moves its resonances, with its place in the kernels' vector."""
    return tuple(
        Dimension(size.key, size.value, size.unit, weights)
        for size in sizes_of(model)
        if (weights := _weights(size, model))
    )


def _weights(size: Size, model: Model) -> tuple[tuple[int, float], ...]:
    """Return what one mm or degree of a size moves: entries of the vector, and by how much; none without a place."""
    first_out = offsets.HEAD_SIZES + 2 * len(model.bore.stations_mm)
    first_hole = first_out + 2 * len(model.bore.outside_mm)
    if size.part is Part.HEAD:
        at = _HEAD_PLACES.get(size.field)
        return () if at is None else ((at, math.radians(1.0) if size.unit == "deg" else 1e-3),)
    if size.part is Part.BODY:
        # The foot end moves the last station of bore and outside together.
        return ((first_out - 2, 1e-3), (first_hole - 2, 1e-3))
    if size.part is Part.HOLE:
        column, factor = _HOLE_PLACES[size.field]
        row = next(i for i, hole in enumerate(model.holes) if hole.name == size.hole)
        return ((first_hole + HOLE_SIZES * row + column, factor),)
    at = (offsets.HEAD_SIZES if size.part is Part.BORE else first_out) + 2 * (size.station - 1)
    if size.field == "diameter":
        return ((at + 1, 0.5e-3),)
    # Both stations of a step are at one place.
    together = [j for j, (x, _) in enumerate(model.bore.stations_mm) if x == size.value]
    return tuple((offsets.HEAD_SIZES + 2 * j, 1e-3) for j in together)
