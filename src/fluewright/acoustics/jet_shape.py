"""Where the jet runs between windway exit and edge: centre line, half width, speed and its wave, to draw or to judge.

The same equations as `jet` and `kernels.jet`, kept for every place on the way instead of for the edge alone: viscosity
widens the jet, b = b0 (1 + s/x0)**(2/3), U = U0 (1 + s/x0)**(-1/3), so that its momentum b U**2 stays (Schlichting's
plane jet); the air that moves through the window with v exp(j w t) makes the wave
v/(j w) (1 - cosh(growth) exp(-j phase)) (Fletcher 1976, Fletcher & Thwaites 1979; from memory), growth and phase after
Rayleigh's equation (docs/physics/jet.md#waves). The theory is that of a small wave: a picture chooses how large to
show it.
"""

import math
from dataclasses import dataclass

import numpy as np

from fluewright.acoustics.jet import (
    JetSettings,
    WindwayFlow,
    free_length_m,
    jet_offset_m,
    jet_way,
    wave_table,
    windway_flow,
)
from fluewright.acoustics.kernels.jet import JetWay, travelled
from fluewright.arrays import ComplexArray, FloatArray
from fluewright.errors import InputError
from fluewright.instrument.parts import Head

__all__ = ["JetShape", "jet_shape"]


@dataclass(frozen=True)
class JetShape:
    """The jet at places from where it leaves the walls to the edge.

    Attributes
    ----------
    x_mm : array, shape (n,)
        From the windway's exit plane; begins above it where chamfers set the jet free earlier.
    centre_mm : array, shape (n,)
        Centre line over the middle of the windway's exit, positive outward. The equations know only its height at the
        edge (unequal chamfers tilt it); the line to there is drawn straight.
    half_width_mm : array, shape (n,)
        b of u = U sech(y/b)**2; at b the speed is 0.42 of the centre line's.
    speed_m_s : array, shape (n,)
        On the centre line.
    wave_mm : complex array, shape (n,)
        Deflection from the centre line: the real part of wave exp(j w t), t = 0 at the greatest deflection at the
        edge; zero where no frequency was given.
    pressure_pa, frequency_hz, velocity_m_s : float
        Blowing pressure, frequency (0: a steady jet), and amplitude of the air's velocity through the window that
        belongs to the wave.
    growth, phase : float
        Of the wave from the slit to the edge, nepers and rad; 0 for a steady jet.
    reynolds : float
        Of the windway's exit; above about 2000 the jet turns turbulent.
    """

    x_mm: FloatArray
    centre_mm: FloatArray
    half_width_mm: FloatArray
    speed_m_s: FloatArray
    wave_mm: ComplexArray
    pressure_pa: float
    frequency_hz: float
    velocity_m_s: float
    growth: float
    phase: float
    reynolds: float

    def swing_mm(self, turn: float) -> FloatArray:
        """Return the deflection, shape (n,), at a share of the period.

        0: farthest outward at the edge, 0.5: farthest inward.
        """
        return np.asarray((self.wave_mm * np.exp(2j * math.pi * turn)).real)


def jet_shape(
    head: Head, pressure_pa: float, rho: float, mu: float, *, frequency_hz: float | None = None,
    velocity_m_s: float | None = None, settings: JetSettings | None = None, points: int = 48,
) -> JetShape:  # fmt: skip
    """Return the jet of a head at one breath.

    Parameters
    ----------
    head : Head
    pressure_pa : float
        Blowing pressure, within `jet.BREATH_PA`.
    rho, mu : float
        Density, kg/m3, and viscosity, Pa s, of the breath (`jet.breath_air`).
    frequency_hz : float, optional
        Of the note; without it the jet is drawn steady.
    velocity_m_s : float, optional
        Amplitude of the air's velocity through the window; by default the one that swings the jet at the edge by its
        own half width there, a size to see the wave by and no forecast.
    settings : JetSettings, optional
    points : int
        Places along the jet, 2 to 500.

    Raises
    ------
    InputError
        The breath, the frequency, the velocity or the number of points lies outside its limits.

    References
    ----------
    .. [1] Half width and speed along the way: Schlichting's plane laminar jet; above Re 2000 the estimate of
       `jet.jet_law`.
    .. [2] Wave: Fletcher 1976, Fletcher & Thwaites 1979 (from memory); growth and phase: Rayleigh's equation,
       docs/physics/jet.md#waves, damped as `kernels.jet.travelled` says.
    """
    settings = settings or JetSettings()
    _check(frequency_hz, velocity_m_s, points)
    flow = windway_flow(head, pressure_pa, rho, mu)
    length = free_length_m(head, settings)
    way = jet_way(flow, length, rho, mu, settings)
    share = np.linspace(0.0, 1.0, points)
    stretch = 1.0 + share * way.widening
    half_width = flow.half_width * stretch ** (2.0 / 3.0)
    wave = np.zeros(points, dtype=np.complex128)
    growth, phase, velocity = 0.0, 0.0, 0.0
    if frequency_hz is not None:
        answer, phase, growth = _answer(way, flow, frequency_hz, share)
        at_edge = abs(answer[-1])
        velocity = float(half_width[-1] / max(at_edge, 1e-12)) if velocity_m_s is None else velocity_m_s
        wave = velocity * answer * (np.conj(answer[-1]) / at_edge if at_edge > 0.0 else 1.0)
    centre = head.edge_offset_mm - 1e3 * jet_offset_m(head, settings)
    return JetShape(
        x_mm=head.window_length_mm - 1e3 * length * (1.0 - share), centre_mm=centre * share,
        half_width_mm=1e3 * half_width, speed_m_s=flow.jet_speed * stretch ** (-1.0 / 3.0), wave_mm=1e3 * wave,
        pressure_pa=pressure_pa, frequency_hz=frequency_hz or 0.0, velocity_m_s=velocity, growth=growth, phase=phase,
        reynolds=flow.reynolds,
    )  # fmt: skip


def _check(frequency_hz: float | None, velocity_m_s: float | None, points: int) -> None:
    if frequency_hz is not None and not 1.0 <= frequency_hz <= 20_000.0:
        raise InputError(f"frequency_hz: {frequency_hz:g} Hz lies outside 1 to 20000 Hz; give the note's pitch in Hz.")
    if velocity_m_s is not None and not 0.0 <= velocity_m_s <= 100.0:
        raise InputError(
            f"velocity_m_s: {velocity_m_s:g} m/s lies outside 0 to 100 m/s; a loud note moves the window's air by a "
            "few m/s."
        )
    if not 2 <= points <= 500:
        raise InputError(f"points: {points} places are asked for; 2 to 500 can be computed.")


def _answer(
    way: JetWay, flow: WindwayFlow, frequency_hz: float, share: FloatArray
) -> tuple[ComplexArray, float, float]:
    """Return the jet's deflection by the window's velocity at shares of its way, s; phase and growth to the edge."""
    omega = 2.0 * math.pi * frequency_hz
    shaken = omega * flow.half_width / flow.jet_speed
    table = wave_table()
    so_far = np.array(
        [travelled(shaken, way._replace(length=s * way.length, widening=s * way.widening), table) for s in share]
    )
    # As the jet's memory has it: what shrinks shrinks as one wave.
    size = np.where(so_far[:, 1] > 0.0, np.cosh(so_far[:, 1]), np.exp(so_far[:, 1]))
    answer = (1.0 - size * np.exp(-1j * so_far[:, 0])) / (1j * omega)
    return answer, float(so_far[-1, 0]), float(so_far[-1, 1])
