"""Windway flow against its published equation, against limits of textbooks, and against our own solution of the
boundary-layer equations in the inlet of a flat channel.

Sources, all from memory: apparent friction Shah & London 1978 (parallel plates; boundary-layer limit 3.44/sqrt(x+) of
Shapiro, Siegel & Kline 1954; excess pressure 0.674); entrance length 0.011 D Re of Chen 1973 and 0.04 h Re_h of
Schlichting 1934; rectangular ducts Boussinesq's series; turbulent friction Beavers, Sparrow & Lloyd 1971, Blasius.
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.linalg import solve_banded
from scipy.optimize import brentq

from fluewright.acoustics.jet import entry_loss, windway_flow
from fluewright.acoustics.kernels.windway import (
    Channel,
    centre_ratio,
    channel_pressure,
    exit_speed,
    friction_reynolds,
)
from fluewright.instrument.parts import Head, Windway
from fluewright.instrument.starting import load

RHO, MU = 1.15, 1.85e-5


def head_with(**changes) -> Head:
    """Return a head with this windway: 50 mm long, 1 mm high, 12 mm wide unless told otherwise."""
    sizes = {"length_mm": 50.0, "width_mm": 12.0, "entry_height_mm": 1.0, "exit_height_mm": 1.0} | changes
    return load("d5-cylinder").head.model_copy(update={"windway": Windway(**sizes), "window_width_mm": 12.0})


def shah_and_london(x_plus):
    """Apparent f Re of parallel plates, developing flow (Shah & London 1978, from memory)."""
    root = 3.44 / math.sqrt(x_plus)
    return root + (24.0 + 0.674 / (4.0 * x_plus) - root) / (1.0 + 2.9e-5 / x_plus**2)


@pytest.mark.parametrize("pressure", [50.0, 100.0, 200.0, 500.0, 1000.0])
@pytest.mark.parametrize(("height", "loss"), [(1e-3, 0.05), (0.7e-3, 0.5)])
def test_a_flat_windway_by_its_equation(pressure, height, loss):
    """P = 1/2 rho U^2 (1 + K + 4 (l/D) f_app), D = 2 h (Shah & London 1978), solved for U by SciPy; 50 mm, no sides."""
    length = 0.05

    def left(u):
        reynolds = 2.0 * height * RHO * u / MU
        x_plus = length / (2.0 * height * reynolds)
        friction = 4.0 * length / (2.0 * height) * shah_and_london(x_plus) / reynolds
        return 0.5 * RHO * u**2 * (1.0 + loss + friction) - pressure

    speed = brentq(left, 1e-3, math.sqrt(2.0 * pressure / RHO), xtol=1e-14, rtol=1e-13)
    _, found, x_plus, reynolds = exit_speed(pressure, Channel(length, height, height, math.inf, loss), RHO, MU)
    assert reynolds < 4000.0
    assert found == pytest.approx(speed, rel=1e-9)
    assert reynolds == pytest.approx(2.0 * height * RHO * speed / MU, rel=1e-9)
    assert x_plus == pytest.approx(length / (2.0 * height * reynolds), rel=1e-9)
    assert friction_reynolds(x_plus, reynolds) == pytest.approx(shah_and_london(x_plus), rel=1e-12)


@pytest.mark.parametrize("pressure", [1.0, 30.0, 400.0, 3000.0, 20_000.0])
@pytest.mark.parametrize(("entry", "exit_"), [(1e-3, 1e-3), (1.4e-3, 0.6e-3), (0.8e-3, 1.1e-3)])
def test_the_speed_gives_its_pressure_back(pressure, entry, exit_):
    """Bernoulli and friction both ways: what the speed costs is the breath that was asked for (no source needed)."""
    _, speed, x_plus, reynolds = exit_speed(pressure, Channel(0.04, entry, exit_, 9e-3, 0.3), RHO, MU)
    assert channel_pressure(speed, Channel(0.04, entry, exit_, 9e-3, 0.3), RHO, MU) == pytest.approx(
        (pressure, speed, x_plus, reynolds), rel=1e-9
    )


def test_a_long_channel_is_a_laminar_resistance():
    """12 mu U l/h^2 (plane Poiseuille flow, any textbook); what is left over is kinetic and entry."""
    speed = 0.5
    dropped, _, x_plus, _ = channel_pressure(speed, Channel(5.0, 1e-3, 1e-3, math.inf, 0.0), RHO, MU)
    assert x_plus > 20.0
    assert dropped == pytest.approx(12.0 * MU * speed * 5.0 / 1e-6, rel=5e-4)
    assert exit_speed(dropped, Channel(5.0, 1e-3, 1e-3, math.inf, 0.0), RHO, MU).speed == pytest.approx(speed, rel=1e-9)


def test_a_short_channel_is_bernoulli():
    """sqrt(2 P/(rho (1 + K))): the share that friction takes falls with the square root of the length."""
    lost = []
    for length in (1e-4, 1e-6):
        speed = exit_speed(400.0, Channel(length, 1e-3, 1e-3, math.inf, 0.0), RHO, MU).speed
        lost.append(1.0 - speed / math.sqrt(2.0 * 400.0 / RHO))
    assert lost[1] == pytest.approx(lost[0] / 10.0, rel=0.03)
    assert lost[1] < 3e-3
    with_entry = exit_speed(400.0, Channel(1e-6, 1e-3, 1e-3, math.inf, 0.5), RHO, MU).speed
    assert with_entry == pytest.approx(math.sqrt(2.0 * 400.0 / (1.5 * RHO)), rel=3e-3)


def test_fully_developed_friction_is_24_over_re():
    """Fanning, on the hydraulic diameter 2 h; textbook."""
    assert friction_reynolds(1e4, 500.0) == pytest.approx(24.0, abs=1e-4)
    # The excess of the inlet is a constant pressure: (f_app Re - 24) 4 x+ -> 0.674 (Shah & London).
    assert (friction_reynolds(5.0, 500.0) - 24.0) * 20.0 == pytest.approx(0.674, abs=0.02)
    # Other computations of it, from memory: Schlichting 0.601, Bodoia & Osterle 0.676, Sparrow, Lin & Lundgren 0.686.
    assert 0.601 < (friction_reynolds(5.0, 500.0) - 24.0) * 20.0 < 0.686


def test_a_short_inlet_follows_the_flat_plate():
    """3.44/sqrt(x+), Shapiro, Siegel & Kline 1954: friction of two plates and the speeding up of the core between."""
    for x_plus in (1e-6, 1e-5):
        assert friction_reynolds(x_plus, 500.0) == pytest.approx(3.44 / math.sqrt(x_plus), rel=1e-3)


def inlet(places):
    """Return (f_app Re, centre over mean) at places x+ by marching Prandtl's equations from a flat entry.

    Lengths across in D = 2 h, along in D Re, speeds in the mean, pressure in rho U^2:
    u u_x + v u_y = -p_x + u_yy on half of the channel, its mass kept by p_x; implicit in x, twelve passes a step.
    """
    n = 240
    eta = np.linspace(0.0, 1.0, n)
    y = 0.25 * (1.0 - np.tanh(2.8 * (1.0 - eta)) / math.tanh(2.8))  # 0 at the wall, close there
    gap = np.diff(y)
    below, above = gap[:-1], gap[1:]
    weight = np.concatenate([[gap[0]], below + above, [gap[-1]]]) / 2.0
    xs = np.unique(np.concatenate([np.geomspace(1e-8, max(places), 450), places]))
    u = np.ones(n)
    u[0] = 0.0
    u *= 0.25 / (weight @ u)
    pressure, x, found = 0.0, 0.0, {}
    for to in xs:
        step, new = to - x, u.copy()
        for _ in range(12):
            cross = np.concatenate([[0.0], -np.cumsum(0.5 * ((new - u)[1:] + (new - u)[:-1]) * gap)]) / step
            band = np.zeros((3, n))
            inner = slice(1, n - 1)
            # Second order on the uneven grid, both derivatives.
            low = -cross[inner] * above / (below * (below + above)) - 2.0 / (below * (below + above))
            high = cross[inner] * below / (above * (below + above)) - 2.0 / (above * (below + above))
            band[1, inner] = new[inner] / step - low - high
            band[2, :-2], band[0, 2:] = low, high
            band[1, 0] = 1.0
            # In the middle by symmetry: v 0 for u_y = 0, u_yy = 2 (u_below - u)/gap^2.
            band[1, -1] = new[-1] / step + 2.0 / gap[-1] ** 2
            band[2, -2] = -2.0 / gap[-1] ** 2
            right = np.column_stack([new * u / step, np.ones(n)])
            right[0] = 0.0
            of_u, of_drop = solve_banded((1, 1), band, right).T
            drop = (0.25 - weight @ of_u) / (weight @ of_drop)
            new = of_u + drop * of_drop
        u, x, pressure = new, to, pressure + drop * step
        found[to] = (pressure / (2.0 * to), u[-1])
    return np.array([found[p] for p in places])


def test_the_developing_channel_against_the_boundary_layer_equations():
    """Our own march: apparent friction within 2.5 %, the centre line within 3 %, from x+ 1e-5 to 0.1.

    Largest: friction -2.2 % at x+ 0.011 (Shah gives 2.4 % for the formula, from memory), centre line +2.8 % at 0.001
    to 0.002, where it is 1.2 to 1.3. Windways of duct flutes at 40 to 800 Pa have x+ 0.06 to 0.003; from 0.005 on the
    centre line is within 1.2 %.
    """
    places = [1e-5, 1e-4, 3e-4, 1e-3, 2e-3, 5e-3, 0.011, 0.02, 0.05, 0.1]
    computed = inlet(places)
    ours = np.array([(friction_reynolds(p, 500.0), centre_ratio(p)) for p in places])
    # The march itself: its end is the developed flow with the excess that others found.
    assert computed[-1, 1] == pytest.approx(1.5, abs=2e-3)
    assert (computed[-1, 0] - 24.0) * 0.4 == pytest.approx(0.68, abs=0.02)
    assert ours[:, 0] == pytest.approx(computed[:, 0], rel=0.025)
    assert ours[:, 1] == pytest.approx(computed[:, 1], rel=0.03)
    usual = np.array(places) >= 0.005
    assert ours[usual, 1] == pytest.approx(computed[usual, 1], rel=0.0125)


def test_the_centre_line_ends_at_three_halves():
    """Plane Poiseuille flow; 1 % short of it at x+ = 0.011 (Chen 1973) or 0.01 (Schlichting: 0.04 h Re_h)."""
    assert centre_ratio(1.0) == pytest.approx(1.5, abs=1e-9)
    assert 0.988 * 1.5 < centre_ratio(0.011) < 0.993 * 1.5
    assert centre_ratio(0.009) < 0.99 * 1.5 < centre_ratio(0.013)


def test_the_centre_line_begins_as_the_flat_plate_leaves_it():
    """1/(1 - 2 d1/h), d1 = 1.72 sqrt(nu l/U) the displacement thickness (Blasius 1908; any textbook)."""
    for x_plus in (1e-7, 1e-5):
        displaced = 1.72 * 2.0 * math.sqrt(x_plus)  # d1/h, with x+ = nu l/(4 h^2 U)
        assert centre_ratio(x_plus) - 1.0 == pytest.approx(1.0 / (1.0 - 2.0 * displaced) - 1.0, rel=0.02)


@pytest.mark.parametrize("reynolds", [8000.0, 2e4, 5e4])
def test_turbulent_friction(reynolds):
    """0.1268 Re^-0.3; Blasius' 0.0791 Re^-0.25 of round pipes is within 10 % of it on the hydraulic diameter."""
    found = friction_reynolds(100.0, reynolds) / reynolds
    assert found == pytest.approx(0.1268 * reynolds**-0.3, rel=1e-9)
    assert found == pytest.approx(0.0791 * reynolds**-0.25, rel=0.1)


def test_turbulence_comes_in_without_a_jump():
    """Laminar up to Re 4000 of the hydraulic diameter, then turbulence sets in over as much again (no source)."""
    reynolds = np.linspace(3000.0, 12_000.0, 2001)
    friction = np.array([friction_reynolds(1.0, r) for r in reynolds])
    assert (friction[reynolds <= 4000.0] == friction[0]).all()
    assert (np.diff(friction) >= 0.0).all()
    assert np.diff(friction).max() < 0.15
    # A short channel stays laminar: its friction is the larger one.
    assert friction_reynolds(1e-4, 8000.0) == friction_reynolds(1e-4, 500.0)


@pytest.mark.parametrize("share", [0.05, 0.1, 0.2, 0.35])
def test_side_walls_against_the_series_of_a_rectangular_duct(share):
    """Boussinesq 1868: 1 - 192/pi^5 h/H sum tanh(n pi H/(2 h))/n^5; the program's 1 - 0.63 h/H is within 0.1 %."""
    n = np.arange(1, 60, 2)
    exact = 1.0 - 192.0 / math.pi**5 * share * np.sum(np.tanh(n * math.pi / (2.0 * share)) / n**5)
    narrow = channel_pressure(0.2, Channel(5.0, 1e-3, 1e-3, 1e-3 / share, 0.0), RHO, MU).pressure
    wide = channel_pressure(0.2, Channel(5.0, 1e-3, 1e-3, math.inf, 0.0), RHO, MU).pressure
    assert wide / narrow == pytest.approx(exact, rel=1e-3)


@pytest.mark.parametrize(("entry", "exit_"), [(1.5e-3, 0.8e-3), (2.0e-3, 0.5e-3), (0.7e-3, 1.0e-3)])
@pytest.mark.parametrize("speed", [0.5, 12.0])
def test_a_tapered_channel_by_integration(entry, exit_, speed):
    """Local friction 12 mu Q/h^3 and length dz/(D Re), integrated by scipy; kinetic term at the exit."""
    length, loss = 0.045, 0.3

    def height(z):
        return entry + (exit_ - entry) * z / length

    cubes, _ = quad(lambda z: height(z) ** -3, 0.0, length, epsrel=1e-11)
    along, _ = quad(lambda z: 1.0 / (2.0 * height(z)), 0.0, length, epsrel=1e-11)
    reynolds = 2.0 * exit_ * speed * RHO / MU
    x_plus = along / reynolds
    friction = 12.0 * MU * speed * exit_ * cubes * friction_reynolds(x_plus, reynolds) / 24.0
    kinetic = 0.5 * RHO * speed**2 * (1.0 + loss * (exit_ / entry) ** 2)
    found = channel_pressure(speed, Channel(length, entry, exit_, math.inf, loss), RHO, MU)
    assert found == pytest.approx((friction + kinetic, speed, x_plus, reynolds), rel=1e-9)


def test_a_hair_of_taper_is_no_taper():
    """The tapered formula divides by the taper; next to none it must go over into the straight one."""
    straight = channel_pressure(9.0, Channel(0.04, 1e-3, 1e-3, 9e-3, 0.2), RHO, MU)
    for taper in (1e-7, 1e-9, 1e-12):
        found = channel_pressure(9.0, Channel(0.04, 1e-3 + taper * 1e-3, 1e-3, 9e-3, 0.2), RHO, MU)
        assert found == pytest.approx(straight, rel=2e-4)


def test_the_entrys_loss():
    """0.5 sharp, 0.05 well rounded (any textbook); Idelchik (from memory): 0.20 at r/D 0.06, 0.09 at 0.12."""
    assert entry_loss(0.0, 1e-3) == pytest.approx(0.5)
    assert entry_loss(0.06 * 2e-3, 1e-3) == pytest.approx(0.20, abs=0.01)
    assert entry_loss(0.12 * 2e-3, 1e-3) == pytest.approx(0.09, abs=0.02)
    assert entry_loss(2e-3, 1e-3) == pytest.approx(0.05, abs=1e-3)


def test_a_heads_flow_is_its_channels():
    """500 Pa, side walls 1/(1 - 0.63/12) on friction; a flare of 2 mm leaves the entry's 0.05.

    Flow per minute, Reynolds number and the centre's speed by their definitions.
    """
    flow = windway_flow(head_with(entry_flare_mm=2.0), 500.0, RHO, MU)
    pressure, _, x_plus, _ = channel_pressure(flow.mean_speed, Channel(0.05, 1e-3, 1e-3, 12e-3, 0.05), RHO, MU)
    assert pressure == pytest.approx(500.0, rel=1e-4)
    free = exit_speed(500.0, Channel(0.05, 1e-3, 1e-3, math.inf, 0.05), RHO, MU).speed
    assert 0.97 * free < flow.mean_speed < free
    assert flow.jet_speed == pytest.approx(centre_ratio(x_plus) * flow.mean_speed, rel=1e-4)
    assert flow.flow_l_per_min == pytest.approx(flow.mean_speed * 12e-6 * 60_000.0, rel=1e-12)
    assert flow.reynolds == pytest.approx(flow.mean_speed * 1e-3 * RHO / MU, rel=1e-12)
    assert not flow.warnings


def test_the_jet_carries_the_channels_momentum():
    """(4/3) rho U_j^2 b of a sech^2 jet (Bickley 1937, from memory): 1.2 rho U^2 h behind a long channel, b = 0.4 h;
    0.75 h a short.
    """
    long = windway_flow(head_with(length_mm=150.0), 30.0, RHO, MU)
    assert long.half_width == pytest.approx(0.4e-3, rel=1e-3)
    assert 4.0 / 3.0 * long.jet_speed**2 * long.half_width == pytest.approx(1.2 * long.mean_speed**2 * 1e-3, rel=1e-3)
    short = windway_flow(head_with(length_mm=1.0, entry_flare_mm=3.0), 5000.0, RHO, MU)
    assert 0.65e-3 < short.half_width < 0.75e-3
    assert 0.9 < short.jet_speed / short.bernoulli_speed < 1.0


def test_a_windway_nearly_as_high_as_wide_is_warned_of():
    """Beyond h/H 0.35 the side walls' one term, above, is no longer good (Boussinesq's series)."""
    narrow = windway_flow(head_with(width_mm=2.5), 100.0, RHO, MU)
    assert [w.split(":")[0] for w in narrow.warnings] == ["windway"]
    assert "0.35" in narrow.warnings[0]
