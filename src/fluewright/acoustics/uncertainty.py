"""Says how sure every note is: what the shop's tolerances do to it, and what the model's own errors do.

The two are kept apart, for they are mended in different places: tolerances at the bench, model errors by calibration.
Both are standard uncertainties (one sigma).
"""

from dataclasses import dataclass

import numpy as np

from fluewright.acoustics.network import Dimension, Network
from fluewright.acoustics.range_notes import RangeNote
from fluewright.acoustics.ranges import out_of_range
from fluewright.acoustics.resonance import (
    STATED_ERRORS,
    ModelErrors,
    NotePrediction,
    Resonances,
    model_sigma_cents,
    predict_notes,
    resonances,
)
from fluewright.arrays import FloatArray
from fluewright.errors import InputError
from fluewright.instrument.fingering import Fingering
from fluewright.instrument.sizes import Part, size_name

__all__ = [
    "SHOP_TOLERANCES",
    "Contributor",
    "NoteUncertainty",
    "Prediction",
    "ShopTolerances",
    "dimension_patterns_cents",
    "prediction_of",
    "uncertainties",
]


@dataclass(frozen=True)
class ShopTolerances:
    """Standard uncertainties (k = 1) of the sizes as a small workshop makes them; common practice, no source.

    Sizes that one tool makes together move together, with full correlation: all bore diameters (one reamer), all
    places of bore stations (how deep it went), all outside diameters (one setting of the lathe), all hole positions
    (the datum at the windway exit) and all hole diameters of one nominal size (one drill). Everything else is
    independent. A shape that the model does not have (no undercut, no rounded rim) is not made, so it has no error.
    The figures: docs/trade/tolerances.md#sizes.

    Attributes
    ----------
    bore_diameter_mm, bore_place_mm, outside_diameter_mm, datum_mm, drill_mm : float
        Together: one draw moves every size of the group by the same amount.
    hole_diameter_mm, hole_position_mm : float
        Each hole by itself, beside what drill and datum do.
    length_mm, window_length_mm, window_width_mm, block_depth_mm, ear_height_mm, edge_offset_mm, broken_edge_mm,
    ramp_deg : float
        Single sizes.
    undercut_mm, outer_round_mm, inner_chamfer_mm : float
        By hand, each by itself, only where the model has them.
    other_mm, other_deg : float
        Any size that has no entry of its own.
    """

    bore_diameter_mm: float = 0.03
    bore_place_mm: float = 0.1
    outside_diameter_mm: float = 0.05
    datum_mm: float = 0.05
    drill_mm: float = 0.02
    hole_diameter_mm: float = 0.05
    hole_position_mm: float = 0.1
    length_mm: float = 0.1
    window_length_mm: float = 0.1
    window_width_mm: float = 0.1
    block_depth_mm: float = 0.2
    ear_height_mm: float = 0.1
    edge_offset_mm: float = 0.05
    broken_edge_mm: float = 0.03
    ramp_deg: float = 1.0
    undercut_mm: float = 0.15
    outer_round_mm: float = 0.05
    inner_chamfer_mm: float = 0.05
    other_mm: float = 0.1
    other_deg: float = 1.0

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not 0.0 <= value < 1e3:
                unit = "degrees" if name.endswith("_deg") else "mm"
                raise InputError(f"shop tolerance {name} is {value}; give a standard uncertainty in {unit}, 0 or more")


SHOP_TOLERANCES = ShopTolerances()

# Field of a size to its entry of `ShopTolerances`: what each is off by itself.
_OWN = {
    (Part.HOLE, "diameter_mm"): "hole_diameter_mm",
    (Part.HOLE, "position_mm"): "hole_position_mm",
    (Part.HOLE, "outer_round_mm"): "outer_round_mm",
    (Part.HOLE, "inner_chamfer_mm"): "inner_chamfer_mm",
    (Part.HOLE, "undercut.all_round_mm"): "undercut_mm",
    (Part.HOLE, "undercut.upstream_mm"): "undercut_mm",
    (Part.HOLE, "undercut.downstream_mm"): "undercut_mm",
    (Part.BODY, "length_mm"): "length_mm",
    (Part.HEAD, "window_length_mm"): "window_length_mm",
    (Part.HEAD, "window_width_mm"): "window_width_mm",
    (Part.HEAD, "block_depth_mm"): "block_depth_mm",
    (Part.HEAD, "ear_height_mm"): "ear_height_mm",
    (Part.HEAD, "ramp_angle_deg"): "ramp_deg",
    (Part.HEAD, "edge_offset_mm"): "edge_offset_mm",
    (Part.HEAD, "broken_edge_mm"): "broken_edge_mm",
}
# Those that move together, and what the whole group is called.
_TOGETHER = {
    (Part.BORE, "diameter"): ("bore_diameter_mm", "bore.stations_mm.*.diameter"),
    (Part.BORE, "x"): ("bore_place_mm", "bore.stations_mm.*.x"),
    (Part.OUTSIDE, "diameter"): ("outside_diameter_mm", "bore.outside_mm.*.diameter"),
    (Part.HOLE, "position_mm"): ("datum_mm", "holes.*.position_mm"),
}
_SHAPES = ("outer_round_mm", "inner_chamfer_mm", "undercut_mm")


def _kind(dimension: Dimension) -> tuple[Part, str]:
    name = size_name(dimension.key)
    return name.part, name.field


@dataclass(frozen=True)
class Contributor:
    """What one independent size, or one group made together, adds to a note's uncertainty.

    `key` is the size's key; a group has ``*`` in it, and the holes of one drill are named by its size. `sigma` is
    the standard uncertainty of the size in `unit`; `cents` carries the sign of the sensitivity.
    """

    key: str
    sigma: float
    unit: str
    cents: float


@dataclass(frozen=True)
class NoteUncertainty:
    """One note's standard uncertainty in cents, from the sizes and from the model, kept apart.

    `largest` are the three largest contributors among the sizes, the largest first.
    """

    fingering: Fingering
    from_dimensions_cents: float
    from_model_cents: float
    largest: tuple[Contributor, ...]


@dataclass(frozen=True)
class Prediction:
    """Every note of a network with all that has to be known about how far to trust it.

    `uncertainties` has one entry a note of `notes`, in the same order; `out_of_range` holds the formulas used beyond
    their range.
    """

    notes: tuple[NotePrediction, ...]
    uncertainties: tuple[NoteUncertainty, ...]
    out_of_range: tuple[RangeNote, ...]


def dimension_patterns_cents(
    network: Network, solved: Resonances, tolerances: ShopTolerances = SHOP_TOLERANCES
) -> tuple[tuple[Contributor, ...], FloatArray]:
    """Return the independent causes and what one sigma of each does to every note.

    Parameters
    ----------
    network : Network
    solved : Resonances
        With sensitivities.
    tolerances : ShopTolerances

    Returns
    -------
    causes : tuple of Contributor
        One a column; `cents` is the largest over the notes.
    patterns : array, shape (n_notes, n_causes)
        Cents, signed; a group made together has the signed sum of its members' sensitivities.

    Raises
    ------
    InputError
        `solved` has no sensitivities.
    """
    effects = solved.by_dimension_cents
    if effects.shape[0] != len(network.fingerings):
        raise InputError("uncertainty: the resonances were solved without sensitivities; ask for them")
    causes: list[tuple[str, float, str]] = []
    columns: list[FloatArray] = []

    def add(key: str, sigma: float, unit: str, members: list[int]) -> None:
        if members and sigma > 0.0:
            causes.append((key, sigma, unit))
            columns.append(sigma * effects[:, members].sum(axis=1))

    for kind, (entry, called) in _TOGETHER.items():
        members = [j for j, d in enumerate(network.dimensions) if _kind(d) == kind]
        # A group of one hole is still the datum's: its own error comes beside it.
        add(called, getattr(tolerances, entry), "mm", members)
    by_drill: dict[float, list[int]] = {}
    for j, d in enumerate(network.dimensions):
        if _kind(d) == (Part.HOLE, "diameter_mm"):
            by_drill.setdefault(round(d.value, 3), []).append(j)
    for size, members in sorted(by_drill.items()):
        add(f"holes.*.diameter_mm of the {size:g} mm drill", tolerances.drill_mm, "mm", members)
    for j, d in enumerate(network.dimensions):
        add(d.key, _own_sigma(d, tolerances), d.unit, [j])
    patterns = np.column_stack(columns) if columns else np.zeros((effects.shape[0], 0))
    most = [float(column[np.argmax(np.abs(column))]) for column in patterns.T]
    return tuple(Contributor(*cause, cents) for cause, cents in zip(causes, most, strict=True)), patterns


def _own_sigma(dimension: Dimension, tolerances: ShopTolerances) -> float:
    """Return what a size may be off by itself; 0 for one that only moves with its group or is not there."""
    kind = _kind(dimension)
    if kind in _OWN:
        entry = _OWN[kind]
        return 0.0 if entry in _SHAPES and dimension.value == 0.0 else float(getattr(tolerances, entry))
    if kind in _TOGETHER:
        return 0.0
    return tolerances.other_deg if dimension.unit == "deg" else tolerances.other_mm


def uncertainties(
    network: Network,
    solved: Resonances,
    *,
    tolerances: ShopTolerances = SHOP_TOLERANCES,
    errors: ModelErrors = STATED_ERRORS,
) -> tuple[NoteUncertainty, ...]:
    """Return the uncertainty of every note, split into sizes and model.

    Parameters
    ----------
    network : Network
    solved : Resonances
        Of this network, with sensitivities.
    tolerances, errors : optional
        Of the shop and of the model.

    Returns
    -------
    tuple of NoteUncertainty
        One a fingering, in their order.

    Raises
    ------
    InputError
        `solved` has no sensitivities.

    References
    ----------
    .. [1] First-order propagation: root sum of squares over independent causes, signed sum inside a group (Guide to
       the Expression of Uncertainty in Measurement, JCGM 100:2008, 5.1 and 5.2; from memory).
    """
    causes, patterns = dimension_patterns_cents(network, solved, tolerances)
    from_model = model_sigma_cents(network, solved, errors)
    found = []
    for i, f in enumerate(network.fingerings):
        order = np.argsort(-np.abs(patterns[i]), kind="stable")[:3]
        largest = tuple(
            Contributor(causes[j].key, causes[j].sigma, causes[j].unit, float(patterns[i, j])) for j in order
        )
        found.append(NoteUncertainty(f, float(np.linalg.norm(patterns[i])), float(from_model[i]), largest))
    return tuple(found)


def prediction_of(
    network: Network,
    *,
    tolerances: ShopTolerances = SHOP_TOLERANCES,
    errors: ModelErrors = STATED_ERRORS,
) -> Prediction:
    """Return every note with its two uncertainties, and every formula used beyond its range.

    Raises
    ------
    ComputeError
        A fingering has no resonance.
    """
    notes = predict_notes(network, errors=errors)
    hz = np.array([n.frequency_hz for n in notes])
    solved = resonances(network, guesses_hz=hz, sensitivities=True)
    return Prediction(
        notes, uncertainties(network, solved, tolerances=tolerances, errors=errors), out_of_range(network, hz)
    )
