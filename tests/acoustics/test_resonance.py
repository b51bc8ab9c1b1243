"""Resonances of whole models: counted, exact to the root, with right sensitivities."""

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from fluewright.acoustics.kernels import network as kernel
from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.kernels.offsets import HOLE_SIZES
from fluewright.acoustics.network import Corrections, Rules, build_network
from fluewright.acoustics.resonance import predict_notes, resonances, resonances_by_mode, targets_hz
from fluewright.errors import ComputeError
from fluewright.instrument.files import validate_model
from fluewright.instrument.sizes import with_sizes
from fluewright.instrument.starting import load, starting_models


def loop(network, omegas, row):
    """Return (Z, dZ/domega) at every omega."""
    omegas = np.atleast_1d(omegas)
    z, slope, window = (np.empty(omegas.size, complex) for _ in range(3))
    kernel.curve(network.given(), network.states[row], omegas, z, slope, window, np.empty(omegas.size))
    return z, slope


@pytest.mark.parametrize("name", list(starting_models()))
def test_every_note_of_the_starting_models_is_near_its_target(name):
    """The shipped sizes are fitted: register 1 within 20 cents, all within 40 (forks of the eight-hole model)."""
    network = build_network(load(name))
    off = 1200 * np.log2(resonances(network).frequencies_hz / targets_hz(network))
    first = network.modes == 1
    # The eight-hole model has two forks and one compromise between registers; the six-hole ones have none.
    assert np.abs(off[first]).max() < (25.0 if name == "c5-eight-hole" else 20.0)
    assert np.abs(off).max() < 40.0


@pytest.mark.parametrize("name", ["d5-cylinder", "c5-eight-hole"])
def test_resonances_are_counted_right_on_a_dense_grid(name):
    """Upward zero crossings of Im Z on a 1 Hz grid, counted from the bottom, are what the solver returns."""
    network = build_network(load(name))
    found = resonances(network).frequencies_hz
    grid = np.arange(150.0, 2600.0, 1.0)
    for row in range(0, len(network.fingerings), 3):
        x = loop(network, 2 * np.pi * grid, row)[0].imag
        up = grid[:-1][(x[:-1] < 0) & (x[1:] >= 0)]
        mode = int(network.modes[row])
        assert up[mode - 1] <= found[row] <= up[mode - 1] + 1.0


def test_the_root_does_not_depend_on_where_the_search_begins():
    network = build_network(load("d5-cylinder"))
    usual = resonances(network).frequencies_hz
    for factor in (0.3, 0.8, 1.4, 3.0):
        other = resonances(network, guesses_hz=targets_hz(network) * factor).frequencies_hz
        assert other == pytest.approx(usual, rel=1e-9)


def test_losses_lower_every_note():
    model = load("d5-cylinder")
    lossy = resonances(build_network(model)).frequencies_hz
    free = resonances(build_network(model, rules=Rules(lossy=False, radiate=False))).frequencies_hz
    change = 1200 * np.log2(lossy / free)
    assert (change < -3).all()
    assert (change > -25).all()


def test_analytic_slope_agrees_with_a_difference():
    network = build_network(load("f4-taper"))
    omega = 2 * np.pi * 777.0
    for row in range(len(network.fingerings)):
        h = omega * 1e-5
        z, slope = loop(network, np.array([omega, omega + h, omega - h]), row)
        central = (z[1] - z[2]) / (2 * h)
        assert slope[0] == pytest.approx(central, rel=1e-6)


@settings(max_examples=15, deadline=None)
@given(
    name=st.sampled_from(list(starting_models())),
    block=st.one_of(st.floats(-1.5, -0.05), st.floats(0.05, 0.8)),
    seed=st.integers(0, 2**31),
)
@example(name="d4-cylinder", block=-1.0, seed=6010)
def test_sensitivities_agree_with_differences(name, block, seed):
    """Adjoint against central differences of the solved roots; both good to about 1e-6 of the effect."""
    rng = np.random.default_rng(seed)
    model = load(name)
    sizes = {"head.block_depth_mm": block, "length_mm": model.length_mm + rng.uniform(0, 8)}
    for hole in model.holes:
        sizes[f"holes.{hole.name}.diameter_mm"] = hole.diameter_mm * rng.uniform(0.8, 1.0)
        sizes[f"holes.{hole.name}.undercut.all_round_mm"] = rng.uniform(0.05, 0.3)
        sizes[f"holes.{hole.name}.undercut.upstream_mm"] = rng.uniform(0.05, 0.3)
    if name == "c5-eight-hole":  # abreast holes have a test of their own
        sizes["holes.thumb.position_mm"] = model.holes[0].position_mm - 0.5
    model = with_sizes(model, sizes)
    network = build_network(model)
    try:
        solved = resonances(network, sensitivities=True)
    except ComputeError:
        assume(False)  # small holes over wide ones may drown an octave
    bends = 0
    for j in rng.choice(len(network.dimensions), 8, replace=False):
        dimension = network.dimensions[j]
        step = 1e-3
        if dimension.value < 4 * step and dimension.key != "head.block_depth_mm":
            continue  # a size at zero can only grow; its one-sided derivative is checked below
        moved = []
        for sign in (-2, -1, 1, 2):
            vector = network.sizes.copy()
            for at, weight in dimension.weights:
                vector[at] += sign * step * weight
            moved.append(np.log(resonances(network, sizes=vector).frequencies_hz))
        central = (moved[0] - 8 * moved[1] + 8 * moved[2] - moved[3]) / (12 * step) * 1200 / np.log(2)
        narrow, wide = ((moved[b] - moved[a]) / (k * step) * 1200 / np.log(2) for a, b, k in ((1, 2, 2), (0, 3, 4)))
        if (np.abs(narrow - wide) > 1e-5 + 1e-5 * np.abs(central)).any():
            bends += 1  # where a finger's bulge begins to fill a closed chimney, curvature jumps: no reference there
            continue
        # 1e-5 cents per mm is the floor of the differences themselves.
        assert solved.by_dimension_cents[:, j] == pytest.approx(central, rel=2e-6, abs=2e-5), dimension.key
    assert bends <= 4


def test_sensitivity_of_an_untouched_inner_edge_is_one_sided():
    network = build_network(load("d5-cylinder"))
    solved = resonances(network, sensitivities=True)
    j = next(i for i, d in enumerate(network.dimensions) if d.key == "holes.4.inner_chamfer_mm")
    vector = network.sizes.copy()
    vector[network.dimensions[j].weights[0][0]] += 1e-7
    moved = 1200 * np.log2(resonances(network, sizes=vector).frequencies_hz / solved.frequencies_hz) / 1e-4
    assert solved.by_dimension_cents[:, j] == pytest.approx(moved, rel=2e-3, abs=2e-4)


def test_block_depth_at_the_exit_plane_gives_the_side_of_coming_forward():
    network = build_network(load("d5-cylinder"))
    solved = resonances(network, sensitivities=True)
    vector = network.sizes.copy()
    vector[offsets.BLOCK_DEPTH] += 1e-8
    moved = 1200 * np.log2(resonances(network, sizes=vector).frequencies_hz / solved.frequencies_hz) / 1e-5
    j = [d.key for d in network.dimensions].index("head.block_depth_mm")
    assert solved.by_dimension_cents[:, j] == pytest.approx(moved, rel=1e-3)
    assert (moved < 0).all()


def test_constants_move_notes_as_their_sensitivities_say():
    model = load("c5-taper")
    network = build_network(model)
    solved = resonances(network, sensitivities=True)
    for name, at in (
        ("window_scale", offsets.WINDOW_SCALE),
        ("hole_scale", offsets.HOLE_SCALE),
        ("loss_scale", offsets.LOSS),
        ("speed_scale", offsets.C_SCALE),
    ):
        h = 1e-4
        high = resonances(build_network(model, corrections=Corrections(**{name: 1 + h}))).frequencies_hz
        low = resonances(build_network(model, corrections=Corrections(**{name: 1 - h}))).frequencies_hz
        assert solved.by_size[:, at] == pytest.approx(
            (high - low) / (2 * h * solved.frequencies_hz), rel=1e-5, abs=1e-8
        )


def test_warmer_air_is_sharper_by_the_textbook_amount():
    """2.95 cents a kelvin at 20 degC, 1200/(2 T ln 2): common physics of the speed of sound."""
    raw = load("d5-cylinder").model_dump()
    cold = predict_notes(build_network(load("d5-cylinder")))
    raw["conditions"]["temperature_c"] = 21.0
    warm = predict_notes(build_network(type(load("d5-cylinder")).model_validate(raw)))
    for a, b in zip(cold, warm, strict=True):
        assert 1200 * np.log2(b.frequency_hz / a.frequency_hz) == pytest.approx(3.1, abs=0.25)


def test_bigger_hole_sharper_longer_body_flatter():
    model = load("d5-cylinder")
    before = resonances(build_network(model)).frequencies_hz
    hole = next(h for h in model.holes if h.name == "6")
    opened = resonances(
        build_network(with_sizes(model, {"holes.6.diameter_mm": hole.diameter_mm + 0.2}))
    ).frequencies_hz
    longer = resonances(build_network(with_sizes(model, {"length_mm": model.length_mm + 1.0}))).frequencies_hz
    assert opened[1] > before[1]
    assert (longer < before).all()
    assert longer[0] / before[0] < longer[6] / before[6]


def test_holes_abreast_have_the_right_sensitivities():
    """A thumb hole straight behind a finger hole, each moved away from the other.

    Two T-networks at one place do not commute exactly, so passing the other hole costs a jump of 0.001 cent.
    """
    model = load("c5-eight-hole")
    x = model.holes[1].position_mm
    network = build_network(with_sizes(model, {"holes.thumb.position_mm": x}))
    solved = resonances(network, sensitivities=True)
    for key, sign in (("holes.thumb.position_mm", -1), ("holes.1.position_mm", 1)):
        j = next(i for i, d in enumerate(network.dimensions) if d.key == key)
        at, weight = network.dimensions[j].weights[0]
        vector = network.sizes.copy()
        vector[at] += sign * 1e-3 * weight
        away = 1200 * np.log2(resonances(network, sizes=vector).frequencies_hz / solved.frequencies_hz) / (sign * 1e-3)
        assert solved.by_dimension_cents[:, j] == pytest.approx(away, rel=2e-3, abs=2e-5)


def test_every_mode_of_every_fingering_is_found_without_losses():
    """Six modes of all fingerings of all starting models, each one the right root: the counted angle says so."""
    for name in starting_models():
        network = build_network(load(name), rules=Rules(lossy=False, radiate=False))
        for _, row in resonances_by_mode(network, 6):
            assert np.isfinite(row).all()
            assert (np.diff(row) > 0).all()


@pytest.mark.parametrize("name", ["d5-cylinder", "f4-taper"])
@pytest.mark.parametrize("block_mm", [0.3, -0.7])
def test_sensitivities_with_warm_breath_agree_with_differences(name, block_mm):
    """Air 6 K warmer at the window, cooling along the bore: every size, the warming and its length included."""
    network = build_network(load(name))
    sizes = network.sizes.copy()
    sizes[offsets.BLOCK_DEPTH] = block_mm * 1e-3
    sizes[offsets.WARM_SHARE] = 0.02
    sizes[offsets.BULGE] = 0.2
    if network.n_bore > 2:
        sizes[offsets.HEAD_SIZES + 2] += 0.0007  # off the 20 mm grid, where the number of pieces would change
    exact = resonances(network, sizes=sizes, sensitivities=True).by_size
    first_hole = offsets.HEAD_SIZES + 2 * network.n_bore + 2 * network.n_out
    for q in range(sizes.size):
        # Stations behind the block have no say; bore and outside end together, so their ends move as `length_mm`.
        outside = offsets.HEAD_SIZES + 2 * network.n_bore
        beyond_the_block = q in (offsets.HEAD_SIZES, outside, outside - 2, first_hole - 2)
        zero_size = q >= first_hole and (q - first_hole) % HOLE_SIZES >= 2 and sizes[q] == 0.0
        if zero_size or beyond_the_block or q == offsets.EAR:
            continue
        h = 2e-5 * max(abs(sizes[q]), 1e-3)
        ends = []
        for step in (-2, -1, 1, 2):
            moved = sizes.copy()
            moved[q] += step * h
            ends.append(np.log(resonances(network, sizes=moved).frequencies_hz))
        central = (ends[0] - 8 * ends[1] + 8 * ends[2] - ends[3]) / (12 * h)
        assert exact[:, q] == pytest.approx(central, rel=2e-5, abs=2e-6), q


def test_breath_temperature_of_the_model_reaches_the_bore():
    raw = load("d5-cylinder").model_dump(mode="json")
    raw["conditions"]["breath_temperature_c"] = raw["conditions"]["temperature_c"] + 8.0
    raw["conditions"]["cooling_length_mm"] = 5000.0
    raw["conditions"]["relative_humidity"] = 0.0  # warm humid air would hold more vapour
    warm = resonances(build_network(validate_model(raw))).frequencies_hz
    raw["conditions"]["temperature_c"] += 8.0
    raw["conditions"]["breath_temperature_c"] = None
    everywhere = resonances(build_network(validate_model(raw))).frequencies_hz
    # Over 0.27 m of 5 m the warming falls by 5 %, of 23.5 cents.
    assert 1200 * np.log2(everywhere / warm) == pytest.approx(np.full(warm.size, 0.6), abs=0.6)


def test_warm_breath_raises_every_note():
    network = build_network(load("d5-cylinder"))
    warm = network.sizes.copy()
    warm[offsets.WARM_SHARE] = 0.02
    cold = resonances(network).frequencies_hz
    change = 1200 * np.log2(resonances(network, sizes=warm).frequencies_hz / cold)
    assert (change > 0).all()
    # Two per cent of absolute temperature everywhere would be 17 cents.
    assert (change < 17.2).all()


@pytest.mark.parametrize("cut_mm", [0.2, 0.6])
def test_a_hole_cut_upstream_sounds_as_one_cut_downstream_further_up(cut_mm):
    """Mirrored cuts differ by their acoustic centres alone; nearer the window, its own notes are sharper."""
    network = build_network(load("d5-cylinder"))
    hole = network.sizes.size - offsets.HOLE_SIZES * network.n_holes  # the first, which governs the highest notes

    def notes(column, moved_mm=0.0):
        sizes = network.sizes.copy()
        sizes[hole + column] = 1e-3 * cut_mm
        sizes[hole + offsets.PLACE] += 1e-3 * moved_mm
        return resonances(network, sizes=sizes).frequencies_hz

    up, down = notes(offsets.UPSTREAM), notes(offsets.DOWNSTREAM)
    apart = 2.0 * 0.253 * cut_mm
    assert up == pytest.approx(notes(offsets.DOWNSTREAM, -apart), rel=1e-12)
    governed = network.states[:, 0] == 1
    assert governed.any()
    assert (up[governed] > down[governed]).all()
