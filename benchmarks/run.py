"""Prints the benchmark tables: times on this machine, and ratios taken inside one run.

``--write FILE`` puts them into FILE between the two marks; ``--quick`` leaves out what starts other processes.
"""

import argparse
import math
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

from counting import FLOPS, count, flops
from floor import Speeds, floors_s, measure
from fluewright import __version__
from fluewright.acoustics.batch import predict_many
from fluewright.acoustics.branches import HARMONICS
from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.network import Rules, build_network
from fluewright.acoustics.resonance import resonances, targets_hz
from fluewright.acoustics.sounding import blow, find_jumps
from fluewright.acoustics.synthesis import RATE_HZ, scale_gesture, sound_of
from fluewright.acoustics.voicing import voicing_effects
from fluewright.bench.allowance import starting_sizes
from fluewright.bench.calibration import PlayedTrial, calibrate
from fluewright.bench.cuts import next_cut
from fluewright.bench.pitch_model import PitchModel
from fluewright.demo.sound import play
from fluewright.design.fit import fit_model
from fluewright.instrument.starting import load, starting_models
from fluewright.listening import Analysis, hear_notes, read_recording, write_recording
from fluewright.listening.streams import Listener, hear_file
from growth import growth, parts, task_of, times_s
from library_chain import grid, library_time_s, widest_step_hz
from plain_chain import roots

BEGIN, END = "<!-- begin: filled by benchmarks/run.py --write -->", "<!-- end: filled by benchmarks/run.py --write -->"
MODEL = "d5-cylinder"


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


def seconds(t):
    """Return a time with three digits and a fitting unit."""
    for unit, name in ((1e-6, "µs"), (1e-3, "ms")):
        if t < 1000 * unit:
            return f"{t / unit:.3g} {name}"
    return f"{t:.3g} s"


def solver(network, sensitivities=False):
    """Return a call that solves all notes of a network, each from 1.7 cents beside its root (as in a drag)."""
    beside = 2 * np.pi * resonances(network).frequencies_hz * 1.001
    return task_of(
        network.sizes, network.n_bore, network.n_out, network.states, network, sensitivities=sensitivities,
        guesses=beside,
    )  # fmt: skip


def yardsticks(network):
    """Return (rows, time of the kernel): the solver against the plain twin and the general library."""
    beside = resonances(network).frequencies_hz * 1.001
    notes, both, plain, through = times_s(
        [
            solver(network),
            solver(network, True),
            lambda: roots(network, beside),
            lambda: resonances(network, guesses_hz=beside),
        ]
    )
    n = len(network.fingerings)
    rows = [
        (
            f"kernel: {n} notes of {MODEL}, each from 1.7 cents beside",
            seconds(notes),
            f"{1 / notes:.0f} models a second",
        ),
        ("the same with all sensitivities", seconds(both), f"{both / notes:.2f} times the notes alone"),
        ("the same through `resonances`", seconds(through), f"{through / notes:.2f} times the kernel"),
        ("the same chain in plain vectorised NumPy", seconds(plain), f"{plain / notes:.0f} times the kernel"),
    ]
    loose = build_network(network.model, rules=Rules(coupled=False))
    found = resonances(loose).frequencies_hz
    for points, name in ((2, "straight lines"), (4, "cubics")):
        step, worst = widest_step_hz(loose, points)
        took, done = library_time_s(loose, step)
        (now,) = times_s([solver(network)])
        told = "" if done == n else f"; extrapolated from {done} of {n} fingerings"
        rows.append(
            (
                f"scikit-rf, uncoupled, {grid(found, step).size} frequencies every {step:.3g} Hz, zeros by {name} "
                f"(worst {worst:.1g} cent){told}",
                seconds(took),
                f"{took / now:.0f} times the kernel",
            )
        )
    return rows


def accuracy():
    """Return a row: how far kernel and twin differ, over all starting models."""
    worst = 0.0
    for name in starting_models():
        network = build_network(load(name))
        found = resonances(network).frequencies_hz
        worst = max(worst, np.abs(1200 * np.log2(roots(network, found * 1.001) / found)).max())
    return (f"kernel against the plain twin, {len(starting_models())} starting models", f"{worst:.1e} cent", "")


def batch_rows(network, most=16000):
    """Return rows for many instruments, on one and on two cores, the pool's start taken out by a difference."""
    rng = np.random.default_rng(0)
    sizes = np.tile(network.sizes, (most, 1))
    holes = slice(offsets.HEAD_SIZES + 2 * network.n_bore + 2 * network.n_out, None)
    sizes[:, holes] *= 1 + 0.002 * rng.standard_normal(sizes[:, holes].shape)
    few, many = {1: (most // 16, most // 4), 2: (most // 8, most)}, {}
    start = {}
    for workers, (low, high) in few.items():
        times = [best(lambda m=m, w=workers: predict_many(network, sizes[:m], workers=w), 1) for m in (low, high)]
        each = (times[1] - times[0]) / (high - low)
        many[workers], start[workers] = 1 / each, max(times[0] - low * each, 0)
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return [
        ("predict_many, one process", f"{many[1]:.0f} models/s", ""),
        (
            f"predict_many, two processes (of {cores} cores)",
            f"{many[2]:.0f} models/s",
            f"{many[2] / many[1]:.2f} times one process; {start[2]:.1f} s until the pool is up",
        ),
    ]


def live_blocks_s(recording):
    """Return the time of every block of 50 ms that a live listener takes, s, the best of three runs each."""
    step = round(0.05 * recording.rate_hz)
    runs = []
    for _ in range(3):
        listener, times = Listener(recording.rate_hz, live=True), []
        for at in range(0, len(recording.samples), step):
            begin = time.perf_counter()
            listener.push(recording.samples[at : at + step])
            times.append(time.perf_counter() - begin)
        runs.append(times)
    return np.min(runs, axis=0)


def other_rows(model, network, both):
    """Return the rows of everything round the solver: fit, listening, the bench, the command line."""
    rows = []
    fit = best(lambda: fit_model(model), repeats=2)
    rows.append(("fit of holes and length", seconds(fit), f"{fit / both:.0f} times one solution with sensitivities"))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scale.wav"
        sound = play(np.repeat(targets_hz(network), 4).tolist(), rng=np.random.default_rng(0))
        write_recording(path, sound, 44100)
        recording = read_recording(path)
        heard = best(lambda: hear_notes(recording), repeats=3)
        toned = best(lambda: Analysis(recording).tones, repeats=3)
        spent = live_blocks_s(recording)
        long = Path(folder) / "long.wav"
        write_recording(long, np.tile(sound, math.ceil(300.0 / recording.duration_s)), 44100)
        from_file = best(lambda: hear_file(long), repeats=2)
        long_s = hear_file(long).about.duration_s
    rows.append(("listening to a scale", seconds(heard), f"{recording.duration_s / heard:.0f} times real time"))
    rows.append(
        (
            f"a file of {long_s / 60:.0f} minutes, read and heard piece by piece",
            seconds(from_file),
            f"{long_s / from_file:.0f} times real time",
        )
    )
    rows.append(
        (
            "a scale with attack and tone of every note",
            seconds(toned),
            f"{recording.duration_s / toned:.0f} times real time",
        )
    )
    rows.append(
        (
            "a live block of 50 ms: middle, 95 and 100 of 100",
            ", ".join(seconds(float(np.quantile(spent, q))) for q in (0.5, 0.95, 1.0)),
            f"{0.05 / float(np.mean(spent)):.0f} times real time",
        )
    )
    sizes = dict(starting_sizes(model))
    trial = PlayedTrial(sizes, {i: (float(f) * 0.985, 0.05) for i, f in enumerate(targets_hz(network))})
    pitch = PitchModel.of(model)
    proposal = best(lambda: next_cut(calibrate(pitch, [trial]), sizes), repeats=3)
    rows.append(("calibration and a round of next cuts after a trial (100 ms asked)", seconds(proposal), ""))
    command = Path(sys.executable).with_name("fluewright")
    bare = best(lambda: subprocess.run([sys.executable, "-c", "pass"], check=True), repeats=5)
    for words in (["--help"], ["predict", MODEL]):
        cold = best(lambda w=words: subprocess.run([command, *w], check=True, capture_output=True), repeats=5)
        rows.append(
            (
                f"`fluewright {' '.join(words)}`, kernels cached",
                seconds(cold),
                f"{cold / bare:.0f} times a bare interpreter",
            )
        )
    return rows


def blown_rows(network):
    """Return the rows of the blown instrument: breath curves, jumps, the time-domain preview."""
    blown = blow(network)
    curves = best(lambda: blow(network), repeats=7)
    jumps = best(lambda: find_jumps(blown), repeats=3)
    gesture = scale_gesture(blown, range(len(blown.notes)))
    preview = best(lambda: sound_of(blown, gesture), repeats=3)
    n = len(blown.notes)
    found = sum(len(note.branch.pressures_pa) for note in blown.notes)
    return [
        (f"onset and breath curve of {n} notes ({found} motions of {HARMONICS} harmonics)", seconds(curves), ""),
        ("where every register holds: jumps and fall backs", seconds(jumps), f"{jumps / curves:.1f} times the curves"),
        (
            f"preview of {gesture.seconds:.1f} s, {RATE_HZ} samples a second", seconds(preview),
            f"{gesture.seconds / preview:.0f} times real time",
        ),
        ("voicing: 15 adjustments, 5 settings", seconds(best(lambda: voicing_effects(network.model), repeats=1)), ""),
    ]  # fmt: skip


def growth_rows(network):
    """Return the rows of the growth table."""
    rows = []
    for g in growth(network):
        slope, off = g.line
        told = ", ".join(f"{n}: {seconds(t)}" for n, t in zip(g.counts, g.times_s, strict=True))
        rows.append((g.what, told, seconds(slope), f"{100 * off:.0f} %"))
    return rows


def part_rows(network):
    """Return the rows of the profile by parts."""
    found = parts(network)
    whole = found[0][1]
    return [(name, seconds(t), f"{t / whole:.2f}") for name, t in found]


def count_rows(network, speeds: Speeds):
    """Return (rows by function, rows of the floors, evaluations a note) of the arithmetic of one solution."""
    n = len(network.fingerings)
    beside = resonances(network).frequencies_hz * 1.001
    rows, floors = [], []
    for sensitivities in (False, True):
        tally, calls, found = count(network, beside, sensitivities)
        if not np.allclose(found / beside * 1.001, 1, rtol=1e-9):
            raise RuntimeError("the counted kernel found other notes")
        total = Counter()
        for kinds in tally.values():
            total.update(kinds)
        (took,) = times_s([solver(network, sensitivities)])
        wide, scalar = floors_s(total, speeds)
        floors.append(
            (
                "notes and all sensitivities" if sensitivities else "notes",
                f"{flops(total) / n:.0f}",
                f"{(total['division'] + 2 * total['complex division']) / n:.0f}",
                f"{(total['function'] + total['complex function']) / n:.0f}",
                seconds(wide / n),
                seconds(scalar / n),
                seconds(took / n),
                f"{took / wide:.1f}",
                f"{took / scalar:.1f}",
            )
        )
        if sensitivities:
            continue
        for name, kinds in sorted(tally.items(), key=lambda item: -floors_s(item[1], speeds)[1]):
            share = floors_s(kinds, speeds)[1] / scalar
            if share < 0.005:
                continue
            divisions = kinds["division"] + 2 * kinds["complex division"]
            rows.append(
                (
                    f"`{name}`",
                    *(f"{v / n:.0f}" for v in (calls[name], kinds["complex mul"], kinds["complex add"])),
                    *(f"{v / n:.0f}" for v in (kinds["real"] + FLOPS["complex by real"] * kinds["complex by real"],)),
                    f"{divisions / n:.0f}",
                    f"{(kinds['function'] + kinds['complex function']) / n:.0f}",
                    f"{100 * share:.0f} %",
                )
            )
    return rows, floors


def table(head, rows):
    """Return a Markdown table, its columns made equally wide so that it reads on a terminal too."""
    text = [tuple(str(cell) for cell in row) for row in (head, *rows)]
    wide = [max(len(row[i]) for row in text) for i in range(len(head))]
    text.insert(1, tuple("-" * w for w in wide))
    return "\n".join("| " + " | ".join(cell.ljust(w) for cell, w in zip(row, wide, strict=True)) + " |" for row in text)


def report(quick):
    """Return all tables as Markdown."""
    model = load(MODEL)
    network = build_network(model)
    began_load = os.getloadavg()[0]
    rows = yardsticks(network)
    rows.append(accuracy())
    if not quick:
        (both,) = times_s([solver(network, True)])
        rows += batch_rows(network)
        rows += other_rows(model, network, both)
    blown = blown_rows(network)
    speeds = measure()
    by_function, floors = count_rows(network, speeds)
    versions = (
        f"fluewright {__version__}, Python {platform.python_version()}, NumPy {np.__version__}, {platform.machine()}"
    )
    sections = [
        f"{versions}, {os.cpu_count()} cores, load average when begun {began_load:.1f}.",
        "### Times and ratios",
        table(("what", "time", "against"), rows),
        "### The blown instrument",
        table(("what", "time", "against"), blown),
        "### Growth",
        table(("over", "times", "slope", "worst deviation from the line"), growth_rows(network)),
        "### Parts",
        table(("what is solved", "time", "to the first"), part_rows(network)),
        "### Arithmetic of one note, by function (notes without sensitivities)",
        table(
            ("function", "calls", "complex mul", "complex add", "real", "divisions", "functions", "share of the floor"),
            by_function,
        ),
        "### Speed of one core",
        table(("operation", "time"), [(what, f"{ns:.2f} ns") for what, ns in speeds.rows()]),
        "### Floor of one note",
        table(
            (
                "what", "operations", "divisions", "functions", "floor, wide", "floor, scalar", "solver",
                "to wide", "to scalar",
            ),
            floors,
        ),
    ]  # fmt: skip
    return "\n\n".join(sections)


def write_between(path: Path, text: str):
    """Put the text between the two marks of a file."""
    old = path.read_text(encoding="utf-8")
    if old.count(BEGIN) != 1 or old.count(END) != 1 or old.index(BEGIN) > old.index(END):
        raise SystemExit(f"{path}: the two marks are not there once each, in their order:\n{BEGIN}\n{END}")
    before, after = old.split(BEGIN)[0], old.split(END)[1]
    path.write_text(f"{before}{BEGIN}\n\n{text}\n\n{END}{after}", encoding="utf-8")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", type=Path, help="fill the tables of this Markdown file")
    parser.add_argument("--quick", action="store_true", help="leave out what starts other processes, fit and listening")
    wanted = parser.parse_args()
    text = report(wanted.quick)
    print(text)
    if wanted.write:
        write_between(wanted.write, text)


if __name__ == "__main__":
    main()
