"""One model's evaluations for all tests of the voicing bench, computed once a run."""

import fcntl
import importlib.util
import os
import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="session")
def heads():
    """Return research/workshop/heads.py as a module."""
    spec = importlib.util.spec_from_file_location("virtual_heads", ROOT / "research" / "workshop" / "heads.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["virtual_heads"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def shop(heads, tmp_path_factory):
    """Return d5-cylinder with every evaluation; workers of one run share the files."""
    base = tmp_path_factory.getbasetemp()
    base = base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base
    folder = base / "cache" / "fluewright"
    folder.mkdir(parents=True, exist_ok=True)
    with (base / "voicing.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        return heads.shop_of("d5-cylinder", folder=folder)


@pytest.fixture
def head(heads, shop):
    """Return a maker of trials: (changes of the model, settings, seed) to what a shop reads."""

    def make(changes=None, settings=None, *, seed=1, small=True):
        rng = np.random.default_rng(seed)
        errors = heads.small_errors(shop.model, rng) if small else {}
        hidden = heads.Hidden("", "", 0.0, "", settings or heads.JetSettings(), errors, changes or {})
        return heads.read(shop, heads.truth(shop, hidden, errors, changes or {}), rng)

    return make
