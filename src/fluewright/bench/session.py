"""One sitting at the bench: heard notes in, the state of the piece and the next safe cut out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import targets_hz
from fluewright.air import moist_air
from fluewright.bench.calibration import PlayedTrial, Posterior, calibrate
from fluewright.bench.cuts import CutPolicy, Verdict, next_cut
from fluewright.bench.matching import LEAST_CHANCE, Match, chance_of_strays, match_notes
from fluewright.errors import InputError
from fluewright.instrument.fingering import Fingering
from fluewright.instrument.model import Model

__all__ = ["Advice", "Heard", "advise", "heard_by_fingering"]


class Heard(Protocol):
    """What the bench needs of a heard note."""

    @property
    def frequency_hz(self) -> float:
        """Mean frequency."""

    @property
    def frequency_uncertainty_hz(self) -> float:
        """Standard uncertainty of the frequency."""


@dataclass(frozen=True)
class Advice:
    """The verdict, what it rests on, and what was odd about the trials."""

    fingerings: tuple[Fingering, ...]
    targets_hz: NDArray[np.float64]
    trials: tuple[PlayedTrial, ...]
    posterior: Posterior
    verdict: Verdict
    warnings: tuple[str, ...]


def heard_by_fingering(
    notes: Sequence[Heard], expected_hz: NDArray[np.float64], fingerings: Sequence[Fingering]
) -> tuple[dict[int, tuple[float, float]], tuple[int, ...], tuple[int, ...]]:
    """Return (Hz and uncertainty by fingering, extra notes, fingerings not heard).

    Repeats of one note are averaged, weighted by their uncertainties. A note with several fingerings is taken for
    its main one.
    """
    heard, match = _matched(notes, expected_hz, fingerings)
    return heard, match.extra, match.missing


def _matched(
    notes: Sequence[Heard], expected_hz: NDArray[np.float64], fingerings: Sequence[Fingering]
) -> tuple[dict[int, tuple[float, float]], Match]:
    """Return Hz and uncertainty by fingering, and the match in numbers of the model's fingerings."""
    main = np.array([i for i, f in enumerate(fingerings) if f.alternative == 0])
    match = match_notes([n.frequency_hz for n in notes], expected_hz[main])
    heard = {}
    for fingering, indices in match.by_fingering.items():
        f = np.array([notes[i].frequency_hz for i in indices])
        w = 1.0 / np.maximum([notes[i].frequency_uncertainty_hz for i in indices], 1e-4) ** 2
        heard[int(main[fingering])] = (float((w * f).sum() / w.sum()), float(1.0 / np.sqrt(w.sum())))
    by_fingering = {int(main[i]): indices for i, indices in match.by_fingering.items()}
    return heard, Match(by_fingering, match.extra, tuple(int(main[i]) for i in match.missing))


def advise(
    model: Model,
    trials: Sequence[Sequence[Any]],
    *,
    as_built: Mapping[str, float],
    earlier: Sequence[PlayedTrial] = (),
    temperature_c: float | None = None,
    risk: float = 0.02,
    policy: CutPolicy | None = None,
) -> Advice:
    """Return the state of a piece and its next safe cut.

    Parameters
    ----------
    model : Model
    trials : sequence of sequences of heard notes
        New trials of the piece as it is now.
    as_built : mapping
        Present sizes, mm by key, where they differ from the model's.
    earlier : sequence of PlayedTrial
        Former trials of this piece with the sizes it had then.
    temperature_c : float, optional
        Air in the bore during the new trials; by default the model's.
    risk : float
        Chance over the whole piece of cutting a note past its tolerance.

    Raises
    ------
    InputError
        No note of the model was heard in a trial, more of its notes fit no fingering than slips explain
        (`chance_of_strays`), or a size is not usable.
    """
    air = None
    if temperature_c is not None:
        c = model.conditions
        air = moist_air(
            temperature_c,
            relative_humidity=c.relative_humidity,
            co2_fraction=c.co2_fraction,
            pressure_pa=c.pressure_pa,
        )
    network = build_network(model)
    targets = targets_hz(network)
    played = list(earlier)
    posterior = calibrate(model, played)
    new: list[PlayedTrial] = []
    warnings: list[str] = []
    names = [f"{f.note} (register {f.register})" for f in network.fingerings]
    for number, notes in enumerate(trials, start=1):
        expected = targets * 2.0 ** (posterior.forecast(as_built)[0] / 1200.0)
        heard, match = _matched(notes, expected, network.fingerings)
        if not heard:
            raise InputError(
                f"trial {number}: none of its {len(notes)} notes fits a fingering of {model.model.name}; check that "
                "it is a recording of this piece, and play each note once, slowly"
            )
        if match.extra:
            odd = ", ".join(f"{notes[i].frequency_hz:.1f} Hz" for i in match.extra[:6])
            chance = chance_of_strays([n.frequency_hz for n in notes], match)
            if chance < LEAST_CHANCE:
                raise InputError(
                    f"trial {number}: {len(match.extra)} of its {len(notes)} notes fit no fingering of "
                    f"{model.model.name} ({odd}); slips explain so many with a chance of {100.0 * chance:.2g} %, the "
                    f"limit is {100.0 * LEAST_CHANCE:g} %; check that it is a recording of this piece, and play each "
                    "note once, slowly"
                )
            warnings.append(f"trial {number}: {len(match.extra)} notes fit no fingering and were left out: {odd}")
        if match.missing:
            warnings.append(f"trial {number}: not heard: {', '.join(names[i] for i in match.missing)}")
        new.append(PlayedTrial(dict(as_built), heard, air))
        posterior = calibrate(model, [*played, *new])
    verdict = next_cut(posterior, as_built, policy=policy or CutPolicy(risk=risk))
    return Advice(network.fingerings, targets, tuple(new), posterior, verdict, tuple(warnings))
