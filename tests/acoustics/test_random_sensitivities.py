"""Sensitivities of 200 random models, every size of each, against differences of the solved resonances."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_random_models import published_rules, random_model

from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.network import Rules, build_network
from fluewright.acoustics.resonance import resonances
from fluewright.errors import ComputeError

CENTS = 1200.0 / np.log(2.0)
STEP = 1e-4  # mm or degrees; short, since some closed forms have joints where only the slope is continuous
#: The rules that published numbers stand on, and those that the program takes by itself.
RULES = (published_rules(), Rules())

tried: Counter[str] = Counter()


def log_roots(network, weights, amount, guesses_hz):
    vector = network.sizes.copy()
    for at, weight in weights:
        vector[at] += amount * weight
    return np.log(resonances(network, sizes=vector, guesses_hz=guesses_hz).frequencies_hz)


def difference_cents(network, weights, guesses_hz):
    """Return d(cents)/d(size) of every resonance by the fourth-order central difference."""
    a, b, c, d = (log_roots(network, weights, m * STEP, guesses_hz) for m in (-2, -1, 1, 2))
    return CENTS * (a - 8.0 * b + 8.0 * c - d) / (12.0 * STEP)


def disagreement(network, solved):
    """Return (common, rest, key, sizes): how far sensitivities and differences are apart.

    `common` is the relative difference at the largest entry of each resonance, where a wrong slope dX/df would show,
    since all entries are divided by it. `rest` is the
    largest difference of any size once that factor is out, as a share of what may be wrong: 1e-6 of the largest entry,
    and 2e-6 cents per mm, which is what the differences themselves are good for.
    """
    both = [j for j, dimension in enumerate(network.dimensions) if can_shrink(dimension)]
    weights = [network.dimensions[j].weights for j in both]
    there = np.array([difference_cents(network, w, solved.frequencies_hz) for w in weights]).T
    ours = solved.by_dimension_cents[:, both]
    at = np.abs(there).argmax(axis=1)[:, None]
    largest = np.abs(np.take_along_axis(there, at, axis=1))
    factor = np.take_along_axis(ours, at, axis=1) / np.take_along_axis(there, at, axis=1)
    share = np.abs(ours / factor - there) / (1e-6 * largest + 2e-6)
    worst = int(share.max(axis=0).argmax())
    return np.abs(factor - 1.0).max(), share.max(), network.dimensions[both[worst]].key, len(both)


def can_shrink(dimension):
    """Return whether the size may go both ways; one that is zero can only grow, and has one side only."""
    return dimension.value > 4.0 * STEP or dimension.key == "head.block_depth_mm"


@settings(max_examples=240, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**32 - 1))
def check_sensitivities(seed):
    rng = np.random.default_rng(seed)
    model = random_model(rng, most_holes=5)
    network = build_network(model, rules=RULES[int(rng.integers(2))])
    try:
        solved = resonances(network, sensitivities=True)
    except ComputeError:
        tried["drowned"] += 1  # an open window of holes near the head may leave no such resonance
        return
    tried["solved"] += 1
    common, rest, key, sizes = disagreement(network, solved)
    tried["sizes"] += sizes
    assert common < 2e-6, (seed, common)
    assert rest < 1.0, (seed, key, rest)


def test_every_size_of_200_random_models():
    """Undercuts, rims, edges, cones, half-open holes, warm breath, ears, block forward and back."""
    tried.clear()
    check_sensitivities()
    assert tried["solved"] >= 200, tried
    assert tried["sizes"] > 20 * tried["solved"], tried


def test_a_wrong_sensitivity_would_be_seen():
    """A hundred-thousandth of the second largest entry is above the tolerance."""
    network = build_network(random_model(np.random.default_rng(3), most_holes=5), rules=published_rules())
    solved = resonances(network, sensitivities=True)
    assert disagreement(network, solved)[1] < 1.0
    wrong = solved.by_dimension_cents.copy()
    both = [j for j, dimension in enumerate(network.dimensions) if can_shrink(dimension)]
    second = both[np.abs(wrong[0, both]).argsort()[-2]]
    wrong[0, second] *= 1.0 + 1e-5
    assert disagreement(network, replace(solved, by_dimension_cents=wrong))[1] > 1.0


def test_sizes_of_no_dimension_too():
    """Loss, window and hole factors, speed of sound, bulge, half-open share, warming and its length."""
    scalars = (
        offsets.LOSS, offsets.WINDOW_SCALE, offsets.HOLE_SCALE, offsets.C_SCALE, offsets.BULGE, offsets.HALF,
        offsets.WARM_SHARE, offsets.WARM_LENGTH,
    )  # fmt: skip
    for seed in range(40):
        network = build_network(random_model(np.random.default_rng(seed), most_holes=5), rules=published_rules())
        try:
            solved = resonances(network, sensitivities=True)
        except ComputeError:
            continue
        for at in scalars:
            if network.sizes[at] == 0.0:
                continue
            # A thousandth of the size stands for a millimetre of it.
            weights = ((at, 0.1 * abs(network.sizes[at])),)
            exact = CENTS * weights[0][1] * solved.by_size[:, at]
            there = difference_cents(network, weights, solved.frequencies_hz)
            assert exact == pytest.approx(there, rel=2e-5, abs=1e-5), (seed, at)
