"""Tunes virtual pieces by the bench and by two rivals, and writes what came of it.

python research/workshop/pieces.py --pieces 500 --write
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from scipy.stats import beta

from fluewright.air import moist_air
from fluewright.bench.allowance import starting_sizes
from fluewright.bench.calibration import PlayedTrial, calibrate
from fluewright.bench.cuts import CutPolicy, next_cut
from fluewright.bench.features import features_of
from fluewright.bench.learning import Shop
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.repeats import of_repeats
from fluewright.demo.true_pieces import Making, TruePiece, World
from fluewright.design.fit import fit_blown_model
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.starting import load

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


def trial_of(piece: TruePiece, built: dict[str, float], pitch: PitchModel) -> PlayedTrial:
    played, says = piece.blown(TIMES)
    main = [i for i, f in enumerate(pitch.fingerings) if f.alternative == 0]
    heard = dict(zip(main, np.reshape(played, (TIMES, len(main))).T.tolist(), strict=True))
    c = pitch.model.conditions
    air = moist_air(says, relative_humidity=c.relative_humidity, co2_fraction=c.co2_fraction, pressure_pa=c.pressure_pa)
    notes, plays = {}, {}
    for i, hz in heard.items():
        f, sigma, plays[i] = of_repeats(hz, [v * 0.3 / 1731.2 for v in hz])
        notes[i] = (f, sigma)
    return PlayedTrial(dict(built), notes, air, plays=plays)


def head_and_bore(pitch: PitchModel) -> list[str]:
    """Return what a maker gauges before drilling."""
    bore = [key for key in pitch.design if key.startswith("bore.stations_mm.") and key.endswith(".diameter")]
    return ["head.window_length_mm", "head.window_width_mm", "head.edge_offset_mm", *bore]


def by_the_bench(piece: TruePiece, made: dict[str, float], pitch: PitchModel, shop: Shop, policy: CutPolicy):
    drilled = [key for key in pitch.design if key == "length_mm" or key.endswith(("position_mm", "diameter_mm"))]
    built = {**made, **piece.gauge(drilled)}
    trials, scores, first_band = [], [], None
    cut_rounds = 0
    for _ in range(MOST_ROUNDS):
        trials.append(trial_of(piece, built, pitch))
        posterior = calibrate(pitch, trials, prior=shop.prior)
        verdict = next_cut(posterior, built, policy=policy, rounds_made=cut_rounds)
        if not verdict.plan:
            if verdict.state == "play":
                continue
            break
        cut_rounds += 1
        last = verdict.plan[-1]
        for cut in verdict.plan:
            piece.cut(cut.key, cut.after_mm - cut.before_mm)
        truth = piece.true_cents()
        scores.append(((truth - last.cents_after) / last.sigma_after).tolist())
        if first_band is None:
            first_band = float(last.sigma_after[pitch.first_register].mean())
        built = {**built, **piece.gauge([c.key for c in verdict.plan])}
    return len(trials), verdict.state, scores, first_band, posterior


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
    pitch = PitchModel.of(fit_blown_model(load(name)).model)
    making = Making(pitch, [number, 99], WORLD)
    policy = CutPolicy(risk=risk)
    unlearned = dict(starting_sizes(pitch.model))
    first = pitch.first_register
    shop = Shop.new(pitch)
    rows = []
    for k in range(count):
        seed = [number, k]
        row = {"model": name, "making": number, "piece": k}
        piece = TruePiece(making, seed)
        made = piece.gauge(head_and_bore(pitch))
        before = calibrate(pitch, [], prior=shop.prior, gauged=made)
        nominal = dict(starting_sizes(pitch.model, posterior=before, gauged=made))
        prior_band = float(np.sqrt(np.diag(before.forecast({**made, **nominal})[1]))[first].mean())
        piece.drill(nominal)
        begun = piece.true_cents()
        rounds, state, scores, band, posterior = by_the_bench(piece, made, pitch, shop, policy)
        shop = shop.with_piece(posterior.evidence)
        end = piece.true_cents()
        row["bench"] = {
            "rounds": rounds, "state": state, "begun": begun.round(2).tolist(), "end": end.round(2).tolist(),
            "scores": np.round(scores, 3).tolist(), "first_band": band, "prior_band": prior_band,
        }  # fmt: skip
        for label, share, stop in (
            ("half", 0.5, 5.0),
            ("half_close", 0.5, 2.5),
            ("half_closer", 0.5, 1.5),
            ("at_once", 1.0, 5.0),
        ):
            piece = TruePiece(making, seed)
            piece.drill(unlearned)
            row[label] = {
                "rounds": by_a_rule(piece, unlearned, pitch, share, stop),
                "end": piece.true_cents().round(2).tolist(),
            }
        row["first"] = first.tolist()
        rows.append(row)
    return rows, [float(v) for v in vars(shop.prior.scales).values()]


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
