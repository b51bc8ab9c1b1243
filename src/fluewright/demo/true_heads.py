"""Virtual heads: hidden deviations, blown by the harmonic balance, and read as a small shop reads them.

Invented data of the demo. Every reading carries its error; the pitch against breath of a swell comes with them. A head
may carry one hidden fault; what is done to it at the bench changes it, by a little more or less than asked.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from fluewright.acoustics.jet import JetSettings
from fluewright.acoustics.network import build_network
from fluewright.acoustics.sounding import breath_plan
from fluewright.arrays import FloatArray
from fluewright.bench.voicing.advice import Step
from fluewright.bench.voicing.evaluations import (
    BREATH_RATIOS,
    MODELLED,
    HeadPoint,
    changed,
    evaluate,
    nuisances_of,
    trial_rows,
)
from fluewright.bench.voicing.quantities import QUANTITIES
from fluewright.bench.voicing.trial import HeadTrial, NoteTrial, Reading
from fluewright.instrument.model import Model
from fluewright.units import shifted

__all__ = ["ReferenceBody", "TrueHead"]


_HAND = 0.1  # of a step: how exactly a hand makes it
# How far the player's own breath for a note is from the planned one, and one trial's from the next, relative: he
# blows to the same mark of the water column.
_HABIT, _STEADY = 0.06, 0.015
_STAND = 0.25  # of what a trial's readings share: the microphone stays on its stand
# So far inside the ends of a register the comfortable breath lies, in logarithms.
_ABOVE_LOWEST, _BELOW_JUMP = 0.10, 0.12
_CURVE_POINTS = 20


def _sum(*parts: Mapping[str, float]) -> dict[str, float]:
    whole: dict[str, float] = {}
    for part in parts:
        for key, value in part.items():
            whole[key] = whole.get(key, 0.0) + value
    return whole


@dataclass(frozen=True)
class ReferenceBody:
    """A body on which heads of one model are tried, with the errors that it was bored with.

    Attributes
    ----------
    name : str
    errors : mapping
        Change of the model's sizes, by key.
    """

    name: str
    errors: Mapping[str, float]

    @classmethod
    def made(cls, name: str, model: Model, rng: np.random.Generator) -> "ReferenceBody":
        """Return a body as a careful shop bores it."""
        parts: list[dict[str, float]] = []
        for nuisance, changes in nuisances_of(model):
            if nuisance.group == "body":
                size = float(rng.standard_normal())
                parts.append({k: size * v for k, v in changes.items()})
        return cls(name, _sum(*parts))


class TrueHead:
    """One head as it truly is: can be blown and voiced.

    Parameters
    ----------
    model : Model
    jet : JetSettings
        The shop's and the player's.
    known_mm : mapping
        Errors of its sizes that are settled elsewhere, by key.
    fault : mapping
        The hidden fault: changes of the model's sizes.
    rng : numpy Generator
    """

    def __init__(
        self,
        model: Model,
        jet: JetSettings,
        known_mm: Mapping[str, float],
        fault: Mapping[str, float],
        rng: np.random.Generator,
    ) -> None:
        self._model, self._jet, self._rng = model, jet, rng
        parts: list[Mapping[str, float]] = [known_mm, fault]
        for nuisance, changes in nuisances_of(model):
            size = nuisance.sigma * float(rng.standard_normal())
            if nuisance.group == "head" and not set(changes) <= set(known_mm):
                parts.append({k: size * v for k, v in changes.items()})
        self._changes = _sum(*parts)
        self._habits: dict[tuple[str, int], float] = {}
        self._shared = {q: QUANTITIES[q].shared * float(rng.standard_normal()) for q in MODELLED}

    def voice(self, step: Step, steps: float) -> None:
        """Make an adjustment."""
        made = steps * (1.0 + _HAND * float(self._rng.standard_normal()))
        self._changes = _sum(self._changes, {k: made * v for k, v in step.adjustment.steps})

    def tried(self, notes: Sequence[tuple[str, int]], body: ReferenceBody, *, good: bool = False) -> HeadTrial:
        """Return one trial of some notes on a reference body.

        Parameters
        ----------
        notes : sequence of (note, register)
        body : ReferenceBody
        good : bool
            The maker calls the head good.

        Raises
        ------
        ModelError
            Head and body together make no instrument.
        """
        network = build_network(self._model)
        rows = trial_rows(network, notes)
        planned = breath_plan(network)[list(rows)]
        targets = network.targets_hz[list(rows)]
        point = evaluate(changed(self._model, _sum(self._changes, body.errors)), rows, self._jet, planned.tolist())
        shared = {
            q: v + _STAND * QUANTITIES[q].shared * float(self._rng.standard_normal()) for q, v in self._shared.items()
        }
        found = []
        for i, (note, register) in enumerate(notes):
            habit = self._habits.setdefault((note, register), _HABIT * float(self._rng.standard_normal()))
            readings = self._readings(point, i, register, math.log(planned[i]) + habit, planned, shared)
            if readings:
                curve = self._curve(point, i, float(planned[i]), float(targets[i]), shared["cents"])
                found.append(NoteTrial(note, register, readings, curve if register == 1 else ()))
        temperature = self._model.conditions.temperature_c
        return HeadTrial(tuple(found), "", body.name, good, temperature, ("drawn without sound",))

    def _readings(
        self,
        point: HeadPoint,
        i: int,
        register: int,
        breath: float,
        planned: FloatArray,
        shared: Mapping[str, float],
    ) -> dict[str, Reading]:
        """Return what is read of one note about the logarithm of a breath; nothing where it does not sound."""
        low, jump = (float(v) for v in point.fixed[i, :2])
        errors = self._rng.standard_normal(len(MODELLED) + 2)
        if not math.isfinite(low):
            return {}
        breath += _STEADY * float(errors[-1])
        breath = min(breath, jump - _BELOW_JUMP) if math.isfinite(jump) else breath
        breath = max(breath, low + _ABOVE_LOWEST)
        ratios = np.ones(planned.size)
        ratios[i] = math.exp(breath) / planned[i]
        shown = math.exp(breath + QUANTITIES["comfortable_pa"].reading * float(errors[-2]))
        readings = {"comfortable_pa": _reading("comfortable_pa", shown)}
        for quantity, value, error in zip(MODELLED, point.at(ratios)[i], errors, strict=False):
            spec = QUANTITIES[quantity]
            # A small shop has no flow meter, and does not push the upper register to its end.
            skipped = quantity == "air_l_per_min" or (register > 1 and quantity in ("jump_pa", "fall_back_pa"))
            if skipped or not math.isfinite(value):
                continue
            x = float(value) + shared[quantity] + spec.reading * float(error)
            readings[quantity] = _reading(quantity, math.exp(x) if spec.relative else x)
        return _in_order(readings)

    def _curve(
        self, point: HeadPoint, i: int, planned_pa: float, target_hz: float, shared_cents: float
    ) -> tuple[tuple[float, float], ...]:
        """Return pitch against breath of a slow swell on one note, (Pa, Hz), from its lowest breath to its jump."""
        cents = point.moving[i, MODELLED.index("cents") - 3]
        known = np.isfinite(cents)
        if known.sum() < 2:
            return ()
        breaths = np.log(planned_pa * BREATH_RATIOS[known])
        line = PchipInterpolator(breaths, cents[known])
        low, jump = (float(v) for v in point.fixed[i, :2])
        begin = max(low, float(breaths[0])) if math.isfinite(low) else float(breaths[0])
        end = min(jump, float(breaths[-1])) if math.isfinite(jump) else float(breaths[-1])
        at = np.linspace(begin, end, _CURVE_POINTS)
        shown = np.sort(at + 0.01 * self._rng.standard_normal(at.size))
        heard = line(at) + shared_cents + 0.6 * self._rng.standard_normal(at.size)
        return tuple(
            (round(float(np.exp(p)), 1), round(shifted(target_hz, float(c)), 2))
            for p, c in zip(shown, heard, strict=True)
        )


def _in_order(readings: dict[str, Reading]) -> dict[str, Reading]:
    """Return the readings without those breaths that stand in an order which no note has: they are read anew."""
    kept = dict(readings)
    comfortable = readings["comfortable_pa"].value
    if "lowest_pa" in kept and kept["lowest_pa"].value > comfortable:
        del kept["lowest_pa"]
    if "jump_pa" in kept and kept["jump_pa"].value < comfortable:
        del kept["jump_pa"]
    if "fall_back_pa" in kept and ("jump_pa" not in kept or kept["fall_back_pa"].value > kept["jump_pa"].value):
        del kept["fall_back_pa"]
    return kept


def _reading(quantity: str, value: float) -> Reading:
    """Return a reading to as many places as its error deserves."""
    spec = QUANTITIES[quantity]
    sigma = spec.reading * (abs(value) if spec.relative else 1.0)
    places = 1 - math.floor(math.log10(sigma))
    return Reading(round(value, places), round(sigma, places + 1))
