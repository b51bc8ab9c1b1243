"""How the kernels are compiled: nothing leaks, nothing is freed too early, each has its decorator's rules."""

import importlib
import math
import pkgutil
import sys

import numpy as np
import pytest
from numba.core.registry import CPUDispatcher
from numba.core.runtime import _nrt_python, rtsys

from fluewright.acoustics import kernels
from fluewright.acoustics.kernels import network as kernel
from fluewright.acoustics.network import build_network
from fluewright.instrument.starting import load


@pytest.fixture(scope="module")
def network():
    return build_network(load("c5-taper"))


def solve(network):
    n = len(network.fingerings)
    found = [np.empty(n) for _ in range(3)]
    start = 2.0 * math.pi * network.targets_hz
    kernel.solve(network.given(), network.modes, start, network.states, *found, np.empty((n, network.sizes.size)))


def curve(network):
    # Low enough that the flows of the openings run apart and are solved at once (`flows._at_once`).
    omegas = 2.0 * math.pi * np.linspace(1.0, 4000.0, 300)
    found = [np.empty(omegas.size, complex) for _ in range(3)]
    for row in (0, 4, 9):
        kernel.curve(network.given(), network.states[row], omegas, *found, np.empty(omegas.size))


def mouths(network):
    n = len(network.fingerings)
    flows, places = np.empty((n, network.n_holes + 2), complex), np.empty(network.n_holes + 2)
    kernel.mouths(network.given(), network.states, 2.0 * math.pi * network.targets_hz, flows, places)


def field(network):
    x = np.linspace(0.0, 0.2, 50)
    p, u = np.empty(50, complex), np.empty(50, complex)
    kernel.field(network.given(), network.states[3], 4000.0, x, np.zeros(50, dtype=bool), p, u)


@pytest.mark.parametrize("task", [solve, curve, mouths, field])
def test_every_array_made_is_freed_once(network, task):
    """The uncounted kernels must not keep or drop an array: what is made and what is freed stay even."""
    _nrt_python.memsys_enable_stats()
    given = network.given()
    arrays = [given.sizes, given.angles, given.window_table, network.states]
    task(network)
    owners = [sys.getrefcount(a) for a in arrays]
    before = rtsys.get_allocation_stats()
    for _ in range(3):
        task(network)
    after = rtsys.get_allocation_stats()
    assert after.mi_alloc - before.mi_alloc > 0
    assert after.mi_alloc - before.mi_alloc == after.mi_free - before.mi_free
    assert after.alloc - before.alloc == after.free - before.free
    assert [sys.getrefcount(a) for a in arrays] == owners


def dispatchers():
    for found in pkgutil.iter_modules(kernels.__path__):
        module = importlib.import_module(f"{kernels.__name__}.{found.name}")
        for value in vars(module).values():
            if isinstance(value, CPUDispatcher) and value.py_func.__module__ == module.__name__:
                yield value


def test_only_makers_count_references():
    """An uncounted kernel that made an array would fail to compile; one that came back to it would leak."""
    kinds = {d.py_func.__name__: d for d in dispatchers()}
    assert kinds["solve"].targetoptions["_nrt"] is True
    assert kinds["evaluate"].targetoptions["_nrt"] is False
    assert "contract" in kinds["evaluate"].targetoptions["fastmath"]
    for name, dispatcher in kinds.items():
        options = dispatcher.targetoptions
        assert options["error_model"] == "numpy", name
        assert options["nogil"], name
        if options.get("inline") != "always":
            assert dispatcher._cache.cache_path is not None, name
            assert "_nrt" in options, name
