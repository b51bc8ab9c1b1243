"""Prints the benchmark table: times on this machine, and ratios taken inside one run."""

import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from fluewright import __version__
from fluewright.acoustics.kernels import network as kernel
from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances, targets_hz
from fluewright.bench.allowance import starting_sizes
from fluewright.bench.calibration import PlayedTrial, calibrate
from fluewright.bench.cuts import next_cut
from fluewright.demo.sound import play
from fluewright.design.fit import fit_model
from fluewright.instrument.starting import load
from fluewright.listening import hear_notes, read_recording, write_recording
from plain_chain import roots


def best(task, repeats=5, inner=1):
    """Return the best time of one call, seconds."""
    task()
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        for _ in range(inner):
            task()
        times.append((time.perf_counter() - begin) / inner)
    return min(times)


def solver(network, sensitivities):
    """Return a call that solves all notes of a network, each from 2 cents beside its root (as in a drag)."""
    n = len(network.fingerings)
    start = 2 * np.pi * resonances(network).frequencies_hz * 1.001
    omegas, slopes, resist = np.empty(n), np.empty(n), np.empty(n)
    grads = np.zeros((n if sensitivities else 0, network.sizes.size))
    air, rules = network.air_vector(), network.rules.vector()

    def task():
        kernel.solve(
            network.modes, start, network.sizes, network.n_bore, network.n_out, network.n_holes, network.angles(),
            network.states, air, rules, network.window_table(), omegas, slopes, resist, grads,
        )  # fmt: skip

    return task


def main():
    model = load("d5-cylinder")
    network = build_network(model)
    rows = []
    notes = best(solver(network, False), inner=20)
    both = best(solver(network, True), inner=10)
    beside = resonances(network).frequencies_hz * 1.001
    plain = best(lambda: roots(network, beside), inner=3)
    rows.append(
        (
            f"{len(network.fingerings)} notes of d5-cylinder, warm",
            f"{notes * 1e3:.2f} ms",
            f"{1 / notes:.0f} models a second",
        )
    )
    rows.append(
        ("the same chain in plain vectorised NumPy", f"{plain * 1e3:.2f} ms", f"{plain / notes:.0f} times the kernel")
    )
    rows.append(("the same with all sensitivities", f"{both * 1e3:.2f} ms", f"{both / notes:.1f} times the roots"))
    fit = best(lambda: fit_model(model), repeats=2)
    rows.append(("fit of holes and length", f"{fit:.2f} s", f"{fit / both:.0f} times one solution with sensitivities"))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scale.wav"
        sound = play(np.repeat(targets_hz(network), 4).tolist(), rng=np.random.default_rng(0))
        write_recording(path, sound, 44100)
        recording = read_recording(path)
        heard = best(lambda: hear_notes(recording), repeats=3)
    rows.append(("listening to a scale", f"{heard:.2f} s", f"{recording.duration_s / heard:.0f} times real time"))
    sizes = dict(starting_sizes(model))
    trial = PlayedTrial(sizes, {i: (float(f) * 0.985, 0.05) for i, f in enumerate(targets_hz(network))})
    proposal = best(lambda: next_cut(calibrate(model, [trial]), sizes), repeats=3)
    rows.append(("calibration and next cut after a trial", f"{proposal * 1e3:.0f} ms", ""))
    command = Path(sys.executable).with_name("fluewright")
    bare = best(lambda: subprocess.run([sys.executable, "-c", "pass"], check=True), repeats=5)
    helped = best(lambda: subprocess.run([command, "--help"], check=True, capture_output=True), repeats=5)
    rows.append(("fluewright --help", f"{helped:.2f} s", f"{helped / bare:.0f} times a bare interpreter"))
    cold = best(lambda: subprocess.run([command, "predict", "d5-cylinder"], check=True, capture_output=True), repeats=3)
    rows.append(("fluewright predict, kernels cached", f"{cold:.2f} s", f"{cold / bare:.0f} times a bare interpreter"))
    print(f"fluewright {__version__}, Python {platform.python_version()}, NumPy {np.__version__}, {platform.machine()}")
    wide = max(len(r[0]) for r in rows)
    for what, took, ratio in rows:
        print(f"  {what:<{wide}}  {took:>9}  {ratio}")


if __name__ == "__main__":
    main()
