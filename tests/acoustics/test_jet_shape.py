"""The drawn jet against the equations that the sounding model reads: `jet_law`, `rayleigh_wave`, Schlichting's jet."""

import math
from itertools import pairwise

import numpy as np
import pytest

from fluewright.acoustics.jet import (
    JetSettings,
    breath_air,
    free_length_m,
    jet_law,
    jet_memory,
    jet_offset_m,
    wave_table,
    windway_flow,
)
from fluewright.acoustics.jet_shape import jet_shape
from fluewright.acoustics.kernels.jet import JetWay, travelled
from fluewright.acoustics.network import air_of
from fluewright.errors import InputError
from fluewright.instrument.parts import Chamfer
from fluewright.instrument.starting import load, starting_models

MODELS = sorted(starting_models())


def head_and_air(name, **changes):
    model = load(name)
    return model.head.model_copy(update=changes), *breath_air(model, air_of(model))


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("pressure", [60.0, 400.0, 3000.0])
def test_at_the_edge_it_is_the_jet_of_the_sounding_model(name, pressure):
    """Half width and offset at the edge, speed and free length are the kernels' row, laminar and turbulent."""
    head, rho, mu = head_and_air(name)
    law = jet_law(head, np.array([pressure]), rho, mu)
    shape = jet_shape(head, pressure, rho, mu, frequency_hz=600.0)
    assert shape.half_width_mm[-1] == pytest.approx(1e3 * law.jets[0, 0], rel=1e-12)
    assert head.edge_offset_mm - shape.centre_mm[-1] == pytest.approx(1e3 * law.jets[0, 1], abs=1e-12)
    assert shape.speed_m_s[0] == pytest.approx(law.speeds[0], rel=1e-12)
    assert shape.half_width_mm[0] == pytest.approx(1e3 * law.flows[0].half_width, rel=1e-12)
    assert shape.x_mm[-1] == pytest.approx(head.window_length_mm, abs=1e-12)
    assert shape.x_mm[-1] - shape.x_mm[0] == pytest.approx(1e3 * law.free_length_m, rel=1e-12)


def test_it_widens_as_schlichtings_jet_and_keeps_its_momentum():
    """Schlichting: b U**2 constant; b/b0 = (1 + s/x0)**(2/3) with x0 = U b**2/(6 nu)."""
    head, rho, mu = head_and_air("d5-cylinder")
    shape = jet_shape(head, 100.0, rho, mu)
    assert shape.reynolds < 2000.0
    momentum = shape.half_width_mm * shape.speed_m_s**2
    assert momentum == pytest.approx(np.full(momentum.size, momentum[0]), rel=1e-12)
    flow = windway_flow(head, 100.0, rho, mu)
    x0 = 1e3 * flow.jet_speed * flow.half_width**2 * rho / (6.0 * mu)
    way = shape.x_mm - shape.x_mm[0]
    assert shape.half_width_mm / shape.half_width_mm[0] == pytest.approx((1.0 + way / x0) ** (2.0 / 3.0), rel=1e-12)
    assert (shape.wave_mm == 0.0).all()


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("hz", [300.0, 900.0, 2500.0])
def test_the_wave_at_the_edge_is_the_kernels(name, hz):
    head, rho, mu = head_and_air(name)
    settings = JetSettings(growth=0.6, wave_speed=1.1)
    shape = jet_shape(head, 250.0, rho, mu, frequency_hz=hz, velocity_m_s=0.5, settings=settings)
    flow = windway_flow(head, 250.0, rho, mu)
    b, speed, length = flow.half_width, flow.jet_speed, free_length_m(head, settings)
    omega = 2.0 * math.pi * hz
    turbulent = min(max((flow.reynolds - 2000.0) / 2000.0, 0.0), 1.0)
    widening = length * 6.0 * (mu / rho + 0.25 * 0.03 * turbulent * speed * b) / (speed * b * b)
    phase, growth = travelled(
        omega * b / speed, JetWay(length / b, widening, speed * b * rho / mu, 1.1, 0.6), wave_table()
    )  # fmt: skip
    assert (shape.phase, shape.growth) == pytest.approx((phase, growth), rel=1e-12)
    size = math.cosh(growth) if growth > 0.0 else math.exp(growth)
    expected = 0.5 / omega * abs(1.0 - size * np.exp(-1j * phase))
    assert shape.wave_mm[-1] == pytest.approx(1e3 * expected, rel=1e-9)
    assert shape.swing_mm(0.0)[-1] == pytest.approx(1e3 * expected, rel=1e-9)
    # And the answer that the sounding model remembers is the same wave, within its least-squares fit.
    weights = jet_memory(JetWay(length / b, widening, speed * b * rho / mu, settings.wave_speed, settings.growth))
    shaken = omega * b / speed
    if 0.03 <= shaken <= 0.3:
        remembered = weights @ np.exp(-1j * shaken * 1.25 * np.arange(1, weights.size + 1))
        assert remembered == pytest.approx(size * np.exp(-1j * phase), rel=0.02)


def test_the_wave_is_held_at_the_slit_and_half_a_period_turns_it_over():
    head, rho, mu = head_and_air("f4-taper")
    shape = jet_shape(head, 200.0, rho, mu, frequency_hz=700.0)
    assert shape.wave_mm[0] == 0.0
    assert shape.swing_mm(0.5) == pytest.approx(-shape.swing_mm(0.0), abs=1e-12)
    assert shape.swing_mm(0.0)[-1] == pytest.approx(shape.half_width_mm[-1], rel=1e-12)
    turns = [shape.swing_mm(t)[-1] for t in np.linspace(0.0, 1.0, 41)]
    assert max(turns) == pytest.approx(turns[0], rel=1e-12)
    assert shape.velocity_m_s > 0.0


def test_the_centre_leaves_the_middle_only_by_unequal_chamfers():
    """The tilt: half the difference of the chamfers' depths, times the setting; outward where the upper is deeper."""
    level, rho, mu = head_and_air("d5-cylinder", upper_chamfer=Chamfer(), lower_chamfer=Chamfer())
    assert (jet_shape(level, 200.0, rho, mu).centre_mm == 0.0).all()
    assert jet_shape(level, 200.0, rho, mu).x_mm[0] == pytest.approx(0.0, abs=1e-12)
    deep, *_ = head_and_air(
        "d5-cylinder", upper_chamfer=Chamfer(length_mm=1.0, angle_deg=30.0), lower_chamfer=Chamfer()
    )
    shape = jet_shape(deep, 200.0, rho, mu, settings=JetSettings(tilt=0.8))
    assert shape.centre_mm[-1] == pytest.approx(0.8 * 0.5 * 0.5, rel=1e-12)
    assert shape.centre_mm[-1] == pytest.approx(deep.edge_offset_mm - 1e3 * jet_offset_m(deep, JetSettings(tilt=0.8)))
    assert all(a < b for a, b in pairwise(shape.centre_mm))
    assert shape.x_mm[0] == pytest.approx(-0.5 * math.cos(math.radians(30.0)))


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"pressure_pa": 0.2}, "Pa"), ({"frequency_hz": 0.0}, "frequency_hz"), ({"frequency_hz": math.nan}, "Hz"),
        ({"velocity_m_s": -1.0, "frequency_hz": 500.0}, "velocity_m_s"), ({"points": 1}, "points"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(changes, told):
    head, rho, mu = head_and_air("d5-cylinder")
    with pytest.raises(InputError, match=told):
        jet_shape(head, **{"pressure_pa": 200.0, "rho": rho, "mu": mu, **changes})
