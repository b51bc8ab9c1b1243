"""What the physics says of a head's trial: every quantity at the model's sizes, and how each deviation moves it.

The blown model is evaluated anew for every deviation (no formula is simplified for speed): the sizes that a cause or
an adjustment changes at three steps over its range, and by one step each of the jet's open settings, of the head's
other sizes and of the body. A few dozen evaluations, some ten seconds a model; kept in memory and, where a folder is
given, on disk, named by a hash of model and notes.

A leak is a small hole, always open, with its wall's friction and no radiation to speak of: through the wall under the
head joint (x half-way to the first hole), or low on the body. Seepage through a porous wall is not meant by it.
"""

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
from scipy.interpolate import PchipInterpolator

from fluewright.acoustics.jet import JetSettings, turbulent_share, window_area_m2
from fluewright.acoustics.kernels.jet import jet_at
from fluewright.acoustics.kernels.loop import growth
from fluewright.acoustics.network import Network, build_network
from fluewright.acoustics.sounding import Blown, NoteBreath, at_notes, blow, find_jumps
from fluewright.arrays import FloatArray, IntArray
from fluewright.errors import ComputeError, InputError, ModelError
from fluewright.instrument.files import validate_model
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import Part, set_sizes, sizes_of
from fluewright.units import cents_above, shifted

__all__ = [
    "BREATH_RATIOS", "MODELLED", "SETTING_SIGMAS", "WAVE_NODES", "WAVE_SIGMA",
    "Evaluations", "HeadPoint", "Nuisance", "changed", "evaluate",
    "evaluations_of", "leak_places_mm", "nuisances_of", "trial_rows",
]  # fmt: skip


MODELLED = (
    "lowest_pa", "jump_pa", "fall_back_pa", "cents", "cents_per_doubling", "rise_s", "hiss_db", "level_db",
    "air_l_per_min", "second_db", "third_db",
)  # fmt: skip
"""Quantities that the blown model computes; chiff is the trade's word only."""

BREATH_RATIOS = np.geomspace(0.5, 2.0, 9)
"""Breaths over the planned one at which everything that depends on breath is kept."""

WAVE_SIGMA = 0.10
"""Relative one-sigma uncertainty of the jet's wave speed: the one setting whose effect is far from a straight line."""

WAVE_NODES = np.linspace(-2.0, 2.0, 5)
"""Wave speeds that are evaluated, in sigmas from the usual one."""

SETTING_SIGMAS: Mapping[str, float] = {
    "growth": 0.10, "contraction": 0.10, "chamfer_share": 0.25, "tilt": 0.5,
}  # fmt: skip
"""Relative one-sigma uncertainty of the jet's other open settings; an estimate from one measured flute."""

_RISE = math.log(9.0)  # exponential growth: from 10 % to 90 %
_LEAK = "leak"
_LOSSES = "bore.wall_loss_factor"
_STEPS = 3


@dataclass(frozen=True)
class Nuisance:
    """What else may differ: a setting of the jet, a size of head or body; each by one sigma of it."""

    key: str
    group: str  # "settings", "head", "body"
    sigma: float


@dataclass(frozen=True, eq=False)
class HeadPoint:
    """The model evaluated once; shapes (notes,) and (notes, breaths); NaN where a quantity does not exist.

    `fixed` holds lowest, jump and fall back (natural logarithms); `moving` everything that depends on breath, at
    `BREATH_RATIOS` of the planned one.
    """

    fixed: FloatArray  # (notes, 3)
    moving: FloatArray  # (notes, 8, breaths)

    def at(self, ratios: FloatArray) -> FloatArray:
        """Return every modelled quantity at each note's breath over its planned one, shape (notes, quantities).

        Between the kept breaths by a cubic through the four nearest, by a straight line where one of them is missing.
        """
        places, cubic, straight = _between(tuple(float(r) for r in ratios))
        rows = np.arange(len(self.fixed))[:, None]
        around = self.moving.transpose(0, 2, 1)[rows, places]  # (notes, 4, quantities)
        smooth = np.einsum("nk,nkq->nq", cubic, around)
        line = np.einsum("nk,nkq->nq", straight, np.where(straight[:, :, None] == 0.0, 0.0, around))
        return np.hstack([self.fixed, np.where(np.isfinite(smooth), smooth, line)])


@lru_cache(maxsize=256)
def _between(ratios: tuple[float, ...]) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return (places of four kept breaths, their cubic weights, their straight weights), a row a note."""
    x = np.log(BREATH_RATIOS)
    step = x[1] - x[0]
    places, cubic, straight = [], [], []
    for ratio in ratios:
        at = (min(max(math.log(ratio), x[0]), x[-1]) - x[0]) / step
        first = min(max(int(at) - 1, 0), x.size - 4)
        t = at - first
        places.append(np.arange(first, first + 4))
        cubic.append([math.prod((t - m) / (k - m) for m in range(4) if m != k) for k in range(4)])
        straight.append([max(1.0 - abs(t - k), 0.0) for k in range(4)])
    return np.array(places), np.array(cubic), np.array(straight)


def trial_rows(network: Network, wanted: Sequence[tuple[str, int]]) -> tuple[int, ...]:
    """Return the fingering of each named (note, register): the one shared with another register where there is one.

    Raises
    ------
    InputError
        The model lacks a note.
    """
    rows = []
    known = [(f.note, f.register) for f in network.fingerings]
    for note, register in wanted:
        mine = [i for i, k in enumerate(known) if k == (note, register)]
        if not mine:
            names = ", ".join(dict.fromkeys(f"{n}.{r}" for n, r in known))
            raise InputError(f"note {note}.{register}: {network.model.model.name} has no such note; it has {names}")
        low = [network.states[i].tobytes() for i, k in enumerate(known) if k[1] == 1]
        rows.append(next((i for i in mine if register > 1 and network.states[i].tobytes() in low), mine[0]))
    return tuple(rows)


def leak_places_mm(model: Model) -> tuple[float, float]:
    """Return where leaks are tried: under the head joint, and low on the body (x, mm)."""
    first = min((h.position_mm for h in model.holes), default=model.length_mm)
    return 0.5 * min(first, 0.5 * model.length_mm), 0.5 * (first + model.length_mm)


# Keys that move many sizes alike.
_GROUPS = {
    "bore.diameter_mm": (Part.BORE, "diameter"),
    "holes.diameter_mm": (Part.HOLE, "diameter_mm"),
    "holes.position_mm": (Part.HOLE, "position_mm"),
}


def changed(model: Model, changes: Mapping[str, float]) -> Model:
    """Return the model with sizes changed by the given amounts, checked anew.

    Keys are those of sizes, and ``bore.wall_loss_factor``; ``leak X`` opens a hole of that area (mm2) through the wall
    at x mm. Chamfers and the broken edge end at 0. ``bore.diameter_mm`` moves the whole bore, ``holes.diameter_mm`` and
    ``holes.position_mm`` every hole.

    Raises
    ------
    ModelError
        The result is impossible.
    """
    now = {size.key: size for size in sizes_of(model)}
    sizes: dict[str, float] = {}
    raw: dict[str, Any] = model.model_dump()
    for key, change in changes.items():
        if key.startswith(_LEAK):
            continue
        if key == _LOSSES:
            raw["bore"]["wall_loss_factor"] += change
            continue
        group = _GROUPS.get(key)
        moved = [now[key]] if group is None else [s for s in now.values() if (s.part, s.field) == group]
        for size in moved:
            sizes[size.key] = max(sizes.get(size.key, size.value) + change, size.least)
    raw = set_sizes(raw, {now[key]: value for key, value in sizes.items()})
    for key, change in changes.items():
        if key.startswith(_LEAK):
            _open_leak(raw, float(key.split()[1]), change)
    return validate_model(raw, place=model.model.name)


def _open_leak(raw: dict[str, Any], x_mm: float, area_mm2: float) -> None:
    if area_mm2 <= 0.0:
        return
    holes = list(raw["holes"])
    at = sum(h["position_mm"] <= x_mm for h in holes)
    holes.insert(
        at, {"name": _LEAK, "position_mm": x_mm, "angle_deg": 180.0, "diameter_mm": 2.0 * math.sqrt(area_mm2 / math.pi)}
    )  # fmt: skip
    raw["holes"] = holes

    def opened(text: str) -> str:
        letters = text.replace(" ", "")
        return letters[:at] + "o" + letters[at:]

    for names in raw["fingerings"].values():
        for note, text in names.items():
            names[note] = opened(text) if isinstance(text, str) else [opened(t) for t in text]


def evaluate(model: Model, rows: Sequence[int], settings: JetSettings, planned_pa: Sequence[float]) -> HeadPoint:
    """Return what the blown model says of a head, at breaths about the planned ones.

    Notes that make no sound are NaN throughout.
    """
    count = len(rows)
    fixed, moving = np.full((count, 3), math.nan), np.full((count, 8, BREATH_RATIOS.size), math.nan)
    try:
        blown = blow(at_notes(build_network(model), rows), settings, points=20)
    except ComputeError:
        return HeadPoint(fixed, moving)
    if blown.reasons:
        return HeadPoint(fixed, moving)
    blown = find_jumps(blown)
    for i, note in enumerate(blown.notes):
        if math.isfinite(note.onset_pa):
            lowest = note.onset_pa if note.register == 1 else note.lowest_pa
            # Where a register ends at the edge of what is computed, its end is not known.
            fixed[i] = [_log(lowest), _log(note.highest_pa), _log(note.fall_back_pa)]
            moving[i] = _moving(blown, i, note, planned_pa[i] * BREATH_RATIOS)
    return HeadPoint(fixed, moving)


def _log(value: float) -> float:
    return math.log(value) if value > 0.0 and math.isfinite(value) else math.nan


def _moving(blown: Blown, i: int, note: NoteBreath, breaths: FloatArray) -> FloatArray:
    """Return pitch, its rise, attack, hiss, level, air and partials (rows) at breaths (columns)."""
    branch, law, modes = note.branch, blown.law, blown.modes[i]
    x = np.log(branch.pressures_pa)
    known = np.isfinite(branch.frequencies_hz)
    out = np.full((8, breaths.size), math.nan)
    if known.sum() < 4:
        return out
    pitch = PchipInterpolator(x[known], cents_above(branch.frequencies_hz[known], note.target_hz))
    velocity = PchipInterpolator(x[known], np.abs(branch.velocities[known, 1:4]))
    slope = pitch.derivative()
    quiet, turbulent = blown.settings.noise
    weights = np.empty(law.weights.shape[1])
    log_speeds, log_breaths = law.grid.log_speeds, np.log(law.pressures_pa)
    area = window_area_m2(blown.network.model.head)
    n = np.arange(1, 4)
    for k, breath in enumerate(breaths):
        at = math.log(breath)
        if not x[known][0] <= at <= x[known][-1]:
            continue
        hz = shifted(note.target_hz, float(pitch(at)))
        share = np.interp(2.0 * math.pi * hz * n, modes.table[:, 0], modes.radiation)
        # Pressure of partials 1 to 3 at 1 m.
        partials = blown.network.air.density * hz * n / 2.0 * area * share * 2.0 * velocity(at)
        levels = 10.0 * np.log10(np.maximum(0.5 * partials**2, 1e-30) / 4e-10)
        level = note.level_db_at(breath)
        log_speed = float(np.interp(at, log_breaths, log_speeds))
        speed = math.exp(log_speed)
        reynolds = float(np.interp(at, log_breaths, [f.reynolds for f in law.flows]))
        hiss = 20.0 * math.log10((quiet + float(turbulent_share(reynolds)) * (turbulent - quiet)) * speed**3)
        jet = jet_at(log_speed, law.grid, weights)
        rise = growth(2.0 * math.pi * hz, modes.table, jet, weights)
        flow = float(np.interp(at, log_breaths, [f.flow_l_per_min for f in law.flows]))
        out[:, k] = (
            float(pitch(at)), math.log(2.0) * float(slope(at)), math.log(_RISE / rise) if rise > 0.0 else math.nan,
            hiss - level, level, math.log(flow), levels[1] - levels[0], levels[2] - levels[0],
        )  # fmt: skip
    return out


def nuisances_of(model: Model) -> tuple[tuple[Nuisance, dict[str, float]], ...]:
    """Return what else may differ with its change: one sigma of a careful shop (docs/trade/tolerances.md#sizes)."""
    head = model.head
    scale = head.windway.exit_height_mm / 0.9
    head_sizes = {
        "windway height": ({"head.windway.exit_height_mm": 0.015, "head.windway.entry_height_mm": 0.015}, 1.0),
        "windway entry": ({"head.windway.entry_height_mm": 0.02}, 1.0),
        "windway width": ({"head.windway.width_mm": -0.05}, 1.0),
        "edge offset": ({"head.edge_offset_mm": 0.015 * scale}, 1.0),
        "window length": ({"head.window_length_mm": 0.05}, 1.0),
        "window width": ({"head.window_width_mm": 0.08}, 1.0),
        "block depth": ({"head.block_depth_mm": -0.1}, 1.0),
        "upper chamfer": ({"head.upper_chamfer.length_mm": 0.05}, 1.0),
        "lower chamfer": ({"head.lower_chamfer.length_mm": 0.05}, 1.0),
        "broken edge": ({"head.broken_edge_mm": 0.02}, 1.0),
    }
    body = {
        "bore diameter": {"bore.diameter_mm": 0.03},
        "hole diameters": {"holes.diameter_mm": 0.05},
        "hole positions": {"holes.position_mm": 0.1},
        "foot end": {"length_mm": 0.15},
        "wall friction": {"bore.wall_loss_factor": 0.08},
    }
    found = [(Nuisance(k, "head", s), c) for k, (c, s) in head_sizes.items()]
    found += [(Nuisance(k, "body", 1.0), c) for k, c in body.items() if model.holes or not k.startswith("hole")]
    return tuple(found)


@dataclass(frozen=True, eq=False)
class Evaluations:
    """All evaluations of one model for the notes of a trial.

    Attributes
    ----------
    model : Model
    notes : tuple of (str, int)
        Names and registers.
    planned_pa : tuple of float
    base : HeadPoint
    waves : tuple of HeadPoint
        At `WAVE_NODES`.
    nuisances : tuple of (Nuisance, HeadPoint)
        Evaluated at one sigma.
    axes : mapping of str to (sizes, points)
        By name, sizes rising from 0, shape (sizes,), and the evaluation at each.
    """

    model: Model
    notes: tuple[tuple[str, int], ...]
    planned_pa: tuple[float, ...]
    base: HeadPoint
    waves: tuple[HeadPoint, ...]
    nuisances: tuple[tuple[Nuisance, HeadPoint], ...]
    axes: Mapping[str, tuple[FloatArray, tuple[HeadPoint, ...]]]

    @property
    def keys(self) -> tuple[tuple[str, int, str], ...]:
        """Return (note, register, quantity) of every entry, in order."""
        return tuple((n, r, q) for n, r in self.notes for q in MODELLED)


def evaluations_of(
    model: Model, notes: Sequence[tuple[str, int]], axes: Mapping[str, tuple[Mapping[str, float], float]], *,
    settings: JetSettings | None = None, folder: Path | None = None,
) -> Evaluations:  # fmt: skip
    """Return every evaluation that a diagnosis of this model's heads needs.

    Parameters
    ----------
    model : Model
    notes : sequence of (note, register)
    axes : mapping
        Name -> (change of the model's sizes for a deviation of 1, largest deviation); one point where the latter is
        a single step (negative: evaluated at that one size, its absolute value, only).
    settings : JetSettings, optional
    folder : Path, optional
        Where evaluations are kept between programs.

    Raises
    ------
    InputError
        A note is not the model's, or the head cannot sound.
    """
    said = json.dumps(
        [_source(), model.model_dump(mode="json"), list(notes), {k: [dict(c), m] for k, (c, m) in axes.items()},
         vars(settings or JetSettings())],
        sort_keys=True,
    )  # fmt: skip
    return _kept(hashlib.sha256(said.encode()).hexdigest(), _Order(model, tuple(notes), axes, settings, folder))


@lru_cache(maxsize=1)
def _source() -> str:
    """Return a hash of the program text that evaluations rest on: after any change they are made anew."""
    package = Path(__file__).parents[2]
    inside = (f for f in (package / "acoustics").rglob("*") if f.is_file() and "__pycache__" not in f.parts)
    files = sorted([*inside, package / "air.py", Path(__file__)])
    return hashlib.sha256(b"".join(f.read_bytes() for f in files)).hexdigest()


class _Order:
    """What to evaluate; equal to every other order, so that the cache goes by the hash of the content alone."""

    def __init__(
        self, model: Model, notes: tuple[tuple[str, int], ...], axes: Mapping[str, tuple[Mapping[str, float], float]],
        settings: JetSettings | None, folder: Path | None,
    ) -> None:  # fmt: skip
        self.model, self.notes, self.axes, self.settings, self.folder = model, notes, axes, settings, folder

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Order)

    def __hash__(self) -> int:
        return 0


@lru_cache(maxsize=16)
def _kept(name: str, order: _Order) -> Evaluations:
    model, settings = order.model, order.settings or JetSettings()
    network = build_network(model)
    rows = trial_rows(network, order.notes)
    part = at_notes(network, rows)
    from fluewright.acoustics.sounding import breath_plan

    planned = tuple(float(p) for p in breath_plan(part))
    jobs = _jobs(model, order.axes, settings)
    path = order.folder / f"voicing-{name[:32]}.npz" if order.folder is not None else None
    points = _read(path, len(jobs), len(rows))
    if points is None:
        points = [evaluate(m, rows, s, planned) if m is not None else _nothing(len(rows)) for m, s in jobs]
        _write(path, points)
    base, *others = points
    count = WAVE_NODES.size
    waves, others = tuple(others[:count]), others[count:]
    if not np.isfinite(base.fixed[:, 0]).any():
        raise InputError(f"{model.model.name}: no note of the trial sounds in the model; check its head's sizes")
    names = [n for n, _ in nuisances_of(model)]
    names = [Nuisance(k, "settings", s) for k, s in SETTING_SIGMAS.items()] + names
    nuisances = tuple(zip(names, others[: len(names)], strict=True))
    rest = iter(others[len(names) :])
    axes = {}
    for key, (_, most) in order.axes.items():
        sizes = _sizes(most)
        axes[key] = (np.concatenate([[0.0], sizes]), (base, *(next(rest) for _ in sizes)))
    return Evaluations(model, order.notes, planned, base, waves, nuisances, axes)


def _sizes(most: float) -> FloatArray:
    return np.array([-most]) if most < 0.0 else most * np.arange(1, _STEPS + 1) / _STEPS


def _jobs(
    model: Model, axes: Mapping[str, tuple[Mapping[str, float], float]], settings: JetSettings
) -> list[tuple[Model | None, JetSettings]]:
    jobs: list[tuple[Model | None, JetSettings]] = [(model, settings)]
    for node in WAVE_NODES:
        jobs.append((model, replace(settings, wave_speed=settings.wave_speed * (1.0 + node * WAVE_SIGMA))))
    for key, sigma in SETTING_SIGMAS.items():
        jobs.append((model, replace(settings, **{key: getattr(settings, key) * (1.0 + sigma)})))
    jobs += [(changed(model, c), settings) for _, c in nuisances_of(model)]
    for changes, most in axes.values():
        for size in _sizes(most):
            try:
                jobs.append((changed(model, {k: size * c for k, c in changes.items()}), settings))
            except ModelError:
                jobs.append((None, settings))  # cannot be made: nothing is known of it
    return jobs


def _nothing(count: int) -> HeadPoint:
    return HeadPoint(np.full((count, 3), math.nan), np.full((count, 8, BREATH_RATIOS.size), math.nan))


def _read(path: Path | None, jobs: int, notes: int) -> list[HeadPoint] | None:
    if path is None or not path.exists():
        return None
    try:
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as kept:
            fixed, moving = kept["fixed"], kept["moving"]
    except (OSError, ValueError, KeyError, EOFError, BadZipFile):
        return None  # damaged or half written: it is made anew
    if fixed.shape != (jobs, notes, 3) or moving.shape != (jobs, notes, 8, BREATH_RATIOS.size):
        return None
    return [HeadPoint(f, m) for f, m in zip(fixed, moving, strict=True)]


def _write(path: Path | None, points: Sequence[HeadPoint]) -> None:
    if path is None:
        return
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(".part.npz")
        np.savez(part, fixed=np.stack([p.fixed for p in points]), moving=np.stack([p.moving for p in points]))
        part.replace(path)
    except OSError:
        return  # a cache that cannot be written costs time only
