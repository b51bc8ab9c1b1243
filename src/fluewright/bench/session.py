"""One sitting at the bench: heard notes in, the state of the piece and the next safe cut out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from fluewright.air import Air, moist_air
from fluewright.arrays import FloatArray
from fluewright.bench.calibration import PlayedTrial, Posterior, calibrate
from fluewright.bench.cuts import next_cut
from fluewright.bench.matching import LEAST_CHANCE, Match, chance_of_strays, match_notes
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.policy import CutPolicy
from fluewright.bench.prior import Prior
from fluewright.bench.remarks import NoteLeftOut, NotesMissing, NotesUnmatched, Remark
from fluewright.bench.repeats import of_repeats
from fluewright.bench.verdict import Verdict
from fluewright.errors import InputError
from fluewright.instrument.fingering import Fingering
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import Removal, is_named, size_name
from fluewright.units import cents_above, shifted

__all__ = [
    "Advice",
    "Heard",
    "advise",
    "air_cents",
    "air_of",
    "check_sizes_over_time",
    "heard_by_fingering",
    "left_out",
]

# A gauge and a hand-held rule agree to this; less material than before by more than it is a mistake, not a reading.
_GROWN_MM = 0.15


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
    """The verdict, what it rests on, and what was odd about the trials; `targets_hz` has shape (fingerings,)."""

    fingerings: tuple[Fingering, ...]
    targets_hz: FloatArray
    trials: tuple[PlayedTrial, ...]
    posterior: Posterior
    verdict: Verdict
    remarks: tuple[Remark, ...]


def heard_by_fingering(
    notes: Sequence[Heard], expected_hz: FloatArray, fingerings: Sequence[Fingering]
) -> tuple[dict[int, tuple[float, float]], tuple[int, ...], tuple[int, ...]]:
    """Return (Hz and uncertainty by fingering, extra notes, fingerings not heard), all by number.

    `expected_hz` is what every fingering should give, shape (fingerings,). Repeats of one note become one
    figure (`repeats.of_repeats`). A note with several fingerings is taken for its main one.
    """
    heard, _, match = _matched(notes, expected_hz, fingerings)
    return heard, match.extra, match.missing


def _matched(
    notes: Sequence[Heard], expected_hz: FloatArray, fingerings: Sequence[Fingering]
) -> tuple[dict[int, tuple[float, float]], dict[int, int], Match]:
    """Return Hz and uncertainty, and playings, by fingering, and the match in numbers of the model's fingerings."""
    main = np.array([i for i, f in enumerate(fingerings) if f.alternative == 0])
    match = match_notes([n.frequency_hz for n in notes], expected_hz[main])
    heard, plays = {}, {}
    for fingering, indices in match.by_fingering.items():
        hz, sigma, count = of_repeats(
            [notes[i].frequency_hz for i in indices], [notes[i].frequency_uncertainty_hz for i in indices]
        )
        heard[int(main[fingering])] = (hz, sigma)
        plays[int(main[fingering])] = count
    by_fingering = {int(main[i]): indices for i, indices in match.by_fingering.items()}
    return heard, plays, Match(by_fingering, match.extra, tuple(int(main[i]) for i in match.missing))


def air_of(model: Model, temperature_c: float | None) -> Air | None:
    """Return the air of a trial: the model's, at another temperature; None where none is given."""
    if temperature_c is None:
        return None
    c = model.conditions
    return moist_air(
        temperature_c, relative_humidity=c.relative_humidity, co2_fraction=c.co2_fraction, pressure_pa=c.pressure_pa
    )


def air_cents(model: Model, temperature_c: float | None) -> float:
    """Return how much sharper the air of a room makes every note than the model's own air, cents.

    Pitch goes with the speed of sound, at the model's humidity (`air.moist_air`).
    """
    room, planned = air_of(model, temperature_c), air_of(model, model.conditions.temperature_c)
    if room is None or planned is None:
        return 0.0
    return cents_above(room.sound_speed, planned.sound_speed)


def check_sizes_over_time(sizes: Sequence[Mapping[str, float]]) -> None:
    """Refuse sizes, oldest first, that would have put material back.

    Raises
    ------
    InputError
        A hole has become smaller, or the body longer, by more than a gauge's error.
    """
    known: dict[str, float] = {}
    for built in sizes:
        for key, value in built.items():
            if key in known and is_named(key):
                removal = size_name(key).removal
                grown = {Removal.LARGER: known[key] - value, Removal.SMALLER: value - known[key]}.get(removal, 0.0)
                if grown > _GROWN_MM:
                    raise InputError(
                        f"{key} is {value:g} mm now and was {known[key]:g} mm before: {grown:.2f} mm of material "
                        f"cannot have come back (limit {_GROWN_MM:g} mm); measure it again, or, if it was filled or "
                        "bushed, begin a new serial for the piece"
                    )
            known[key] = value


def left_out(posterior: Posterior) -> list[NoteLeftOut]:
    """Return the notes that were left out as slips, with their trials."""
    found = []
    for slip in posterior.slips:
        f = posterior.fingerings[slip.fingering]
        found.append(NoteLeftOut(slip.trial + 1, (f.note, f.register), slip.cents))
    return found


def advise(
    model: Model | PitchModel,
    trials: Sequence[Sequence[Heard]],
    *,
    as_built: Mapping[str, float],
    earlier: Sequence[PlayedTrial] = (),
    temperature_c: float | None = None,
    breath_ratio: float | None = None,
    prior: Prior | None = None,
    policy: CutPolicy | None = None,
    rounds_made: int | None = None,
) -> Advice:
    """Return the state of a piece and its next safe cuts.

    Parameters
    ----------
    model : Model or PitchModel
    trials : sequence of sequences of heard notes
        New trials of the piece as it is now.
    as_built : mapping
        Present sizes, mm by key, where they differ from the model's.
    earlier : sequence of PlayedTrial
        Former trials of this piece with the sizes it had then.
    temperature_c : float, optional
        Air in the bore during the new trials; by default the model's.
    breath_ratio : float, optional
        Measured breath over the model's planned one; by default unknown about 1.
    prior : Prior, optional
        What earlier pieces of the model have taught.
    policy : CutPolicy, optional
    rounds_made : int, optional
        Rounds in which something was cut; by default told from the sizes of the trials.

    Raises
    ------
    InputError
        No note of the model was heard in a trial, more of its notes fit no fingering than slips explain
        (`chance_of_strays`), a size is not usable, or sizes contradict those of earlier trials.
    """
    pitch = model if isinstance(model, PitchModel) else PitchModel.of(model)
    air = air_of(pitch.model, temperature_c)
    check_sizes_over_time([*(t.as_built for t in earlier), as_built])
    played = list(earlier)
    posterior = calibrate(pitch, played, prior=prior, gauged=as_built)
    new: list[PlayedTrial] = []
    remarks: list[Remark] = []
    for number, notes in enumerate(trials, start=1):
        expected = shifted(pitch.network.targets_hz, posterior.forecast(as_built)[0])
        heard, plays, match = _matched(notes, expected, pitch.fingerings)
        if not heard:
            raise InputError(
                f"trial {number}: none of its {len(notes)} notes fits a fingering of {pitch.model.model.name}; check "
                "that it is a recording of this piece, and play each note once, slowly"
            )
        new.append(PlayedTrial(dict(as_built), heard, air, breath_ratio=breath_ratio, plays=plays))
        posterior = calibrate(pitch, [*played, *new], prior=prior)
        mine = len(played) + len(new) - 1
        slips = [heard[s.fingering][0] for s in posterior.slips if s.trial == mine]
        _check_strays(number, notes, match, slips, pitch.model.model.name)
        remarks += _odd(number, notes, match, pitch.fingerings)
    remarks += left_out(posterior)
    if rounds_made is None:
        rounds_made = len({tuple(sorted(t.as_built.items())) for t in [*played, *new]}) - 1
    verdict = next_cut(posterior, as_built, policy=policy, rounds_made=max(rounds_made, 0))
    return Advice(pitch.fingerings, pitch.network.targets_hz, tuple(new), posterior, verdict, tuple(remarks))


def _check_strays(number: int, notes: Sequence[Heard], match: Match, slips_hz: Sequence[float], name: str) -> None:
    """Refuse a trial of which more notes fit no fingering, or nothing the others say, than slips explain."""
    strays = len(match.extra) + len(slips_hz)
    if not strays:
        return
    chance = chance_of_strays([n.frequency_hz for n in notes], match, slips=len(slips_hz))
    if chance < LEAST_CHANCE:
        odd = ", ".join(f"{hz:.1f} Hz" for hz in [*(notes[i].frequency_hz for i in match.extra[:6]), *slips_hz])
        raise InputError(
            f"trial {number}: {strays} of its {len(notes)} notes fit no fingering of {name} ({odd}); slips explain so "
            f"many with a chance of {100.0 * chance:.2g} %, the limit is {100.0 * LEAST_CHANCE:g} %; check that it is "
            "a recording of this piece, and play each note once, slowly"
        )


def _odd(number: int, notes: Sequence[Heard], match: Match, fingerings: Sequence[Fingering]) -> list[Remark]:
    """Return what was odd about a trial: notes that fit no fingering, and fingerings that were not heard."""
    found: list[Remark] = []
    if match.extra:
        found.append(NotesUnmatched(number, tuple(float(notes[i].frequency_hz) for i in match.extra)))
    if match.missing:
        found.append(NotesMissing(number, tuple((fingerings[i].note, fingerings[i].register) for i in match.missing)))
    return found
