"""What the shop's tolerances do to a note, and what the model's errors do, each by itself."""

from dataclasses import fields, replace

import numpy as np
import pytest

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import ModelErrors, predict_notes, resonances
from fluewright.acoustics.uncertainty import (
    ShopTolerances,
    dimension_patterns_cents,
    prediction_of,
    uncertainties,
)
from fluewright.errors import InputError
from fluewright.instrument.starting import load

NOTHING = ShopTolerances(**{f.name: 0.0 for f in fields(ShopTolerances)})


@pytest.fixture(scope="module")
def network():
    return build_network(load("c5-taper"))


@pytest.fixture(scope="module")
def solved(network):
    return resonances(network, sensitivities=True)


def column(network, key):
    return next(j for j, d in enumerate(network.dimensions) if d.key == key)


def test_no_tolerance_is_no_uncertainty_from_sizes(network, solved):
    for u in uncertainties(network, solved, tolerances=NOTHING):
        assert u.from_dimensions_cents == 0.0
        assert u.largest == ()
        assert u.from_model_cents > 0.0


def test_one_size_alone_gives_its_sensitivity(network, solved):
    for u, slope in zip(
        uncertainties(network, solved, tolerances=replace(NOTHING, length_mm=0.3)),
        solved.by_dimension_cents[:, column(network, "length_mm")],
        strict=True,
    ):
        assert u.from_dimensions_cents == pytest.approx(0.3 * abs(slope))
        (only,) = u.largest
        assert (only.key, only.sigma, only.unit) == ("length_mm", 0.3, "mm")
        assert only.cents == pytest.approx(0.3 * slope)


def test_bore_of_one_reamer_moves_together(network, solved):
    """Full correlation: the signed sum of the stations' effects, which is what a reamer 0.03 mm too large does."""
    every = [j for j, d in enumerate(network.dimensions) if d.key.startswith("bore.stations") and "diam" in d.key]
    assert len(every) > 2
    found = uncertainties(network, solved, tolerances=replace(NOTHING, bore_diameter_mm=0.03))
    wider = network.sizes.copy()
    for j in every:
        for at, weight in network.dimensions[j].weights:
            wider[at] += 0.03 * weight
    moved = 1200.0 * np.log2(resonances(network, sizes=wider).frequencies_hz / solved.frequencies_hz)
    for u, cents in zip(found, moved, strict=True):
        assert u.largest[0].cents == pytest.approx(cents, abs=0.02)
        assert u.from_dimensions_cents == pytest.approx(abs(cents), abs=0.02)


def test_holes_of_one_drill_share_the_drill_and_have_their_own_error(network, solved):
    names = [h.name for h in network.model.holes]
    own, _ = dimension_patterns_cents(network, solved, replace(NOTHING, hole_diameter_mm=0.05))
    assert [c.key for c in own] == [f"holes.{n}.diameter_mm" for n in names]
    shared, patterns = dimension_patterns_cents(network, solved, replace(NOTHING, drill_mm=0.02))
    assert len(shared) == len({h.diameter_mm for h in network.model.holes})
    columns = [column(network, f"holes.{n}.diameter_mm") for n in names]
    assert patterns.sum(axis=1) == pytest.approx(0.02 * solved.by_dimension_cents[:, columns].sum(axis=1))


def test_shape_that_is_not_made_has_no_error(network, solved):
    causes, _ = dimension_patterns_cents(network, solved, replace(NOTHING, undercut_mm=0.15))
    cut = {h.name for h in network.model.holes if h.undercut.all_round_mm or h.undercut.upstream_mm}
    assert {c.key.split(".")[1] for c in causes} <= cut


def test_random_pieces_scatter_as_the_root_sum_of_squares_says(network, solved):
    """Every cause drawn at once, through the solver itself; 400 pieces give the spread to 3.5 % (one sigma)."""
    small = ShopTolerances(block_depth_mm=0.0, window_length_mm=0.05, window_width_mm=0.05)
    told = uncertainties(network, solved, tolerances=small)
    rng = np.random.default_rng(3)
    causes, _ = dimension_patterns_cents(network, solved, small)
    rows = np.tile(network.sizes, (400, 1))
    for cause in causes:
        if "drill" in cause.key:
            size = float(cause.key.split()[3])
            members = [d for d in network.dimensions if d.key.endswith(".diameter_mm") and abs(d.value - size) < 1e-6]
        elif "*" in cause.key:
            first, last = cause.key.split("*")
            members = [d for d in network.dimensions if d.key.startswith(first) and d.key.endswith(last)]
        else:
            members = [d for d in network.dimensions if d.key == cause.key]
        draw = cause.sigma * rng.standard_normal(400)
        for d in members:
            for at, weight in d.weights:
                rows[:, at] += weight * draw
    hz = np.array([resonances(network, sizes=row).frequencies_hz for row in rows])
    spread = (1200.0 * np.log2(hz / solved.frequencies_hz)).std(axis=0)
    assert spread == pytest.approx([u.from_dimensions_cents for u in told], rel=0.14)


def test_model_part_is_that_of_the_prediction_and_knows_no_tolerance(network):
    plain = predict_notes(network)
    for tolerances in (NOTHING, ShopTolerances()):
        made = prediction_of(network, tolerances=tolerances)
        assert [n.cents for n in made.notes] == [n.cents for n in plain]
        for note, u in zip(plain, made.uncertainties, strict=True):
            assert u.fingering == note.fingering
            assert u.from_model_cents == pytest.approx(note.uncertainty_cents, rel=1e-9)
    sure = prediction_of(network, errors=ModelErrors(0.0, 0.0, 0.0, 0.0, (1.0, 2.0)))
    assert [u.from_model_cents for u in sure.uncertainties] == [float(min(n.register, 2)) for n in plain]
    assert sure.uncertainties[0].from_dimensions_cents == made.uncertainties[0].from_dimensions_cents


def test_three_largest_come_in_order(network):
    for u in prediction_of(network).uncertainties:
        sizes = [abs(c.cents) for c in u.largest]
        assert len(sizes) == 3
        assert sizes == sorted(sizes, reverse=True)
        assert np.linalg.norm(sizes) <= u.from_dimensions_cents + 1e-12


def test_wrong_tolerances_and_missing_sensitivities_are_refused(network):
    for wrong in (-0.1, float("nan"), float("inf")):
        with pytest.raises(InputError, match="length_mm"):
            ShopTolerances(length_mm=wrong)
    with pytest.raises(InputError, match="sensitivities"):
        uncertainties(network, resonances(network))
