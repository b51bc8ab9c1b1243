"""Which hole positions, hole diameters and length bring both registers to the target, within the hand and shop.

Bounded least squares over the named dimensions with the analytic Jacobian of the network. Reach and webs are
inequalities between sizes; they enter as stiff residuals that are zero while the rule is kept.
"""

import itertools
from dataclasses import dataclass
from fnmatch import fnmatchcase

import numpy as np

from fluewright.acoustics.network import Network, build_network
from fluewright.acoustics.resonance import Resonances, resonances, targets_hz
from fluewright.air import Air
from fluewright.arrays import FloatArray
from fluewright.errors import ModelError
from fluewright.instrument.model import Model
from fluewright.instrument.parts import FINGER_SPANS, Hole
from fluewright.instrument.shape import outside_diameter_mm
from fluewright.instrument.sizes import LENGTH, hole_key, with_sizes
from fluewright.units import CENTS_PER_RELATIVE

__all__ = ["FitResult", "fit_blown_model", "fit_model"]


# Cents of residual per mm of a broken reach or web rule: stiff against any note, soft enough to converge.
RULE_CENTS_PER_MM = 200.0
# Pull of the diameters to the size they began with: settles what the notes leave open, without moving them.
DIAMETER_PULL_CENTS_PER_MM = 0.4
# Sizes on the sheet are given to this step.
POSITION_STEP_MM = 0.01


@dataclass(frozen=True)
class FitResult:
    """A fitted model and how well it meets its targets.

    `cents` is the error of every fingering after rounding, shape (n,); `changed` lists (key, before, after) in mm;
    `at_limit` names sizes that stand at a bound; `broken_rules` names reach and web rules that could not be kept.
    """

    model: Model
    cents: FloatArray
    rms_cents: float
    worst_cents: float
    changed: tuple[tuple[str, float, float], ...]
    at_limit: tuple[str, ...]
    broken_rules: tuple[str, ...]
    evaluations: int


@dataclass(frozen=True)
class _Rule:
    """`low <= sum(coefficient * size) + constant`; sizes are in mm by key."""

    name: str
    terms: tuple[tuple[str, float], ...]
    constant: float

    def slack(self, values: dict[str, float]) -> float:
        return self.constant + sum(factor * values[key] for key, factor in self.terms)


def _bounds(model: Model) -> dict[str, tuple[float, float]]:
    """Return the free dimensions with their bounds, mm."""
    limits = model.limits
    length = model.length_mm

    def is_fixed(*keys: str) -> bool:
        return any(fnmatchcase(key, pattern) for key in keys for pattern in limits.fixed)

    free: dict[str, tuple[float, float]] = {}
    if not is_fixed(LENGTH, "bore", "bore.stations_mm"):
        inner = max((x for x, _ in model.bore.stations_mm[:-1]), default=0.0)
        low = max(limits.length_min_mm or 0.7 * length, inner + 1.0)
        free[LENGTH] = (low, limits.length_max_mm or 1.4 * length)
    for hole in model.holes:
        here = f"holes.{hole.name}"
        if not is_fixed("holes", here, f"{here}.position_mm"):
            free[f"{here}.position_mm"] = (
                hole.min_position_mm or model.head.window_length_mm + 0.1 * length,
                hole.max_position_mm or 1.3 * length,
            )
        if not is_fixed("holes", here, f"{here}.diameter_mm"):
            widest = 0.9 * min(d for _, d in model.bore.stations_mm)
            free[f"{here}.diameter_mm"] = (
                hole.min_diameter_mm or limits.smallest_hole_mm,
                min(hole.max_diameter_mm or limits.largest_hole_mm, widest),
            )
    return free


def _in_order(model: Model, values: dict[str, float]) -> dict[str, float]:
    """Return the sizes with holes abreast put side by side again where a soft rule let them pass by a little."""
    values = dict(values)
    before = -np.inf
    for hole in model.holes:
        key = hole_key(hole.name, "position_mm")
        place = values.get(key, hole.position_mm)
        if place < before < place + 0.5 and key in values:
            values[key] = place = before
        before = place
    return values


def _rules(model: Model) -> list[_Rule]:
    """Return reach, web and foot rules between the holes; a finger's pair is known by its name."""
    return [*_web_rules(model), *_reach_rules(model), *_hands_rules(model), *_foot_rules(model)]


def _position(hole: Hole) -> str:
    return hole_key(hole.name, "position_mm")


def _apart(upper: Hole, lower: Hole) -> tuple[tuple[str, float], ...]:
    """Return the terms of how far one hole lies below another."""
    return (_position(lower), 1.0), (_position(upper), -1.0)


def _chord_mm(model: Model, upper: Hole, lower: Hole) -> float:
    """Return how far apart two holes lie across the body where the lower one is, outside."""
    radius = 0.5 * outside_diameter_mm(model, lower.position_mm)
    return float(2.0 * radius * np.sin(0.5 * np.radians(abs(upper.angle_deg - lower.angle_deg))))


def _front(model: Model) -> list[Hole]:
    return [h for h in model.holes if abs(h.angle_deg) < 90.0]


def _web_rules(model: Model) -> list[_Rule]:
    """Return what keeps wood between neighbours in front, and all holes in their order."""
    rules = {}
    for upper, lower in itertools.pairwise(_front(model)):
        if _chord_mm(model, upper, lower) <= 0.5 * (upper.diameter_mm + lower.diameter_mm) + 1.0:
            halves = ((hole_key(upper.name), -0.5), (hole_key(lower.name), -0.5))
            rules[upper.name, lower.name] = _Rule(
                f"web between holes {upper.name} and {lower.name}", (*_apart(upper, lower), *halves),
                -model.limits.smallest_web_mm,
            )  # fmt: skip
    for upper, lower in itertools.pairwise(model.holes):
        if (upper.name, lower.name) not in rules:
            # A little play keeps holes that begin abreast off the rule's kink; `_in_order` takes it back.
            rules[upper.name, lower.name] = _Rule(
                f"order of holes {upper.name} and {lower.name}", _apart(upper, lower), 0.3
            )
    return list(rules.values())


def _by_finger(model: Model) -> dict[str, Hole]:
    return {h.finger: h for h in model.holes if h.finger}


def _reach_rules(model: Model) -> list[_Rule]:
    """Return how far the fingers of each hand reach.

    Reach is measured between centres on the outside; what is turned round the body leaves less along it.
    """
    rules, by_finger = [], _by_finger(model)
    for hand in ("left", "right"):
        for first, second, key in FINGER_SPANS:
            upper, lower = by_finger.get(f"{hand} {first}"), by_finger.get(f"{hand} {second}")
            if upper and lower:
                widest = getattr(model.limits.reach_mm, key)
                along = float(np.sqrt(max(widest**2 - _chord_mm(model, upper, lower) ** 2, 1.0))) - 0.02
                rules.append(_Rule(f"reach {hand} {first} to {second}", _apart(lower, upper), along))
    return rules


def _hands_rules(model: Model) -> list[_Rule]:
    """Return the space that the hands need between them."""
    by_finger = _by_finger(model)
    left, right = (
        [h for f, h in by_finger.items() if f.startswith(hand) and "thumb" not in f] for hand in ("left", "right")
    )
    if not (left and right):
        return []
    last, first = max(left, key=lambda h: h.position_mm), min(right, key=lambda h: h.position_mm)
    return [_Rule("space between the hands", _apart(last, first), -model.limits.reach_mm.between_hands_least)]


def _foot_rules(model: Model) -> list[_Rule]:
    """Return what stays of the body below the lowest hole in front."""
    return [
        _Rule(
            f"hole {low.name} to the foot end",
            ((LENGTH, 1.0), (_position(low), -1.0), (hole_key(low.name), -0.5)),
            -model.limits.foot_margin_mm,
        )
        for low in _front(model)[-1:]
    ]


def _note_weights(network: Network) -> FloatArray:
    """Return the square root of every fingering's weight."""
    weights = network.model.target.register_weights
    found: FloatArray = np.sqrt(np.array([weights[min(f.register, len(weights)) - 1] for f in network.fingerings]))
    return found


def fit_blown_model(model: Model, *, snap_drills: bool = True) -> FitResult:
    """Fit what is heard when blown: as `fit_model`, but for the pitch at the model's planned breath.

    The jet moves a note from its resonance by up to a few tens of cents (`acoustics.sounding`), uncertain by a third;
    the fit aims so that resonance and jet together meet the target. `FitResult.cents` are those of the blown notes.

    Raises
    ------
    ModelError, ComputeError
        As `fit_model`.
    InputError
        The head cannot sound.
    """
    from fluewright.acoustics.sounding import blow, jet_shift

    fitted = fit_model(model, snap_drills=snap_drills)
    for _ in range(2):
        blown = blow(build_network(fitted.model))
        blown.check_sounds(model.model.name)
        fitted = fit_model(model, snap_drills=snap_drills, breath_cents=jet_shift(blown)[0])
    return fitted


def fit_model(
    model: Model, *, air: Air | None = None, snap_drills: bool = True, breath_cents: FloatArray | None = None
) -> FitResult:
    """Fit hole positions, hole diameters and length to the target in all registers of the fingerings.

    Diameters are brought to the nearest drill on the shelf (`limits.drills_mm`) when there is one, and positions
    and length are then fitted again around them.

    Parameters
    ----------
    model : Model
    air : Air, optional
        By default the model's.
    snap_drills : bool
    breath_cents : array, shape (n,), optional
        What breath adds to the resonance of every fingering; by default nothing.

    Raises
    ------
    ModelError
        Nothing is free to move, or limits leave a size no room.
    ComputeError
        A note has no resonance on the way.
    """
    network = build_network(model, air=air)
    above = np.zeros(len(network.fingerings)) if breath_cents is None else breath_cents
    bounds = _bounds(model)
    if not bounds:
        raise ModelError("limits.fixed: every size is fixed, so nothing can be fitted; free the length or some holes")
    for key, (low, high) in bounds.items():
        if low >= high:
            raise ModelError(
                f"{key}: has to be at least {low:g} and at most {high:g} mm by the limits of model, hole and bore; "
                "widen one of them, or name the size in limits.fixed"
            )
    values, evaluations = _solve(network, bounds, above)
    shelf = sorted(model.limits.drills_mm)
    diameters = [key for key in bounds if key.endswith(".diameter_mm")]
    if snap_drills and shelf and diameters:
        for key in diameters:
            low, high = bounds[key]
            fitting = [d for d in shelf if low <= d <= high]
            if fitting:
                values[key] = min(fitting, key=lambda d: abs(d - values[key]))
        model = with_sizes(model, _in_order(model, values))
        rest = {key: limits for key, limits in bounds.items() if key not in diameters}
        if rest:
            more, again = _solve(build_network(model, air=air), rest, above)
            values.update(more)
            evaluations += again
    start = {d.key: d.value for d in network.dimensions}
    values = {key: round(value / POSITION_STEP_MM) * POSITION_STEP_MM for key, value in values.items()}
    values = {key: round(value, 6) for key, value in values.items()}
    values = _in_order(model, values)
    fitted = with_sizes(model, values)
    final = build_network(fitted, air=air)
    error = CENTS_PER_RELATIVE * np.log(resonances(final).frequencies_hz / targets_hz(final)) + above
    now = {d.key: d.value for d in final.dimensions}
    return FitResult(
        model=fitted,
        cents=error,
        rms_cents=float(np.sqrt(np.mean(error**2))),
        worst_cents=float(error[np.argmax(np.abs(error))]),
        changed=tuple((key, start[key], now[key]) for key in values if abs(start[key] - now[key]) > 1e-9),
        at_limit=tuple(key for key, (low, high) in bounds.items() if min(now[key] - low, high - now[key]) < 0.02),
        broken_rules=tuple(rule.name for rule in _rules(fitted) if rule.slack(now) < -0.1),
        evaluations=evaluations,
    )


def _solve(network: Network, bounds: dict[str, tuple[float, float]], above: FloatArray) -> tuple[dict[str, float], int]:
    """Return the fitted sizes in mm and the number of network solutions used."""
    from scipy.optimize import least_squares

    keys = list(bounds)
    by_key = {d.key: d for d in network.dimensions}
    columns = [next(j for j, d in enumerate(network.dimensions) if d.key == key) for key in keys]
    low = np.array([bounds[k][0] for k in keys])
    high = np.array([bounds[k][1] for k in keys])
    start = np.clip([by_key[k].value for k in keys], low + 1e-6, high - 1e-6)
    targets = targets_hz(network)
    weights = _note_weights(network)
    rules = _rules(network.model)
    everything = {d.key: d.value for d in network.dimensions}
    pulled = np.array([DIAMETER_PULL_CENTS_PER_MM if k.endswith(".diameter_mm") else 0.0 for k in keys])
    rule_rows = np.array([[dict(rule.terms).get(key, 0.0) for key in keys] for rule in rules]).reshape(-1, len(keys))
    cache: dict[bytes, Resonances] = {}
    guess = targets.copy()

    def solved(values: FloatArray) -> Resonances:
        key = values.tobytes()
        if key not in cache:
            sizes = network.sizes.copy()
            for name, value in zip(keys, values, strict=True):
                dimension = by_key[name]
                for at, weight in dimension.weights:
                    sizes[at] += weight * (value - dimension.value)
            cache[key] = resonances(network, sizes=sizes, guesses_hz=guess, sensitivities=True)
        return cache[key]

    def slacks(values: FloatArray) -> FloatArray:
        mixed = {**everything, **dict(zip(keys, values.tolist(), strict=True))}
        return np.array([rule.slack(mixed) for rule in rules])

    def residual(values: FloatArray) -> FloatArray:
        off = CENTS_PER_RELATIVE * np.log(solved(values).frequencies_hz / targets) + above
        broken = RULE_CENTS_PER_MM * np.minimum(slacks(values), 0.0)
        return np.concatenate([weights * off, broken, pulled * (values - start)])

    def jacobian(values: FloatArray) -> FloatArray:
        notes = weights[:, None] * solved(values).by_dimension_cents[:, columns]
        active = (slacks(values) < 0.0)[:, None] * RULE_CENTS_PER_MM * rule_rows
        return np.vstack([notes, active, np.diag(pulled)])

    found = least_squares(
        residual, start, jac=jacobian, bounds=(low, high), x_scale="jac", xtol=1e-9, ftol=1e-9, gtol=1e-9,
        max_nfev=120,
    )  # fmt: skip
    return dict(zip(keys, found.x.tolist(), strict=True)), len(cache)
