"""Samples the exact posterior of two trials with a general sampler, to compare the bench's Gaussian with.

    python research/workshop/sampled.py --write

The bench makes the notes linear in the parameters; the sampler (emcee's ensemble with differential-evolution moves, ter
Braak 2006) takes the whole non-linear model. Case 1: a piece near its design; case 2: a short piece, half of its notes
heard, with a window far from the model's.
"""

import argparse
import json
import os
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import emcee
import numpy as np

from fluewright.bench.calibration import PlayedTrial, calibrate, evidence_of
from fluewright.bench.pitch_model import PitchModel
from fluewright.instrument.starting import load

FILE = Path(__file__).parents[2] / "tests" / "bench" / "sampled_posteriors.json"


def cases():
    """Yield (name, pitch model, trial): invented pieces, drawn with fixed seeds."""
    for name, model, built, rows, pull, seed in (
        ("near", "d5-cylinder", {"length_mm": 266.0, "holes.1.diameter_mm": 7.0}, range(14), 0.5, 3),
        ("far", "f4-taper", {"length_mm": 452.0, "holes.6.diameter_mm": 5.0}, (0, 2, 3, 6, 9, 11), 2.0, 4),
    ):
        pitch = PitchModel.of(load(model))
        prior = calibrate(pitch, [])
        rng = np.random.default_rng(seed)
        truth = prior.parameters + np.linalg.cholesky(prior.prior_covariance) @ (0.5 * rng.standard_normal(21))
        truth[0] = pull * 0.035
        cents, _ = pitch.linear(built, truth)
        heard = cents + 2.0 * rng.standard_normal(cents.size)
        hz = pitch.network.targets_hz * 2.0 ** (heard / 1200.0)
        yield name, pitch, PlayedTrial(built, {i: (float(hz[i]), 0.1) for i in rows})


def sample(pitch: PitchModel, trial: PlayedTrial, steps: int, seed: int) -> np.ndarray:
    """Return draws of the parameters, shape (draws, p)."""
    gaussian = calibrate(pitch, [trial])
    mean, covariance = gaussian.prior.mean, gaussian.prior_covariance
    root = np.linalg.cholesky(covariance)
    evidence = evidence_of(pitch, [trial], gaussian.prior.beliefs, gaussian.parameters)
    inverse = np.linalg.inv(evidence.noise(gaussian.prior.scales))
    rows = [i for _, i in evidence.places]
    measured = np.array([1200.0 * np.log2(trial.notes[i][0] / pitch.network.targets_hz[i]) for i in rows])

    def log_density(u):
        x = mean + root @ u
        if np.abs(x[:4]).max() > 0.6:
            return -np.inf
        by_hole, by_foot = pitch._effects(
            trial.as_built, x[:4], pitch.solve(trial.as_built, x[:4]).frequencies_hz, None
        )
        cents = pitch.cents(trial.as_built, x[:4]) + by_hole * x[4] + by_foot * x[5] + x[6] * pitch.jet_cents + x[7:]
        rest = measured - cents[rows]
        return -0.5 * float(u @ u) - 0.5 * float(rest @ inverse @ rest)

    rng = np.random.default_rng(seed)
    spread = np.linalg.cholesky(gaussian.covariance) @ rng.standard_normal((mean.size, 64))
    begin = np.linalg.solve(root, gaussian.parameters[:, None] + spread - mean[:, None]).T
    # Differences of other walkers mix several times faster here than the stretch move.
    moves = [(emcee.moves.DEMove(), 0.8), (emcee.moves.StretchMove(), 0.2)]
    sampler = emcee.EnsembleSampler(64, mean.size, log_density, moves=moves)
    sampler.random_state = np.random.RandomState(seed).get_state()
    sampler.run_mcmc(begin, steps)
    tau = float(np.max(sampler.get_autocorr_time(quiet=True)))
    print(f"autocorrelation {tau:.0f} steps, {64 * steps / tau:.0f} independent draws", flush=True)
    return mean + sampler.get_chain(discard=steps // 5, flat=True) @ root.T


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--steps", type=int, default=6000)
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    found = {"format": "fluewright-sampled/1", "steps": given.steps, "cases": {}}
    for name, pitch, trial in cases():
        draws = sample(pitch, trial, given.steps, 1)
        gaussian = calibrate(pitch, [trial])
        mean, sigma = draws.mean(axis=0), draws.std(axis=0)
        ours = np.sqrt(np.diag(gaussian.covariance))
        print(
            name, "means", np.abs((gaussian.parameters - mean) / sigma).max(), "widths", np.abs(ours / sigma - 1).max()
        )
        found["cases"][name] = {"mean": mean.tolist(), "sigma": sigma.tolist()}
    if given.write:
        FILE.write_text(json.dumps(found) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
