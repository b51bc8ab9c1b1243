"""The bench loop on a virtual piece: play, listen, calibrate, cut, until finished or nothing is safe."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fluewright.bench.allowance import starting_sizes
from fluewright.bench.calibration import PlayedTrial, Posterior, calibrate
from fluewright.bench.cuts import CutPolicy, CutProposal, Verdict, next_cut
from fluewright.bench.matching import match_notes
from fluewright.demo.piece import VirtualPiece
from fluewright.demo.sound import play
from fluewright.instrument.model import Model
from fluewright.listening import HeardNote, hear_notes, read_recording, write_recording

__all__ = ["LoopResult", "Round", "run_loop", "trial_from_notes"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Round:
    """One play-and-cut round; `heard` maps the index of a fingering to (Hz, standard uncertainty in Hz)."""

    number: int
    recording: Path
    recording_sha256: str
    as_built: dict[str, float]
    heard: dict[int, tuple[float, float]]
    verdict: Verdict
    true_cents: FloatArray


@dataclass(frozen=True)
class LoopResult:
    """All rounds of one piece; `true_cents` is the hidden truth at the end, used only to judge the loop."""

    rounds: tuple[Round, ...]
    posterior: Posterior
    true_cents: FloatArray
    first_register: NDArray[np.bool_]

    @property
    def cuts(self) -> tuple[CutProposal, ...]:
        """Return every cut that was made."""
        return tuple(r.verdict.proposal for r in self.rounds if r.verdict.proposal is not None)


def trial_from_notes(
    notes: tuple[HeardNote, ...], expected_hz: FloatArray
) -> tuple[dict[int, tuple[float, float]], tuple[int, ...]]:
    """Return (heard by fingering, missing fingerings); repeats of one note are averaged by their weights."""
    match = match_notes([n.frequency_hz for n in notes], expected_hz)
    heard = {}
    for fingering, indices in match.by_fingering.items():
        f = np.array([notes[i].frequency_hz for i in indices])
        s = np.maximum([notes[i].frequency_uncertainty_hz for i in indices], 1e-4)
        w = 1.0 / s**2
        heard[fingering] = (float((w * f).sum() / w.sum()), float(1.0 / np.sqrt(w.sum())))
    return heard, match.missing


def run_loop(
    model: Model,
    *,
    seed: int,
    folder: Path,
    policy: CutPolicy | None = None,
    most_rounds: int = 40,
    on_round: Callable[[Round, VirtualPiece], None] | None = None,
) -> LoopResult:
    """Make a virtual piece of the model and bring it into tune; recordings go to `folder`.

    The bench code sees gauge readings and recordings only. Deterministic for a seed.
    """
    rng = np.random.default_rng(seed)
    nominal = starting_sizes(model)
    piece = VirtualPiece(model, nominal, np.random.default_rng([seed, 1]))
    keys = tuple(nominal)
    as_built = piece.gauge(keys)
    trials: list[PlayedTrial] = []
    rounds: list[Round] = []
    posterior = calibrate(model, [])
    from fluewright.acoustics.network import build_network
    from fluewright.acoustics.resonance import targets_hz

    network = build_network(model)
    targets = targets_hz(network)
    for number in range(1, most_rounds + 1):
        recording_path = folder / f"trial-{number:02d}.wav"
        write_recording(recording_path, play(piece.blown_hz().tolist(), rng=rng), 44100)
        recording = read_recording(recording_path)
        hearing = hear_notes(recording)
        expected = targets * 2.0 ** (posterior.forecast(as_built)[0] / 1200.0)
        heard, _ = trial_from_notes(hearing.notes, expected)
        trials.append(PlayedTrial(dict(as_built), heard))
        posterior = calibrate(model, trials)
        verdict = next_cut(posterior, as_built, policy=policy)
        true_cents = 1200.0 * np.log2(piece.true_frequencies_hz() / targets)
        rounds.append(
            Round(number, recording_path, recording.sha256, dict(as_built), heard, verdict, true_cents)
        )
        if on_round:
            on_round(rounds[-1], piece)
        if verdict.proposal is None:
            break
        cut = verdict.proposal
        piece.cut(cut.key, cut.after_mm - cut.before_mm)
        as_built = {**as_built, **piece.gauge((cut.key,))}
    first = np.array([f.register == 1 for f in network.fingerings])
    return LoopResult(tuple(rounds), posterior, true_cents, first)
