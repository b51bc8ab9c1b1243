"""What is wrong with a head, in the trade's words: symptoms found in a trial's readings, each with its chance.

A symptom is a sum of readings (logarithms where they are compared as ratios) against a limit: an absolute one where
the trade has a figure, else against what a faultless head of this model reads. The limits are the maker's to set.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from functools import cached_property
from pathlib import Path

import numpy as np
from scipy.special import ndtr

from fluewright.arrays import FloatArray
from fluewright.bench.voicing.quantities import in_percent
from fluewright.bench.voicing.reference import Expected
from fluewright.bench.voicing.trial import HeadTrial, NoteTrial
from fluewright.errors import InputError
from fluewright.files import read_text
from fluewright.instrument.pitch import without_octave
from fluewright.toml_text import toml_data

__all__ = ["SYMPTOMS", "Symptom", "SymptomFound", "SymptomSettings", "find_symptoms", "read_symptom_settings"]


SETTINGS_FORMAT = "fluewright-symptoms/1"
_MOST_BYTES = 1 << 18


@dataclass(frozen=True)
class SymptomSettings:
    """From where a reading is called a symptom.

    Attributes
    ----------
    low_jump_ratio : float
        Jump over comfortable breath of the lowest note, at least (docs/trade/voicing.md#symptoms).
    octave_breath_ratio : float
        Lowest breath of the octave over comfortable breath of its low note, at most (docs/trade/voicing.md#symptoms).
    crescendo_cents : float
        Pitch a doubling of breath, at most (docs/trade/voicing.md#symptoms).
    crack_ratio : float
        Comfortable over lowest breath of upper notes, at least; common practice, no source.
    breath_percent, air_percent, attack_percent : float
        Lowest breath, air and rise of the attack against the model's; common practice, no source.
    level_db, hiss_db : float
        Against the model's; common practice, no source.
    chiff_db : float
        Noise of the attack against 0.1 s of the tone, at most; common practice, no source.
    octave_cents, pitch_cents : float
        Octave's width and all notes' mean pitch against the model's; common practice, no source.
    """

    low_jump_ratio: float = 1.5
    octave_breath_ratio: float = 3.5
    crescendo_cents: float = 40.0
    crack_ratio: float = 1.15
    breath_percent: float = 10.0
    air_percent: float = 10.0
    attack_percent: float = 35.0
    level_db: float = 2.0
    hiss_db: float = 3.0
    chiff_db: float = -3.0
    octave_cents: float = 8.0
    pitch_cents: float = 10.0

    def __post_init__(self) -> None:
        limits = {
            "low_jump_ratio": (1.0, 10.0), "octave_breath_ratio": (1.0, 20.0), "crescendo_cents": (1.0, 300.0),
            "crack_ratio": (1.0, 5.0), "breath_percent": (1.0, 200.0), "air_percent": (1.0, 200.0),
            "attack_percent": (1.0, 900.0), "level_db": (0.2, 40.0), "hiss_db": (0.2, 40.0), "chiff_db": (-60.0, 40.0),
            "octave_cents": (1.0, 200.0), "pitch_cents": (1.0, 200.0),
        }  # fmt: skip
        for key, (low, high) in limits.items():
            value = getattr(self, key)
            if not (isinstance(value, (int, float)) and not isinstance(value, bool) and low <= value <= high):
                raise InputError(
                    f"symptom limit {key} is {value!r}, outside {low:g} to {high:g}; set a value between them"
                )


def read_symptom_settings(path: Path) -> SymptomSettings:
    """Read limits from a TOML file; what it leaves out keeps its usual value.

    Raises
    ------
    InputError
        The file cannot be read, has another format, or a key or value that cannot be.
    """
    text = read_text(path, "a file of limits", most_bytes=_MOST_BYTES)
    try:
        said = toml_data(text)
    except InputError as fault:
        raise InputError(f"{path}: {fault}; write lines like low_jump_ratio = 1.5") from None
    if said.pop("format", None) != SETTINGS_FORMAT:
        raise InputError(f'{path}: the first line must be format = "{SETTINGS_FORMAT}"')
    known = [f.name for f in fields(SymptomSettings)]
    for key in said:
        if key not in known:
            raise InputError(f"{path}: there is no limit {key!r}; use {', '.join(known)}")
    try:
        return SymptomSettings(**said)
    except InputError as fault:
        raise InputError(f"{path}: {fault}") from None


@dataclass(frozen=True)
class Symptom:
    """A symptom's name, its words, and what the trade does first (docs/trade/voicing.md#symptoms)."""

    key: str
    title: str
    relative: bool


SYMPTOMS: dict[str, Symptom] = {
    s.key: s
    for s in (
        Symptom("low-notes-jump", "lowest notes jump up", False),
        Symptom("low-notes-weak", "lowest notes weak", True),
        Symptom("low-notes-loud", "too loud, overdriven", True),
        Symptom("octave-hard", "octave jump slow or hard", False),
        Symptom("upper-cracks", "upper notes crack or fall back", False),
        Symptom("upper-pressure", "upper notes need too much pressure", True),
        Symptom("more-breath", "needs more breath than its model", True),
        Symptom("less-breath", "speaks and overblows with less breath than its model", True),
        Symptom("too-much-air", "needs too much air (flow)", True),
        Symptom("too-little-air", "takes little air: thin, clogs", True),
        Symptom("hiss", "hiss, windy tone", True),
        Symptom("chiff", "unwanted chiff", False),
        Symptom("dull-attack", "dull, weak attack", True),
        Symptom("hard-attack", "sharp, abrupt attack", True),
        Symptom("octave-narrow", "octave too narrow (top flat)", True),
        Symptom("octave-wide", "octave too wide (top sharp)", True),
        Symptom("climbs", "unstable in crescendo, pitch climbs", False),
        Symptom("sharp", "whole piece sharp", True),
        Symptom("flat", "whole piece flat", True),
    )
}
"""The trade's words (docs/trade/voicing.md#symptoms), and four of our own for what a head does beside its model."""


@dataclass(frozen=True, eq=False)
class SymptomFound:
    """One symptom in one trial.

    Attributes
    ----------
    symptom : Symptom
    value, limit, sigma : float
        The measure, its limit and the measure's uncertainty: a ratio where `unit` is "", else in the unit.
    probability : float
        That the measure lies beyond its limit.
    unit : str
    notes : tuple of str
    weights : array, shape (n,)
        What each reading adds to the measure (per logarithm or unit); the effect of anything on the readings gives its
        effect on the symptom.
    worse : float
        +1 where more is worse.
    """

    symptom: Symptom
    value: float
    limit: float
    sigma: float
    probability: float
    unit: str
    notes: tuple[str, ...]
    weights: FloatArray
    worse: float
    margin: float  # inner limit less inner value, times worse; logarithm or unit


def find_symptoms(
    expected: Expected, trial: HeadTrial, settings: SymptomSettings | None = None
) -> tuple[SymptomFound, ...]:
    """Return every symptom that the readings allow to judge, likeliest first.

    Parameters
    ----------
    expected : Expected
        From `causes.expect`.
    trial : HeadTrial
    settings : SymptomSettings, optional
    """
    judge = _Judge(expected, trial, settings or SymptomSettings())
    found = (
        *judge.breaths(), *judge.against_the_model(), *judge.climbing(), *judge.octave_widths(), *judge.chiffs()
    )  # fmt: skip
    worst: dict[str, SymptomFound] = {}
    for one in found:
        if one.symptom.key not in worst or one.probability > worst[one.symptom.key].probability:
            worst[one.symptom.key] = one
    return tuple(sorted(worst.values(), key=lambda s: -s.probability))


# A manometer's error in the comfortable breath, as a logarithm: a symptom that counts from it has it too. An estimate.
_COMFORTABLE_SIGMA = 0.02


@dataclass(frozen=True, eq=False)
class _Judge:
    """The readings of one trial, and what each symptom makes of them."""

    expected: Expected
    trial: HeadTrial
    limits: SymptomSettings

    @cached_property
    def places(self) -> dict[tuple[str, int, str], int]:
        """Return where each reading stands."""
        return {key: i for i, key in enumerate(self.expected.keys)}

    @cached_property
    def lower(self) -> list[NoteTrial]:
        """Return the tried notes of register 1."""
        return [n for n in self.trial.notes if n.register == 1]

    @cached_property
    def upper(self) -> list[NoteTrial]:
        """Return the tried notes of register 2."""
        return [n for n in self.trial.notes if n.register == 2]

    @property
    def octaves(self) -> list[tuple[NoteTrial, NoteTrial]]:
        """Return the pairs of a low note and one of its name in register 2."""
        name = without_octave
        return [(low, high) for low in self.lower for high in self.upper if name(low.note) == name(high.note)]

    def has(self, note: NoteTrial, quantity: str) -> bool:
        """Return whether a note has a reading that can be compared."""
        return (note.note, note.register, quantity) in self.places

    def reading(self, note: NoteTrial, quantity: str) -> FloatArray:
        """Return the weights, shape (n,), that pick one reading; all 0 where there is none."""
        weights = np.zeros(len(self.expected.keys))
        if self.has(note, quantity):
            weights[self.places[note.note, note.register, quantity]] = 1.0
        return weights

    def comfortable(self, note: NoteTrial) -> float:
        """Return the logarithm of a note's comfortable breath, NaN where it was not read."""
        reading = self.trial.of(note.note, note.register, "comfortable_pa")
        return math.log(reading.value) if reading is not None else math.nan

    def judged(
        self, key: str, weights: FloatArray, limit: float, worse: float, unit: str, notes: Iterable[str], *,
        constant: float = 0.0,
    ) -> Iterator[SymptomFound]:  # fmt: skip
        """Yield a symptom whose measure is `weights` of the readings and a constant; nothing where that is no number.

        Parameters
        ----------
        key : str
            Of `SYMPTOMS`.
        weights : array, shape (n,)
        limit : float
            Logarithm where the unit is "" or "%".
        worse : float
            +1 where more is worse, else -1.
        unit : str
        notes : iterable of str
        constant : float
        """
        expected, symptom = self.expected, SYMPTOMS[key]
        value = float(weights @ expected.read) + constant
        if symptom.relative:
            value -= float(weights @ expected.mean)
            sigma = math.sqrt(max(float(weights @ expected.covariance @ weights), 0.0))
        else:
            own = float(np.sqrt((weights**2) @ expected.noise**2))
            sigma = math.hypot(own, _COMFORTABLE_SIGMA if constant else 0.0)
        if not math.isfinite(value):
            return
        margin = worse * (value - limit)
        chance = float(ndtr(margin / max(sigma, 1e-9)))
        shown, edge, spread = _in_unit(value, limit, sigma, unit)
        yield SymptomFound(symptom, shown, edge, spread, chance, unit, tuple(notes), weights, worse, -margin)

    def breaths(self) -> Iterator[SymptomFound]:
        """Yield what the breaths say: where the lowest note jumps, where an octave speaks, how far a note is safe."""
        limits = self.limits
        for low in self.lower[:1]:
            if self.has(low, "jump_pa"):
                yield from self.judged(
                    "low-notes-jump", self.reading(low, "jump_pa"), math.log(limits.low_jump_ratio), -1.0, "",
                    [low.name], constant=-self.comfortable(low),
                )  # fmt: skip
        for low, high in self.octaves:
            if self.has(high, "lowest_pa"):
                yield from self.judged(
                    "octave-hard", self.reading(high, "lowest_pa"), math.log(limits.octave_breath_ratio), 1.0, "",
                    [low.name, high.name], constant=-self.comfortable(low),
                )  # fmt: skip
        for high in self.upper:
            if self.has(high, "lowest_pa"):
                yield from self.judged(
                    "upper-cracks", -self.reading(high, "lowest_pa"), math.log(limits.crack_ratio), -1.0, "",
                    [high.name], constant=self.comfortable(high),
                )  # fmt: skip

    def against_the_model(self) -> Iterator[SymptomFound]:
        """Yield what the mean of a quantity over all its notes says beside what a faultless head reads."""
        for key, quantity, registers, limit, worse, unit in _off_the_model(self.limits):
            rows = [i for i, (_, r, q) in enumerate(self.expected.keys) if q == quantity and r in registers]
            if rows:
                weights = np.zeros(len(self.expected.keys))
                weights[rows] = 1.0 / len(rows)
                notes = [f"{note}.{register}" for note, register, _ in (self.expected.keys[i] for i in rows)]
                yield from self.judged(key, weights, limit, worse, unit, notes)

    def climbing(self) -> Iterator[SymptomFound]:
        """Yield how far each low note climbs with breath."""
        for place, (note, register, quantity) in enumerate(self.expected.keys):
            if quantity == "cents_per_doubling" and register == 1:
                weights = np.zeros(len(self.expected.keys))
                weights[place] = 1.0
                yield from self.judged(
                    "climbs", weights, self.limits.crescendo_cents, 1.0, "cents", [f"{note}.{register}"]
                )

    def octave_widths(self) -> Iterator[SymptomFound]:
        """Yield whether the octaves are narrow or wide, in the mean over those that were tried."""
        pairs = [(low, high) for low, high in self.octaves if self.has(low, "cents") and self.has(high, "cents")]
        if not pairs:
            return
        widths = [self.reading(high, "cents") - self.reading(low, "cents") for low, high in pairs]
        weights = np.asarray(sum(widths) / len(pairs))
        notes = [n.name for pair in pairs for n in pair]
        yield from self.judged("octave-narrow", weights, -self.limits.octave_cents, -1.0, "cents", notes)
        yield from self.judged("octave-wide", weights, self.limits.octave_cents, 1.0, "cents", notes)

    def chiffs(self) -> Iterator[SymptomFound]:
        """Yield the chiff of each note: the model does not compute it, so nothing is forecast of it."""
        limit = self.limits.chiff_db
        for note in self.trial.notes:
            reading = note.readings.get("chiff_db")
            if reading is not None:
                margin = reading.value - limit
                yield SymptomFound(
                    SYMPTOMS["chiff"], reading.value, limit, reading.sigma, float(ndtr(margin / reading.sigma)), "dB",
                    (note.name,), np.zeros(len(self.expected.keys)), 1.0, -margin,
                )  # fmt: skip


def _off_the_model(limits: SymptomSettings) -> tuple[tuple[str, str, tuple[int, ...], float, float, str], ...]:
    """Return (symptom, quantity, registers, limit off a faultless head, +1 where more is worse, unit)."""
    breath, air, attack = (
        math.log1p(percent / 100.0) for percent in (limits.breath_percent, limits.air_percent, limits.attack_percent)
    )
    return (
        ("upper-pressure", "lowest_pa", (2,), breath, 1.0, "%"),
        ("more-breath", "lowest_pa", (1, 2), breath, 1.0, "%"),
        ("less-breath", "lowest_pa", (1, 2), -breath, -1.0, "%"),
        ("too-much-air", "air_l_per_min", (1, 2), air, 1.0, "%"),
        ("too-little-air", "air_l_per_min", (1, 2), -air, -1.0, "%"),
        ("hiss", "hiss_db", (1, 2), limits.hiss_db, 1.0, "dB"),
        ("dull-attack", "rise_s", (1, 2), attack, 1.0, "%"),
        ("hard-attack", "rise_s", (1, 2), -attack, -1.0, "%"),
        ("low-notes-loud", "level_db", (1,), limits.level_db, 1.0, "dB"),
        ("low-notes-weak", "level_db", (1,), -limits.level_db, -1.0, "dB"),
        ("sharp", "cents", (1, 2), limits.pitch_cents, 1.0, "cents"),
        ("flat", "cents", (1, 2), -limits.pitch_cents, -1.0, "cents"),
    )


def _in_unit(value: float, limit: float, sigma: float, unit: str) -> tuple[float, float, float]:
    """Return a measure, its limit and its uncertainty as they are shown: ratios and per cent are kept as logarithms."""
    if unit == "%":
        shown, spread = in_percent(value, sigma)
        return shown, in_percent(limit, 0.0)[0], spread
    if unit == "":
        return math.exp(value), math.exp(limit), math.exp(value) * sigma
    return value, limit, sigma
