"""Tunes virtual pieces by the bench and by two rivals, and writes what came of it.

python research/workshop/pieces.py --pieces 500 --write
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from scipy.stats import beta

from fluewright.bench.allowance import starting_sizes
from fluewright.bench.calibration import PlayedTrial
from fluewright.bench.features import features_of
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.policy import CutPolicy
from fluewright.bench.repeats import of_repeats
from fluewright.bench.session import air_of
from fluewright.demo.true_pieces import Making, TruePiece, World
from fluewright.demo.tuning import HEAD_SIZES, Patience, drill, tune
from fluewright.design.fit import fit_blown_model
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.sizes import CutKind, size_name
from fluewright.instrument.starting import load
from fluewright.ledger import open_ledger
from fluewright.shop.learning import learned_from
from fluewright.shop.models import recorded_model, save_version
from fluewright.shop.pieces import begin_piece
from fluewright.units import CENTS_PER_RELATIVE

HERE = Path(__file__).parent
MODELS = ("d5-cylinder", "c5-taper", "f4-taper")
TOLERANCE = 5.0
MOST_ROUNDS = 20
SHOPS = 2


# A rougher shop than the demo's: heads less alike, a colder or warmer room, more slips.
WORLD = World(
    outside_mm=0.03, window_length_mm=0.07, edge_offset_mm=0.04, wave_speed_share=0.08, growth_share=0.07, room_c=2.0,
    listening_cents=0.3, slips=0.02,
)  # fmt: skip
TIMES = 3
PATIENCE = Patience(MOST_ROUNDS, MOST_ROUNDS, MOST_ROUNDS)
RIVALS = (
    ("half", 0.5, 5.0),
    ("half_close", 0.5, 2.5),
    ("half_closer", 0.5, 1.5),
    ("at_once", 1.0, 5.0),
)


def trial_of(piece: TruePiece, built: dict[str, float], pitch: PitchModel) -> PlayedTrial:
    """Return a trial as the rivals read it: the middle of three playings, and a thermometer."""
    played, says = piece.blown(TIMES)
    main = [i for i, f in enumerate(pitch.fingerings) if f.alternative == 0]
    heard = dict(zip(main, np.reshape(played, (TIMES, len(main))).T.tolist(), strict=True))
    notes, plays = {}, {}
    for i, hz in heard.items():
        f, sigma, plays[i] = of_repeats(hz, [v * 0.3 / CENTS_PER_RELATIVE for v in hz])
        notes[i] = (f, sigma)
    return PlayedTrial(dict(built), notes, air_of(pitch.model, says), plays=plays)


def head_and_bore(pitch: PitchModel) -> list[str]:
    """Return what a maker gauges before drilling."""
    bore = [key for key in pitch.design if size_name(key).cut is CutKind.BORE]
    return [*HEAD_SIZES, *bore]


def by_the_bench(ledger: Path, piece: TruePiece, pitch: PitchModel, policy: CutPolicy, seed: list[int]) -> dict:
    """Make a piece and tune it through the shop, as the demo does; return how it came out."""
    made = piece.gauge(head_and_bore(pitch))
    serial = begin_piece(ledger, pitch.model.model.name, prefix="P", sizes=made)
    drilled = drill(ledger, serial, piece, made=made)
    first = pitch.first_register
    expected = np.sqrt(np.diag(drilled.posterior.forecast(drilled.as_built)[1]))
    begun = piece.true_cents()
    tuned = tune(drilled, piece, rng=np.random.default_rng([*seed, 7]), policy=policy, patience=PATIENCE)
    cut = [r for r in tuned.rounds if r.forecast is not None]
    scores = [((r.true_after - r.forecast.cents) / r.forecast.sigma).tolist() for r in cut]
    return {
        "rounds": tuned.trials, "state": str(tuned.verdict.state), "begun": begun.round(2).tolist(),
        "end": piece.true_cents().round(2).tolist(), "scores": np.round(scores, 3).tolist(),
        "first_band": float(cut[0].forecast.sigma[first].mean()) if cut else None,
        "prior_band": float(expected[first].mean()),
    }  # fmt: skip


def by_a_rule(piece: TruePiece, nominal: dict[str, float], pitch: PitchModel, share: float, stop_cents: float):
    """Cut a share of the predicted need of every flat note, by the design's own sensitivities, then play again."""
    built = piece.gauge(list(nominal))
    first = pitch.first_register
    for rounds in range(1, MOST_ROUNDS + 1):
        trial = trial_of(piece, built, pitch)
        expected = 1200.0 * np.log2(pitch.solve(built, air=trial.air).frequencies_hz / pitch.network.targets_hz)
        plain = pitch.cents(built)
        measured = np.zeros(first.size)
        for i, (hz, _) in trial.notes.items():
            # Corrected to the design's air, as any maker with a thermometer does.
            measured[i] = 1200.0 * np.log2(hz / pitch.network.targets_hz[i]) - (expected[i] - plain[i])
        if (measured[first] >= -stop_cents).all():
            return rounds
        moved = False
        now = measured.copy()
        for feature in features_of(pitch, built):
            governed = [i for i, f in enumerate(pitch.fingerings) if first[i] and governing_hole(f) == feature.hole]
            if not governed or now[governed[0]] > -1.0:
                continue
            main = governed[0]
            slope = pitch.solve(built, sensitivities=True).by_dimension_cents[:, pitch.columns[feature.key]]
            slope = slope * feature.direction
            if measured[main] >= -stop_cents and share < 1.0 and now[main] >= -stop_cents:
                continue
            step = min(share * -now[main] / slope[main], feature.room_mm)
            if step < 0.02:
                continue
            piece.cut(feature.key, feature.direction * step)
            now = now + slope * step
            built = {**built, **piece.gauge([feature.key])}
            moved = True
        if not moved:
            return rounds
    return MOST_ROUNDS


def run(task):
    name, number, count, risk = task
    with tempfile.TemporaryDirectory() as folder:
        ledger = Path(folder) / "shop.sqlite"
        save_version(ledger, fit_blown_model(load(name)).model)
        with open_ledger(ledger) as book:
            pitch = PitchModel.of(recorded_model(book, name))
        making = Making(pitch, [number, 99], WORLD)
        unlearned = dict(starting_sizes(pitch.model))
        rows = []
        for k in range(count):
            seed = [number, k]
            row = {"model": name, "making": number, "piece": k, "first": pitch.first_register.tolist()}
            row["bench"] = by_the_bench(ledger, TruePiece(making, seed), pitch, CutPolicy(risk=risk), seed)
            for label, share, stop in RIVALS:
                piece = TruePiece(making, seed)
                piece.drill(unlearned)
                rounds = by_a_rule(piece, unlearned, pitch, share, stop)
                row[label] = {"rounds": rounds, "end": piece.true_cents().round(2).tolist()}
            rows.append(row)
        scales = learned_from(ledger, pitch).prior.scales
    return rows, [float(v) for v in vars(scales).values()]


def summary(rows) -> dict:
    found = {}
    for label in ("bench", "half", "half_close", "half_closer", "at_once"):
        ends = [np.array(r[label]["end"])[np.array(r["first"])] for r in rows]
        within = np.array([bool((np.abs(e) <= TOLERANCE).all()) for e in ends])
        spoiled = np.array([bool((e > TOLERANCE).any()) for e in ends])
        rounds = np.array([r[label]["rounds"] for r in rows])
        n, bad = len(rows), int(spoiled.sum())
        found[label] = {
            "within": float(within.mean()), "spoiled": float(spoiled.mean()),
            "spoiled_interval": [
                float(beta.ppf(0.025, bad, n - bad + 1)) if bad else 0.0, float(beta.ppf(0.975, bad + 1, n - bad)),
            ],
            "median_rounds": float(np.median(rounds)), "mean_rounds": float(rounds.mean()),
        }  # fmt: skip
    first, every = [], []
    for r in rows:
        mask = np.array(r["first"])
        for z in r["bench"]["scores"]:
            first += np.array(z)[mask].tolist()
            every += list(z)
    found["coverage_90_first_register"] = float(np.mean(np.abs(first) <= 1.645))
    found["coverage_90_all"] = float(np.mean(np.abs(every) <= 1.645))
    by_round = {}
    for r in rows:
        mask = np.array(r["first"])
        for k, z in enumerate(r["bench"]["scores"]):
            by_round.setdefault(min(k, 3), []).extend(np.array(z)[mask].tolist())
    found["by_round"] = {
        k: [len(z), float(np.mean(np.abs(z) <= 1.645)), float(np.mean(z)), float(np.std(z))]
        for k, z in sorted(by_round.items())
    }
    found["score_mean"], found["score_sd"] = float(np.mean(every)), float(np.std(every))
    for which in ("first_band", "prior_band"):
        found[which] = {
            m: [
                float(
                    np.mean(
                        [
                            r["bench"][which]
                            for r in rows
                            if r["model"] == m and r["piece"] in span and r["bench"][which]
                        ]
                    )
                )
                for span in ((0,), range(10, 20), range(20, 10**6))
            ]
            for m in sorted({r["model"] for r in rows})
        }
    found["states"] = {s: sum(r["bench"]["state"] == s for r in rows) for s in {r["bench"]["state"] for r in rows}}
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--pieces", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--risk", type=float, default=0.02)
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    begin = time.perf_counter()
    # Every model is made in two shops, whose hidden jets differ and which learn each for itself.
    makings = [(name, 100 * given.seed + 10 * shop + i) for shop in range(SHOPS) for i, name in enumerate(MODELS)]
    count, more = divmod(given.pieces, len(makings))
    tasks = [(name, number, count + (k < more), given.risk) for k, (name, number) in enumerate(makings)]
    with ProcessPoolExecutor(2) as pool:
        parts = list(pool.map(run, tasks))
    rows = [row for part, _ in parts for row in part]
    found = summary(rows)
    found["scales"] = {f"{task[0]} {task[1]}": scales for task, (_, scales) in zip(tasks, parts, strict=True)}
    print(json.dumps(found, indent=1))
    print(f"{time.perf_counter() - begin:.0f} s")
    if given.write:
        whole = {"format": "fluewright-workshop-pieces/1", "summary": found, "rows": rows}
        (HERE / "pieces.json").write_text(json.dumps(whole, separators=(",", ":")) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
