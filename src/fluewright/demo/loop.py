"""The bench loop on a virtual piece: play, listen, calibrate, cut, until finished or nothing is safe."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fluewright.arrays import BoolArray, FloatArray
from fluewright.bench.allowance import starting_sizes
from fluewright.bench.calibration import PlayedTrial, Posterior, calibrate
from fluewright.bench.cuts import CutPolicy, CutProposal, Verdict, next_cut
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.session import heard_by_fingering
from fluewright.demo.piece import VirtualPiece
from fluewright.demo.sound import play
from fluewright.instrument.model import Model
from fluewright.listening import hear_notes, read_recording, write_recording
from fluewright.units import cents_above, shifted

__all__ = ["LoopResult", "Round", "run_loop"]


@dataclass(frozen=True)
class Round:
    """One play and the cuts that followed; `heard` maps a fingering's index to (Hz, standard uncertainty in Hz)."""

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
    first_register: BoolArray

    @property
    def cuts(self) -> tuple[CutProposal, ...]:
        """Return every cut that was made."""
        return tuple(cut for r in self.rounds for cut in r.verdict.plan)


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
    pitch = PitchModel.of(model)
    posterior = calibrate(pitch, [])
    network = pitch.network
    targets = network.targets_hz
    main = np.array([f.alternative == 0 for f in network.fingerings])
    for number in range(1, most_rounds + 1):
        recording_path = folder / f"trial-{number:02d}.wav"
        write_recording(recording_path, play(piece.blown_hz()[main].tolist(), rng=rng), 44100)
        recording = read_recording(recording_path)
        hearing = hear_notes(recording)
        expected = shifted(targets, posterior.forecast(as_built)[0])
        heard, _, _ = heard_by_fingering(hearing.notes, expected, network.fingerings)
        trials.append(PlayedTrial(dict(as_built), heard))
        posterior = calibrate(pitch, trials)
        made = sum(bool(r.verdict.plan) for r in rounds)
        verdict = next_cut(posterior, as_built, policy=policy, rounds_made=made)
        true_cents = cents_above(piece.true_frequencies_hz(), targets)
        rounds.append(Round(number, recording_path, recording.sha256, dict(as_built), heard, verdict, true_cents))
        if on_round:
            on_round(rounds[-1], piece)
        if not verdict.plan and verdict.state != "play":
            break
        for cut in verdict.plan:
            piece.cut(cut.key, cut.after_mm - cut.before_mm)
        as_built = {**as_built, **piece.gauge(tuple(cut.key for cut in verdict.plan))}
    first = np.array([f.register == 1 for f in network.fingerings])
    return LoopResult(tuple(rounds), posterior, true_cents, first)
