"""The compiled kernels against a twin in plain NumPy, written once more from the formulas."""

import importlib.util
from pathlib import Path

import pytest

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances
from fluewright.instrument.starting import load, starting_models

PLACE = Path(__file__).parents[2] / "benchmarks" / "plain_chain.py"


@pytest.mark.parametrize("name", list(starting_models()))
def test_kernel_and_plain_twin_find_the_same_notes(name):
    spec = importlib.util.spec_from_file_location("plain_chain", PLACE)
    twin = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(twin)
    network = build_network(load(name))
    found = resonances(network).frequencies_hz
    assert twin.roots(network, found * 1.001) == pytest.approx(found, rel=1e-7)
