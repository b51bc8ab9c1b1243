"""The compiled kernels against a twin in plain NumPy, written once more from the formulas."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from fluewright.acoustics.impedance import impedance_curve
from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.kernels.offsets import HOLE_SIZES
from fluewright.acoustics.network import PUBLISHED, Corrections, Rules, build_network
from fluewright.acoustics.resonance import resonances
from fluewright.instrument.starting import load, starting_models

PLACE = Path(__file__).parents[2] / "benchmarks" / "plain_chain.py"


@pytest.fixture(scope="module")
def twin():
    spec = importlib.util.spec_from_file_location("plain_chain", PLACE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", list(starting_models()))
def test_kernel_and_plain_twin_find_the_same_notes(twin, name):
    network = build_network(load(name))
    found = resonances(network).frequencies_hz
    assert twin.roots(network, found * 1.001) == pytest.approx(found, rel=1e-7)


@pytest.mark.parametrize("coupled", [True, False])
@pytest.mark.parametrize("name", list(starting_models()))
def test_kernel_and_plain_twin_have_the_same_impedance_off_resonance(twin, name, coupled):
    network = build_network(load(name), rules=Rules(coupled=coupled))
    f = resonances(network).frequencies_hz * np.linspace(0.9, 1.1, len(network.fingerings))
    loop = [impedance_curve(network, row, f[[row]]).loop[0] for row in range(f.size)]
    assert twin.impedance(2 * np.pi * f, twin.plan(network)) == pytest.approx(np.array(loop), rel=1e-8)


@pytest.mark.parametrize(
    ("entry", "value"),
    [
        (offsets.BLOCK_DEPTH, -3e-3),
        (offsets.BLOCK_DEPTH, 1e-3),
        (offsets.EDGE_OFFSET, 0.5e-3),
        (offsets.EDGE_OFFSET, -0.3e-3),
        (offsets.EDGE_THICKNESS, 0.4e-3),
        (offsets.EAR, 1e-3),
        (offsets.LOSS, 1.3),
        (offsets.BULGE, 0.2),
        (offsets.C_SCALE, 1.002),
        (offsets.WINDOW_SCALE, 1.05),
    ],
)
def test_twins_agree_on_every_size_of_the_head(twin, entry, value):
    network = build_network(load("c5-taper"))
    before = resonances(network).frequencies_hz
    network.sizes[entry] = value
    found = resonances(network).frequencies_hz
    assert twin.roots(network, found * 1.001) == pytest.approx(found, rel=1e-7)
    assert np.abs(found / before - 1).max() > 1e-5


def test_twins_agree_on_rims_undercuts_and_holes_of_the_other_side(twin):
    network = build_network(load("c5-eight-hole"), corrections=Corrections(hole_scale=1.04))
    holes = network.sizes[offsets.HEAD_SIZES + 2 * (network.n_bore + network.n_out) :].reshape(-1, HOLE_SIZES)
    holes[:, 2] = np.linspace(0.1e-3, 0.5e-3, len(holes))
    holes[::2, 4] = 0.4e-3
    holes[1::2, 6] = 0.5e-3
    holes[3, 3] = 0.3e-3
    found = resonances(network).frequencies_hz
    assert twin.roots(network, found * 1.001) == pytest.approx(found, rel=1e-7)


def test_the_twin_refuses_what_it_was_not_written_for(twin):
    with pytest.raises(ValueError, match="present formulas"):
        twin.plan(build_network(load("d5-cylinder"), rules=PUBLISHED))
