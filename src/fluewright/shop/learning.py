"""What the ledger's pieces teach the next one, and whether past forecasts deserved trust."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from fluewright.bench.calibration import PlayedTrial
from fluewright.bench.learning import Taught, learn
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.prior import STATED_BELIEFS
from fluewright.bench.scores import ScoredForecast, Scores, score
from fluewright.errors import ComputeError, ModelError
from fluewright.instrument.fingering import fingerings_of
from fluewright.ledger import Cut, Trial, open_ledger
from fluewright.shop.models import recorded_model
from fluewright.shop.played import played_trial, played_trials
from fluewright.units import CENTS_PER_RELATIVE

__all__ = ["learned_from", "ledger_scores"]

# Latest pieces only: a shop's hand changes, and what forty have taught is enough.
_MOST_PIECES = 40


def learned_from(ledger: Path, pitch: PitchModel, *, without: str = "") -> Taught:
    """Return what the ledger's other pieces of the same model teach.

    Parameters
    ----------
    ledger : Path
    pitch : PitchModel
        Of the model that is asked about; pieces count that were begun with a model of its name and fingerings.
    without : str
        Serial of the piece at hand, which must not count twice.
    """
    pieces: list[list[PlayedTrial]] = []
    model = pitch.model
    with open_ledger(ledger, create=False) as book:
        same = [i for i in book.instruments() if i.model_name == model.model.name and i.serial != without]
        for piece in same[-_MOST_PIECES:]:
            try:
                begun = recorded_model(book, piece.model_name, piece.model_version)
            except ModelError:
                continue  # by a later rule it is no model any more
            if fingerings_of(begun) != fingerings_of(model):
                continue
            if trials := played_trials(book.history(piece.serial), pitch):
                pieces.append(trials)
    try:
        return learn(pitch, pieces)
    except (ComputeError, ModelError):
        # The sizes of one piece, mistyped perhaps, make no instrument: it teaches nothing, the others do.
        return learn(pitch, [trials for trials in pieces if _teaches(pitch, trials)])


def _teaches(pitch: PitchModel, trials: list[PlayedTrial]) -> bool:
    try:
        learn(pitch, [trials])
    except (ComputeError, ModelError):
        return False
    return True


def _outcomes(trial: Trial, pitch: PitchModel) -> dict[str, float]:
    """Return the heard cents of a trial by "note register", brought to the design's air."""
    played = played_trial(trial, pitch)
    there = pitch.solve(played.as_built, air=played.air).frequencies_hz
    here = pitch.solve(played.as_built).frequencies_hz
    found = {}
    for i, (hz, _) in played.notes.items():
        f = pitch.fingerings[i]
        cents = CENTS_PER_RELATIVE * np.log(hz / pitch.network.targets_hz[i] * here[i] / there[i])
        found[f"{f.note} {f.register}"] = float(cents)
    return found


def ledger_scores(ledger: Path, *, model_name: str = "") -> tuple[Scores, tuple[ScoredForecast, ...]]:
    """Return how good the forecasts logged with the cuts were, against the next trial of the piece.

    Of several cuts between two trials the last one's forecast counts: it is the one for all of them.

    Parameters
    ----------
    ledger : Path
    model_name : str
        Only pieces of this model; by default all.
    """
    found: list[ScoredForecast] = []
    pitches: dict[tuple[str, int], PitchModel] = {}
    spread = float(np.hypot(STATED_BELIEFS.blowing_cents, 1.0))
    with open_ledger(ledger, create=False) as book:
        for piece in book.instruments():
            if model_name and piece.model_name != model_name:
                continue
            pending: Mapping[str, Mapping[str, float]] | None = None
            for event in book.history(piece.serial):
                if isinstance(event, Cut):
                    if event.forecast.get("cents_after"):
                        pending = event.forecast
                elif isinstance(event, Trial) and pending is not None:
                    key = (piece.model_name, piece.model_version)
                    try:
                        if key not in pitches:
                            pitches[key] = PitchModel.of(recorded_model(book, *key))
                        outcomes = _outcomes(event, pitches[key])
                    except (ComputeError, ModelError):
                        outcomes = {}  # it cannot be computed any more: it is no forecast to be judged
                    for name, cents in outcomes.items():
                        if name in pending["cents_after"]:
                            found.append(
                                ScoredForecast(
                                    f"{piece.serial} {name}", float(pending["cents_after"][name]),
                                    float(pending["sigma_after"][name]), cents, spread,
                                )
                            )  # fmt: skip
                    pending = None
    return score(found), tuple(found)
