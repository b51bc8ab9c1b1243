"""The air jet: from the breath through the windway to the edge, and how it answers the air that moves across it.

============  ===========================================================  ======
symbol        meaning                                                      unit
============  ===========================================================  ======
P             blowing pressure                                             Pa
h, H          height and width of the windway's exit                       m
U_j           speed on the jet's centre line at the exit                   m/s
b             half width of the jet, u = U_j sech(y/b)**2                  m
W             the jet's free length, from where it leaves the walls        m
Omega         w b/U_j, how fast it is shaken                               1
F             deflection at the edge over the window's acoustic velocity   s
============  ===========================================================  ======

The jet's sinuous waves follow Rayleigh's equation (docs/physics/jet.md#waves), slowly widened by viscosity along the
way (Schlichting's plane jet). What starts them: the whole jet is carried by the air that moves through the window, but
at the slit it is held, so that a wave of minus the air's displacement starts there (Fletcher 1976, Fletcher & Thwaites
1979; from memory): F = (1 - cosh(growth) exp(-j phase))/(j w). At a resonance this asks for half a wave between slit
and edge, as Coltman (1976; from memory) measured. The older lumped law, h/U exp(alpha W) v(t - tau), asks for a
quarter: `lumped_law` gives it for comparison.
"""

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import PchipInterpolator

from fluewright.acoustics.kernels.jet import Jet, JetGrid, JetWay, MemoryFit, WaveTable, memory
from fluewright.acoustics.kernels.windway import Channel, centre_ratio, exit_speed
from fluewright.air import Air
from fluewright.arrays import FloatArray
from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.instrument.parts import Head

__all__ = [
    "BREATH_PA",
    "JetLaw",
    "JetSettings",
    "WindwayFlow",
    "breath_air",
    "entry_loss",
    "free_length_m",
    "jet_law",
    "jet_memory",
    "jet_offset_m",
    "jet_way",
    "lumped_law",
    "rayleigh_wave",
    "silent_reasons",
    "turbulent_share",
    "wave_table",
    "window_area_m2",
    "windway_flow",
]


BREATH_PA = (1.0, 20_000.0)
"""Blowing pressures that can be asked for, Pa."""

# Omega, k_r b, -k_i b of Rayleigh's equation for u = sech(y)**2, the sinuous wave that grows in space; made by
# research/jet/rayleigh.py, equal to the table of docs/physics/jet.md#waves.
_RAYLEIGH = np.array(
    [
        (0.003, 0.01511, 0.02078), (0.005, 0.02217, 0.02927), (0.01, 0.03783, 0.04662), (0.02, 0.06586, 0.07422),
        (0.03, 0.09224, 0.09728), (0.05, 0.14341, 0.13599), (0.1, 0.27046, 0.20651), (0.15, 0.39667, 0.24903),
        (0.2, 0.51693, 0.26998), (0.25, 0.62798, 0.27617), (0.3, 0.72953, 0.27320), (0.35, 0.82265, 0.26476),
        (0.4, 0.90869, 0.25310), (0.5, 1.06422, 0.22499), (0.6, 1.20340, 0.19450), (0.7, 1.33089, 0.16388),
        (0.8, 1.44971, 0.13411), (0.9, 1.56190, 0.10562), (1.0, 1.66892, 0.07862), (1.1, 1.77181, 0.05318),
        (1.2, 1.87137, 0.02934), (1.25, 1.92010, 0.01801), (1.3, 1.96823, 0.00708),
    ]
)  # fmt: skip
_WAVE = PchipInterpolator(_RAYLEIGH[:, 0], _RAYLEIGH[:, 1])
_GROWTH = PchipInterpolator(_RAYLEIGH[:, 0], _RAYLEIGH[:, 2])
_SLOWEST, _FASTEST = _RAYLEIGH[0, 0], _RAYLEIGH[-1, 0]

NODES = 80
NODE_SPACING = 1.25  # in b/U_j


@dataclass(frozen=True)
class JetSettings:
    """What the jet's theory leaves uncertain; every figure is a setting that measured instruments may correct.

    Attributes
    ----------
    wave_speed : float
        Speed of the jet's waves over Rayleigh's; 1.3 makes it half the centre line's speed near the slit, as Nolle
        (1998; from memory) measured.
    growth : float
        Their growth over Rayleigh's inviscid one; 0.75 gives the 0.3 to 0.4 per slit height that was measured
        (de la Cuadra, Vergez & Fabre 2007; from memory).
    contraction : float
        Of the flow that separates at the window (vena contracta): p = -1/2 rho (v/contraction)**2 (Verge 1997).
    chamfer_share : float
        How much of a chamfer's length the jet already runs free: 1 where it leaves the wall at the chamfer's start.
    tilt : float
        Displacement of the jet's centre by unequal chamfers, in half differences of their depths; common practice,
        no source.
    noise : float
        Turbulent pressure at the edge over rho U_j**2/2, of a laminar jet's residue and of a turbulent one.
    """

    wave_speed: float = 1.3
    growth: float = 0.75
    contraction: float = 0.6
    chamfer_share: float = 1.0
    tilt: float = 0.5
    noise: tuple[float, float] = (0.002, 0.02)


@dataclass(frozen=True)
class WindwayFlow:
    """What one breath makes at the windway's exit.

    Attributes
    ----------
    pressure_pa, mean_speed, jet_speed : float
        Blowing pressure; mean and centre-line speed at the exit, m/s.
    bernoulli_speed : float
        sqrt(2 P/rho), m/s.
    reynolds : float
        Of the slit's height and mean speed; laminar below about 2000.
    flow_l_per_min : float
        Air used.
    half_width : float
        b, m: the jet's flux of momentum is the flow's.
    warnings : tuple of str
    """

    pressure_pa: float
    mean_speed: float
    jet_speed: float
    bernoulli_speed: float
    reynolds: float
    flow_l_per_min: float
    half_width: float
    warnings: tuple[str, ...] = ()


def breath_air(model: Model, air: Air) -> tuple[float, float]:
    """Return (rho, mu) of the air in the windway: the breath's temperature if the model has one, else the room's."""
    warm = model.conditions.breath_temperature_c
    if warm is None:
        return air.density, air.viscosity
    ratio = (warm + 273.15) / (air.temperature_c + 273.15)
    return air.density / ratio, air.viscosity * ratio**0.7


def entry_loss(flare_m: float, height_m: float) -> float:
    """Return the entry's loss coefficient: 0.5 sharp, 0.05 well rounded.

    Handbook values for rounded inlets (Idelchik: radius over hydraulic diameter 0.06 -> 0.20, 0.12 -> 0.09; from
    memory), here an exponential through them.
    """
    return 0.05 + 0.45 * math.exp(-flare_m / (0.055 * 2.0 * height_m))


def windway_flow(head: Head, pressure_pa: float, rho: float, mu: float) -> WindwayFlow:
    """Return the flow that a blowing pressure drives through a head's windway.

    Parameters
    ----------
    head : Head
    pressure_pa : float
        1 to 20000 Pa.
    rho, mu : float
        Density, kg/m3, and viscosity, Pa s, of the breath.

    Raises
    ------
    InputError
        The pressure lies outside `BREATH_PA`.

    References
    ----------
    .. [1] Developing channel flow: Shah & London 1978, docs/physics/jet.md#windway; see `kernels.windway`.
    """
    if not BREATH_PA[0] <= pressure_pa <= BREATH_PA[1]:
        raise InputError(
            f"breath: {pressure_pa:g} Pa lies outside {BREATH_PA[0]:g} to {BREATH_PA[1]:g} Pa, which is what breath "
            "or a bench blower gives; give the blowing pressure in Pa (10 mm of water are 98 Pa)."
        )
    windway = head.windway
    entry, exit_ = windway.entry_height_mm * 1e-3, windway.exit_height_mm * 1e-3
    channel = Channel(
        windway.length_mm * 1e-3, entry, exit_, windway.width_mm * 1e-3,
        entry_loss(windway.entry_flare_mm * 1e-3, entry),
    )  # fmt: skip
    _, speed, x_plus, _ = exit_speed(pressure_pa, channel, rho, mu)
    # No streamline gains on its way: the centre's speed stays below Bernoulli's, which the entry's loss and the
    # developing profile, taken from separate sources, can overstep by a few percent in a short windway.
    bernoulli = math.sqrt(2.0 * pressure_pa / rho)
    ratio = min(centre_ratio(x_plus), max(bernoulli / speed, 1.0))
    momentum = 1.0 + 0.2 * (ratio - 1.0) / 0.5
    reynolds = exit_ * speed * rho / mu
    warnings = []
    if exit_ > 0.35 * windway.width_mm * 1e-3:
        warnings.append(
            f"windway: exit {windway.exit_height_mm:g} mm high and {windway.width_mm:g} mm wide; the side walls' share "
            "(1 - 0.63 h/H) holds for slits up to 0.35 of their width."
        )
    return WindwayFlow(
        pressure_pa, speed, ratio * speed, bernoulli, reynolds,
        speed * exit_ * windway.width_mm * 1e-3 * 60_000.0, 0.75 * momentum * exit_ / ratio**2, tuple(warnings),
    )  # fmt: skip


def rayleigh_wave(shaken: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (k_r b, -k_i b) of the growing sinuous wave of a sech(y/b)**2 jet at Omega = w b/U, each of its shape.

    From 0.003 to 1.3 interpolated in solutions of Rayleigh's equation; straight on either side.
    """
    inside = np.clip(shaken, _SLOWEST, _FASTEST)
    wave, growth = _WAVE(inside), _GROWTH(inside)
    wave = np.where(shaken < _SLOWEST, wave * shaken / _SLOWEST, wave + 0.9557 * np.maximum(shaken - _FASTEST, 0.0))
    growth = np.where(
        shaken < _SLOWEST, growth * shaken / _SLOWEST, growth - 0.215 * np.maximum(shaken - _FASTEST, 0.0)
    )
    return wave, growth


@lru_cache(maxsize=1)
def wave_table() -> WaveTable:
    """Return Rayleigh's wave on an even grid of Omega from 0, fine enough for straight lines, for the kernels."""
    shaken = np.linspace(0.0, 4.0, 4001)
    return WaveTable(float(shaken[1]), *rayleigh_wave(shaken))


@lru_cache(maxsize=1)
def _memory_fit() -> MemoryFit:
    """Return the fit of the jet's memory to its answer."""
    shaken = np.concatenate(
        [np.linspace(0.02, 0.3, 57), np.linspace(0.31, 1.2, 60), np.linspace(1.22, math.pi / NODE_SPACING, 40)]
    )
    weight = np.where(shaken <= 0.3, 1.0 / (0.03 + shaken), np.where(shaken < 1.2, 1.0 / (0.1 + 2.0 * shaken), 0.1))
    taper = np.where(shaken < 1.2, 1.0, np.exp(-(((shaken - 1.2) / 0.4) ** 2)))
    turned = np.exp(-1j * np.outer(shaken, NODE_SPACING * np.arange(1, NODES + 1))) * weight[:, None]
    rows = np.vstack([turned.real, turned.imag, 1000.0 * np.ones((1, NODES)), 1e-3 * np.eye(NODES)])
    return MemoryFit(shaken, weight * taper, np.ascontiguousarray(np.linalg.pinv(rows).T))


def jet_memory(way: JetWay) -> FloatArray:
    """Return the weights of the jet's memory, shape (NODES,), summing to 1; node j is j + 1 spacings of b/U_j old.

    A least-squares fit to cosh(growth) exp(-j phase) for Omega 0.02 to 1.2, smooth above.
    """
    weights = np.empty(NODES)
    memory(way, wave_table(), _memory_fit(), weights)
    return weights


def turbulent_share(reynolds: ArrayLike) -> FloatArray:
    """Return how far the free jet turns turbulent on its way, 0 to 1, by the slit's Reynolds number; of its shape."""
    return np.asarray(np.interp(np.asarray(reynolds, dtype=np.float64), (2000.0, 4000.0), (0.0, 1.0)))


def jet_way(flow: WindwayFlow, length: float, rho: float, mu: float, settings: JetSettings) -> JetWay:
    """Return a jet's way over a free length, m, to the edge; rho, mu: of the breath, SI.

    A fully turbulent jet has 0.03 U b as viscosity (plane jet, from memory), of which a quarter is taken up to the
    edge: an estimate.
    """
    b, speed = flow.half_width, flow.jet_speed
    viscosity = mu / rho + 0.25 * 0.03 * float(turbulent_share(flow.reynolds)) * speed * b
    widening = length / (speed * b * b / (6.0 * viscosity))
    return JetWay(length / b, widening, speed * b * rho / mu, settings.wave_speed, settings.growth)


@dataclass(frozen=True)
class JetLaw:
    """A head's jet for every breath of a grid: what the kernels read, one row a breath.

    Attributes
    ----------
    pressures_pa, speeds : array, shape (n,)
        Breath and centre-line speed at the exit, m/s.
    jets : array, shape (n, 5)
        b and y0 at the edge (m), source C, loss L, spacing of the memory's nodes (s); see `kernels.jet.Jet`.
    weights : array, shape (n, nodes)
    flows : tuple of WindwayFlow
    free_length_m : float
    """

    pressures_pa: FloatArray
    speeds: FloatArray
    jets: FloatArray
    weights: FloatArray
    flows: tuple[WindwayFlow, ...]
    free_length_m: float

    @cached_property
    def grid(self) -> JetGrid:
        """Return the law as the kernels take it."""
        return JetGrid(np.log(self.speeds), self.jets, self.weights)


def window_area_m2(head: Head) -> float:
    """Return the area of the window that the block leaves open, m2."""
    return (head.window_length_mm - max(head.block_depth_mm, 0.0)) * head.window_width_mm * 1e-6


def jet_offset_m(head: Head, settings: JetSettings) -> float:
    """Return the edge's height over the jet's centre plane, m: as cut, less the tilt by unequal chamfers."""
    upper, lower = head.upper_chamfer, head.lower_chamfer
    deep = upper.length_mm * math.sin(math.radians(upper.angle_deg))
    deep -= lower.length_mm * math.sin(math.radians(lower.angle_deg))
    return (head.edge_offset_mm - settings.tilt * 0.5 * deep) * 1e-3


def free_length_m(head: Head, settings: JetSettings) -> float:
    """Return how far the jet runs free, m: window, the share of the chamfers, half of what the block stands back."""
    chamfers = sum(c.length_mm * math.cos(math.radians(c.angle_deg)) for c in (head.upper_chamfer, head.lower_chamfer))
    length = head.window_length_mm + 0.5 * settings.chamfer_share * chamfers
    return (length - 0.5 * head.block_depth_mm) * 1e-3


def silent_reasons(head: Head) -> tuple[str, ...]:
    """Return why a head cannot sound at any breath; empty when nothing speaks against it."""
    reasons = []
    height = head.windway.exit_height_mm
    if height < 0.15:
        reasons.append(
            f"will not sound: head.windway.exit_height_mm is {height:g} mm, the windway is as good as closed; 0.6 to "
            "1.5 mm are usual."
        )
    if head.block_depth_mm >= 0.9 * head.window_length_mm:
        reasons.append(
            f"will not sound: head.block_depth_mm is {head.block_depth_mm:g} mm, the block covers the window of "
            f"{head.window_length_mm:g} mm; draw it back to within 0.3 mm of the exit plane."
        )
    away = abs(head.edge_offset_mm)
    if away > 1.5 * height:
        reasons.append(
            f"will not sound: head.edge_offset_mm is {head.edge_offset_mm:g} mm, the edge lies outside the jet of "
            f"{height:g} mm; bring it to within {0.6 * height:.2g} mm of the windway's centre line."
        )
    return tuple(reasons)


def jet_law(head: Head, pressures_pa: FloatArray, rho: float, mu: float, settings: JetSettings | None = None) -> JetLaw:
    """Return a head's jet at the given breaths.

    Parameters
    ----------
    head : Head
    pressures_pa : array, shape (n,)
        Rising, within `BREATH_PA`.
    rho, mu : float
        Of the breath, SI.

    Raises
    ------
    InputError
        A pressure lies outside `BREATH_PA`.

    References
    ----------
    .. [1] Source of two opposed injections, delta_d = 4/pi sqrt(2 h W): Verge et al. 1997,
       docs/physics/jet.md#source.
    """
    settings = settings or JetSettings()
    window = (head.window_length_mm - max(head.block_depth_mm, 0.0)) * 1e-3
    length = free_length_m(head, settings)
    height = head.windway.exit_height_mm * 1e-3
    width = min(head.windway.width_mm, head.window_width_mm) * 1e-3
    share = width / (head.window_width_mm * 1e-3)
    apart = 4.0 / math.pi * math.sqrt(2.0 * height * window)
    offset = jet_offset_m(head, settings)
    flows = tuple(windway_flow(head, float(p), rho, mu) for p in pressures_pa)
    jets = np.empty((len(flows), 5))
    weights = np.empty((len(flows), NODES))
    for i, flow in enumerate(flows):
        b, speed = flow.half_width, flow.jet_speed
        way = jet_way(flow, length, rho, mu, settings)
        stretch = 1.0 + way.widening
        edge_b = b * stretch ** (2.0 / 3.0)
        flux = b * speed * stretch ** (1.0 / 3.0)
        jets[i] = (
            edge_b, offset, share * rho * apart * flux / window, 0.5 * rho / settings.contraction**2,
            NODE_SPACING * b / speed,
        )  # fmt: skip
        weights[i] = jet_memory(way)
    return JetLaw(
        np.asarray(pressures_pa, dtype=float), np.array([f.jet_speed for f in flows]), jets, weights, flows, length
    )


def lumped_law(
    speed: float, height: float, window: float, offset: float, rho: float, *, growth: float = 0.4,
    wave_speed: float = 0.4, contraction: float = 0.6,
) -> tuple[Jet, FloatArray]:  # fmt: skip
    """Return (jet, its one weight, shape (1,)) of the lumped model, for comparisons: constant growth and wave speed.

    speed: of the jet, m/s; height, window, offset: of slit, window, edge, m; growth in 1/height; wave_speed in speed.

    References
    ----------
    .. [1] Verge et al. 1997; Auvray, Fabre & Lagree 2012; docs/physics/jet.md#lumped-law, b = 0.4 h.
    """
    b = 0.4 * height
    apart = 4.0 / math.pi * math.sqrt(2.0 * height * window)
    jet = Jet(b, offset, rho * apart * b * speed / window, 0.5 * rho / contraction**2, window / (wave_speed * speed))
    return jet, np.array([height / speed * math.exp(growth / height * window)])
