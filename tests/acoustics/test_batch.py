"""Many models at once give what each gives alone, to the last bit, whatever the number of processes."""

import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from fluewright.acoustics.batch import predict_many
from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.kernels.offsets import HOLE_SIZES
from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances
from fluewright.errors import InputError
from fluewright.instrument.starting import load


@pytest.fixture(scope="module")
def network():
    return build_network(load("d5-cylinder"))


def pieces(network, m, seed=1):
    rng = np.random.default_rng(seed)
    return network.sizes * (1.0 + 0.002 * rng.standard_normal((m, network.sizes.size)))


TWICE = """
import numpy as np
from fluewright.acoustics.batch import predict_many
from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.kernels.offsets import HOLE_SIZES
from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances
from fluewright.instrument.starting import load
def work():
    network = build_network(load("d5-cylinder"))
    rng = np.random.default_rng(1)
    rows = network.sizes * (1.0 + 0.002 * rng.standard_normal((200, network.sizes.size)))
    rows[7, offsets.WINDOW_LENGTH] = -1.0
    rows[150] = np.nan
    pooled = predict_many(network, rows, workers=2, sensitivities=True)
    assert list(np.flatnonzero(pooled.failed)) == [7, 150]
    for i in range(0, 200, 9):
        if not pooled.failed[i]:
            alone = resonances(network, sizes=rows[i], sensitivities=True)
            assert np.array_equal(alone.frequencies_hz, pooled.frequencies_hz[i])
            assert np.array_equal(alone.quality, pooled.quality[i])
            assert np.array_equal(alone.by_dimension_cents, pooled.by_dimension[i])
    here = predict_many(network, rows, workers=1, sensitivities=True)
    for name in ("frequencies_hz", "quality", "by_dimension", "failed"):
        assert np.array_equal(getattr(here, name), getattr(pooled, name), equal_nan=name != "failed"), name
    print("same")
if __name__ == "__main__":
    work()
"""


def test_two_processes_give_the_same_bits_as_one_by_one(network, tmp_path):
    """In a process of its own: one that has compiled the kernels itself rounds otherwise than one that loads them."""
    resonances(network, sensitivities=True)  # fills the cache
    path = tmp_path / "twice.py"
    path.write_text(TWICE, encoding="utf-8")
    ended = subprocess.run([sys.executable, str(path)], capture_output=True, text=True, timeout=600)
    assert (ended.returncode, ended.stdout) == (0, "same\n"), ended.stderr


def test_pool_agrees_with_this_process_to_rounding(network):
    rows = pieces(network, 12)
    pooled = predict_many(network, rows, workers=2)
    assert pooled.frequencies_hz == pytest.approx(predict_many(network, rows, workers=1).frequencies_hz, rel=1e-12)
    assert not pooled.failed.any()


def test_small_jobs_stay_in_this_process_and_give_the_same(network, monkeypatch):
    rows = pieces(network, 40)
    monkeypatch.setattr("fluewright.acoustics.batch._solve_in_pool", lambda *_: pytest.fail("a pool was begun"))
    assert np.array_equal(
        predict_many(network, rows).frequencies_hz, predict_many(network, rows, workers=1).frequencies_hz
    )
    none = predict_many(network, rows[:0])
    assert none.frequencies_hz.shape == (0, len(network.fingerings))
    assert none.by_dimension is None


@pytest.mark.parametrize(
    ("at", "value"),
    [
        (offsets.WINDOW_LENGTH, 0.0),
        (offsets.WINDOW_WIDTH, -0.001),
        (offsets.BLOCK_DEPTH, 0.02),
        (offsets.HEAD_SIZES + 1, -0.006),
        (offsets.HEAD_SIZES + 1, 0.5),
        (offsets.HEAD_SIZES + 2, -0.1),
        (-HOLE_SIZES, 0.9),
        (-HOLE_SIZES, 0.001),
        (1 - HOLE_SIZES, 0.0),
        (1 - HOLE_SIZES, 0.05),
        (0, np.inf),
    ],
)
def test_impossible_sizes_fail_alone(network, at, value):
    rows = pieces(network, 3)
    rows[1, at] = value
    found = predict_many(network, rows, workers=1, sensitivities=True)
    assert list(found.failed) == [False, True, False]
    for table in (found.frequencies_hz, found.quality, found.by_dimension):
        assert np.isnan(table[1]).all()
        assert np.isfinite(table[[0, 2]]).all()


def test_wrong_shapes_are_refused(network):
    for wrong in (network.sizes, np.zeros((2, 3)), np.zeros((2, 2, network.sizes.size))):
        with pytest.raises(InputError, match="shape"):
            predict_many(network, wrong)
    with pytest.raises(InputError, match="workers"):
        predict_many(network, pieces(network, 2), workers=0)


SCRIPT = """
import sys, numpy as np
from fluewright.acoustics.batch import predict_many
from fluewright.acoustics.network import build_network
from fluewright.instrument.starting import load
def work():
    network = build_network(load("d5-cylinder"))
    sys.stderr.write("begun\\n"); sys.stderr.flush()
    result = predict_many(network, np.tile(network.sizes, (ROWS, 1)), workers=2)
    print(int(result.failed.sum()), len(result.failed))
GUARD
"""


def test_ctrl_c_leaves_no_process_and_no_second_traceback(tmp_path):
    path = tmp_path / "long.py"
    guarded = "if __name__ == '__main__':\n    work()"
    path.write_text(SCRIPT.replace("ROWS", "3000000").replace("GUARD", guarded), encoding="utf-8")
    # Where the tests themselves run in the background the signal is ignored, and children would inherit that.
    child = subprocess.Popen(
        [sys.executable, str(path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert child.stderr.readline() == "begun\n"
    time.sleep(1.5)
    # As the terminal does it: the whole group gets the signal.
    os.killpg(child.pid, signal.SIGINT)
    _, err = child.communicate(timeout=600)
    assert child.returncode not in (0, None)
    assert err.count("Traceback") == 1
    assert err.rstrip().endswith("KeyboardInterrupt")
    with pytest.raises(ProcessLookupError):
        os.killpg(child.pid, 0)


def test_script_without_a_guard_is_served_in_its_own_process(tmp_path):
    path = tmp_path / "plain.py"
    path.write_text(SCRIPT.replace("ROWS", "20").replace("GUARD", "work()"), encoding="utf-8")
    ended = subprocess.run([sys.executable, str(path)], capture_output=True, text=True, timeout=600)
    assert ended.returncode == 0, ended.stderr
    assert ended.stdout.splitlines()[-1] == "0 20"
