"""What is wrong with a head, in the trade's words: symptoms found in a trial's readings, each with its chance.

A symptom is a sum of readings (logarithms where they are compared as ratios) against a limit: an absolute one where
the trade has a figure, else against what a faultless head of this model reads. The limits are the maker's to set.
"""

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
from scipy.special import ndtr

from fluewright.arrays import FloatArray
from fluewright.bench.voicing.reference import Expected
from fluewright.bench.voicing.trial import HeadTrial
from fluewright.errors import InputError

__all__ = ["SYMPTOMS", "Symptom", "SymptomFound", "SymptomSettings", "find_symptoms", "read_symptom_settings"]


SETTINGS_FORMAT = "fluewright-symptoms/1"


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
    try:
        said = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
        raise InputError(f"{path}: cannot be read as TOML ({fault}); write lines like low_jump_ratio = 1.5") from None
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
    limits = settings or SymptomSettings()
    found: list[SymptomFound] = []
    keys = expected.keys
    index = {k: i for i, k in enumerate(keys)}

    def comfortable(note: str, register: int) -> float:
        reading = trial.of(note, register, "comfortable_pa")
        return math.log(reading.value) if reading is not None else math.nan

    def add(
        key: str, weights: FloatArray, constant: float, limit: float, worse: float, unit: str, notes: Sequence[str]
    ) -> None:
        symptom = SYMPTOMS[key]
        value = float(weights @ expected.read) + constant
        if symptom.relative:
            value -= float(weights @ expected.mean)
            sigma = math.sqrt(max(float(weights @ expected.covariance @ weights), 0.0))
        else:
            sigma = math.hypot(float(np.sqrt((weights**2) @ expected.noise**2)), 0.02 if constant else 0.0)
        if not math.isfinite(value):
            return
        margin = worse * (value - limit)
        chance = float(ndtr(margin / max(sigma, 1e-9)))
        if unit == "%":
            shown, edge, spread = 100.0 * math.expm1(value), 100.0 * math.expm1(limit), 100.0 * math.exp(value) * sigma
        elif unit == "":
            shown, edge, spread = math.exp(value), math.exp(limit), math.exp(value) * sigma
        else:
            shown, edge, spread = value, limit, sigma
        found.append(SymptomFound(symptom, shown, edge, spread, chance, unit, tuple(notes), weights, worse, -margin))

    def one(note: str, register: int, quantity: str, weight: float = 1.0) -> FloatArray:
        weights = np.zeros(len(keys))
        if (note, register, quantity) in index:
            weights[index[(note, register, quantity)]] = weight
        return weights

    def mean(quantity: str, registers: Sequence[int]) -> tuple[FloatArray, list[str]]:
        rows = [i for i, (_, r, q) in enumerate(keys) if q == quantity and r in registers]
        weights = np.zeros(len(keys))
        weights[rows] = 1.0 / len(rows) if rows else 0.0
        return weights, [f"{keys[i][0]}.{keys[i][1]}" for i in rows]

    lower = [n for n in trial.notes if n.register == 1]
    upper = [n for n in trial.notes if n.register == 2]
    if lower:
        lowest = lower[0]
        at = comfortable(lowest.note, 1)
        if (lowest.note, 1, "jump_pa") in index:
            add("low-notes-jump", one(lowest.note, 1, "jump_pa"), -at, math.log(limits.low_jump_ratio), -1.0, "",
                [lowest.name])  # fmt: skip
    for low in lower:
        for high in upper:
            same = low.note.rstrip("0123456789") == high.note.rstrip("0123456789")
            if same and (high.note, 2, "lowest_pa") in index:
                add("octave-hard", one(high.note, 2, "lowest_pa"), -comfortable(low.note, 1),
                    math.log(limits.octave_breath_ratio), 1.0, "", [low.name, high.name])  # fmt: skip
    for high in upper:
        if (high.note, 2, "lowest_pa") in index:
            add("upper-cracks", one(high.note, 2, "lowest_pa", -1.0), comfortable(high.note, 2),
                math.log(limits.crack_ratio), -1.0, "", [high.name])  # fmt: skip
    rows: tuple[tuple[str, str, tuple[int, ...], float, float, str], ...] = (
        ("upper-pressure", "lowest_pa", (2,), math.log1p(limits.breath_percent / 100.0), 1.0, "%"),
        ("more-breath", "lowest_pa", (1, 2), math.log1p(limits.breath_percent / 100.0), 1.0, "%"),
        ("less-breath", "lowest_pa", (1, 2), -math.log1p(limits.breath_percent / 100.0), -1.0, "%"),
        ("too-much-air", "air_l_per_min", (1, 2), math.log1p(limits.air_percent / 100.0), 1.0, "%"),
        ("too-little-air", "air_l_per_min", (1, 2), -math.log1p(limits.air_percent / 100.0), -1.0, "%"),
        ("hiss", "hiss_db", (1, 2), limits.hiss_db, 1.0, "dB"),
        ("dull-attack", "rise_s", (1, 2), math.log1p(limits.attack_percent / 100.0), 1.0, "%"),
        ("hard-attack", "rise_s", (1, 2), -math.log1p(limits.attack_percent / 100.0), -1.0, "%"),
        ("low-notes-loud", "level_db", (1,), limits.level_db, 1.0, "dB"),
        ("low-notes-weak", "level_db", (1,), -limits.level_db, -1.0, "dB"),
        ("sharp", "cents", (1, 2), limits.pitch_cents, 1.0, "cents"),
        ("flat", "cents", (1, 2), -limits.pitch_cents, -1.0, "cents"),
    )
    for key, quantity, registers, limit, worse, unit in rows:
        weights, notes = mean(quantity, registers)
        if notes:
            add(key, weights, 0.0, limit, worse, unit, notes)
    for note, register, quantity in keys:
        if quantity == "cents_per_doubling" and register == 1:
            weights = one(note, register, quantity)
            add("climbs", weights, 0.0, limits.crescendo_cents, 1.0, "cents", [f"{note}.{register}"])
    octaves = [
        (low, high) for low in lower for high in upper
        if low.note.rstrip("0123456789") == high.note.rstrip("0123456789")
        and (low.note, 1, "cents") in index and (high.note, 2, "cents") in index
    ]  # fmt: skip
    if octaves:
        weights = np.asarray(
            sum(one(h.note, 2, "cents") - one(lo.note, 1, "cents") for lo, h in octaves) / len(octaves)
        )  # fmt: skip
        names = [n for pair in octaves for n in (pair[0].name, pair[1].name)]
        add("octave-narrow", weights, 0.0, -limits.octave_cents, -1.0, "cents", names)
        add("octave-wide", weights, 0.0, limits.octave_cents, 1.0, "cents", names)
    found += _chiffs(trial, limits, len(keys))
    worst: dict[str, SymptomFound] = {}
    for one_of in found:
        if one_of.symptom.key not in worst or one_of.probability > worst[one_of.symptom.key].probability:
            worst[one_of.symptom.key] = one_of
    return tuple(sorted(worst.values(), key=lambda s: -s.probability))


def _chiffs(trial: HeadTrial, limits: SymptomSettings, size: int) -> list[SymptomFound]:
    """Return the chiff of each note: the model does not compute it, so nothing is forecast of it."""
    found = []
    for note in trial.notes:
        reading = note.readings.get("chiff_db")
        if reading is not None:
            margin = reading.value - limits.chiff_db
            found.append(
                SymptomFound(
                    SYMPTOMS["chiff"], reading.value, limits.chiff_db, reading.sigma,
                    float(ndtr(margin / reading.sigma)), "dB", (note.name,), np.zeros(size), 1.0, -margin,
                )
            )  # fmt: skip
    return found
