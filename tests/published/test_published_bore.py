"""Rules for bores, warm breath and rows of holes on whole networks, against textbook forms integrated by SciPy.

Where a rule is our own derivation this is said. Sources beside each check.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from published_rules import lossless_rules, published_rules, tube_of
from scipy.integrate import quad, solve_ivp

from fluewright.acoustics.impedance import cutoff_of_row_hz, impedance_curve
from fluewright.acoustics.kernels.radiation import end_impedance
from fluewright.acoustics.network import build_network, gas_of
from fluewright.acoustics.resonance import resonances
from fluewright.air import REF_AIR, mixture_air, vapour_fraction
from fluewright.units import cents_above

RHO, C = REF_AIR.density, REF_AIR.sound_speed
A, L = 7e-3, 0.280
WINDOW = 3.0332173931 * A  # docs/physics/window.md#plain-window, the window of the tube as a length of bore


def even_tube(count=2):
    """Return the plain tube with its bore in `count` stations, the first far behind the block."""
    x = [-30.0, *np.linspace(0.0, 280.0, count)[1:]]
    return {"stations_mm": [[float(v), 14.0] for v in x], "outside_mm": [[-30.0, 20.0], [280.0, 20.0]]}


def standing_wave(omega):
    """Return (u**2, p**2 in the same energy, u**2 at x = 0, u**2 at the foot) of the lossless tube.

    rho S u**2 and S p**2/(rho c**2) are equal in their maxima, so both are taken as squares of cosine and sine.
    """
    k = omega / C
    at_window = math.atan(k * WINDOW)  # the window's length in series: p/(j Z0 U) = -tan
    return lambda x: math.cos(k * x + at_window) ** 2, lambda x: math.sin(k * x + at_window) ** 2


@pytest.mark.parametrize("mode", [0, 1, 2])
def test_small_changes_of_area_move_the_modes_of_a_network_as_rayleighs_rule_says(mode):
    """Rayleigh (Theory of Sound, 265): df/f = 1/2 int (dS/S)(ke - pe) dx / int ke dx; lossless tube, window and foot.

    Each station of a straight bore widens as a tent over its two neighbours; ke holds what moves in window and foot.
    """
    bore = even_tube(15)
    network = build_network(tube_of(bore=bore), air=REF_AIR, rules=lossless_rules())
    solved = resonances(network, sensitivities=True)
    omega = 2.0 * math.pi * solved.frequencies_hz[mode]
    ke, pe = standing_wave(omega)
    whole = quad(ke, 0.0, L, limit=200)[0] + WINDOW * ke(0.0) + 0.6133 * A * ke(L)
    places = [1e-3 * x for x, _ in bore["stations_mm"]]
    keys = [d.key for d in network.dimensions]
    for i in range(2, len(places) - 1):
        low, here, high = places[i - 1 : i + 2]

        def tent(x, low=low, here=here, high=high):
            return (ke(x) - pe(x)) * ((x - low) / (here - low) if x < here else (high - x) / (high - here))

        # dS/S is twice dr/r; a millimetre of diameter is half a millimetre of radius.
        rule = 0.5 * 2.0 * 0.5e-3 / A * (quad(tent, low, here)[0] + quad(tent, here, high)[0]) / whole
        ours = solved.by_dimension_cents[mode, keys.index(f"bore.stations_mm.{i + 1}.diameter")]
        assert ours * math.log(2.0) / 1200.0 == pytest.approx(rule, abs=2e-5)
        # The largest of them is some 1e-3 a millimetre, fifty times the tolerance.
    assert np.abs(solved.by_dimension_cents[mode]).max() > 5.0


def test_widening_at_a_velocity_antinode_raises_and_at_a_pressure_antinode_lowers():
    """Rayleigh's rule in words: mode 1 flows at both ends and presses in the middle."""
    network = build_network(tube_of(bore=even_tube(9)), air=REF_AIR, rules=published_rules())
    solved = resonances(network, sensitivities=True)
    keys = [d.key for d in network.dimensions]
    first = [solved.by_dimension_cents[0, keys.index(f"bore.stations_mm.{i}.diameter")] for i in range(2, 9)]
    assert first[3] < -5.0
    assert first[0] > 0.0
    assert first[-1] > 0.0


def test_the_loss_factor_flattens_a_whole_tube_as_it_does_a_wave():
    """Our rule, zeta on loss and phase (common practice, no source), with Kirchhoff's first order, C1/(sqrt2 r).

    On the tube the walls act on its 280 of 305 mm. 1.3 costs about 5 cents.
    """
    f = {}
    for zeta in (1.0, 1.3):
        bore = {"wall_loss_factor": zeta}
        network = build_network(tube_of(bore=bore), air=REF_AIR, rules=published_rules())
        f[zeta] = resonances(network)
    at = f[1.0].frequencies_hz[0]
    c1 = 1.0 + (REF_AIR.gamma - 1.0) / math.sqrt(REF_AIR.prandtl)
    x = c1 / (math.sqrt(2.0) * A * math.sqrt(RHO * 2.0 * math.pi * at / REF_AIR.viscosity))
    wave = cents_above(1.0 + x, 1.0 + 1.3 * x)
    share = L / (L + WINDOW + 0.6133 * A)
    assert cents_above(f[1.3].frequencies_hz[0], at) == pytest.approx(wave * share, abs=0.15)
    # The walls are most of the loss of the lowest note, and Q falls with them.
    assert 1.15 < f[1.0].quality[0] / f[1.3].quality[0] < 1.3


def test_a_curved_bore_in_cones_comes_nearer_with_the_square_of_the_slice():
    """A smooth profile in straight pieces: what is left out falls with the square of their length (any textbook)."""

    def first(slices):
        x = np.linspace(0.0, 280.0, slices + 1)
        d = 14.0 - 3.0 * (x / 280.0) ** 2
        bore = {
            "stations_mm": [[-30.0, 14.0], *([float(u), float(v)] for u, v in zip(x[1:], d[1:], strict=True))],
            "outside_mm": [[-30.0, 20.0], [280.0, 20.0]],
        }
        bore["stations_mm"].insert(1, [0.0, 14.0])
        return resonances(build_network(tube_of(bore=bore), air=REF_AIR, rules=lossless_rules())).frequencies_hz

    fine = first(224)
    errors = [np.abs(first(n) / fine - 1.0)[:2] for n in (7, 14, 28)]
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.1)
    assert errors[1] / errors[2] == pytest.approx(4.0, rel=0.1)


# ---- 1.6 warm breath -------------------------------------------------------------------------------------------

WARM, DECAY, ROOM = 8.0, 0.15, 24.0
COOL_AIR = replace(REF_AIR, temperature_c=ROOM, sound_speed=331.3 * math.sqrt(1.0 + ROOM / 273.15))


def warm_network(warmer, decay_mm=150.0, length=300.0):
    """Return a lossless tube, 24 C in the room, breath warmer by so much at the exit."""
    bore = {
        "stations_mm": [[-30.0, 14.0], [length, 14.0]],
        "outside_mm": [[-30.0, 20.0], [length, 20.0]],
    }
    conditions = {"temperature_c": ROOM, "breath_temperature_c": ROOM + warmer, "cooling_length_mm": decay_mm}
    model = tube_of(bore=bore, conditions=conditions)
    return build_network(model, air=COOL_AIR, rules=lossless_rules())


def tau(x):
    """Return T(x)/T_room: T = T_a + (T_w - T_a) exp(-x/l)."""
    return 1.0 + WARM / (273.15 + ROOM) * math.exp(-x / DECAY)


def test_travel_time_along_a_cooling_bore_is_that_of_a_ray():
    """Ray acoustics (any textbook): T_a 24, T_w 32, l 0.15, L 0.3 m, c as the root of T: L/c summed along the way.

    Read back from the network: the phase of the wave that the bore returns at 3 kHz is twice the travel time.
    """
    mean = 0.3 / quad(lambda x: 1.0 / (COOL_AIR.sound_speed * math.sqrt(tau(x))), 0.0, 0.3)[0]
    f_hz = 3000.0
    omega = 2.0 * math.pi * f_hz
    z = impedance_curve(warm_network(WARM), 0, np.array([f_hz])).bore[0]

    def local(x):
        return COOL_AIR.density / tau(x), COOL_AIR.sound_speed * math.sqrt(tau(x))

    def reflection(impedance, x):
        rho, c = local(x)
        z0 = rho * c / (math.pi * A * A)
        return (impedance - z0) / (impedance + z0)

    rho, c = local(0.3)
    end = end_impedance(omega, A, 10e-3, gas_of(REF_AIR)._replace(rho=rho, c=c), 0, 0.0).z
    turn = -np.angle(reflection(z, 0.0) / reflection(end, 0.3))
    whole = 2.0 * omega * 0.3 / mean
    turn += 2.0 * math.pi * round((whole - turn) / (2.0 * math.pi))
    assert 2.0 * omega * 0.3 / turn == pytest.approx(mean, rel=1e-4)
    # The room's air alone would be 2 m/s slower.
    assert 2.0 * omega * 0.3 / turn > COOL_AIR.sound_speed + 1.9


def test_a_cooling_bore_against_an_integrated_wave_equation():
    """Newton's law and compression with rho and c local, rho c**2 constant (any textbook), integrated by SciPy.

    Pieces of 20 mm with the temperature of their middles stand for the gradient, good to 2e-5: 0.03 cents.
    """
    network = warm_network(WARM)
    area = math.pi * A * A
    for f_hz in (150.0, 431.0, 1100.0, 2345.0):
        omega = 2.0 * math.pi * f_hz

        def slopes(x, state, omega=omega):
            p, u = state
            rho = COOL_AIR.density / tau(x)
            stiffness = COOL_AIR.density * COOL_AIR.sound_speed**2
            return [-1j * omega * rho / area * u, -1j * omega * area / stiffness * p]

        rho, c = COOL_AIR.density / tau(0.3), COOL_AIR.sound_speed * math.sqrt(tau(0.3))
        end = end_impedance(omega, A, 10e-3, gas_of(REF_AIR)._replace(rho=rho, c=c), 0, 0.0).z
        # Pressure in units of Z0, so that both entries of the state count alike.
        path = solve_ivp(
            lambda x, s: np.array(slopes(x, [s[0] * 2.68e6, s[1]])) / [2.68e6, 1.0],
            (0.3, 0.0), [end / 2.68e6, 1.0 + 0j], rtol=1e-10, atol=1e-12,
        )  # fmt: skip
        p, u = path.y[:, -1]
        exact, ours = p / u, impedance_curve(network, 0, np.array([f_hz])).bore[0] / 2.68e6
        # As the phase of the reflection, which has no poles: |dR| = 2 |dZ|/|Z + 1|**2, of 2 k L in all.
        phase = 2.0 * abs(ours - exact) / abs(exact + 1.0) ** 2
        assert phase / (2.0 * omega / COOL_AIR.sound_speed * 0.3) < 2e-5


@pytest.mark.parametrize("mode", [0, 1, 2])
def test_the_square_of_velocity_weights_the_temperature(mode):
    """Rayleigh's principle (derived in docs/physics/air.md#warm-breath): df/f = 1/2 int (dT/T) rho u^2 S dx / int rho
    u^2 S dx, ends included.
    """
    small = 0.05
    cool = resonances(warm_network(0.0)).frequencies_hz[mode]
    warm = resonances(warm_network(small)).frequencies_hz[mode]
    k = 2.0 * math.pi * cool / COOL_AIR.sound_speed
    shift = math.atan(k * WINDOW)
    rise = small / (273.15 + ROOM)

    def ke(x):
        return math.cos(k * x + shift) ** 2

    weighted = quad(lambda x: math.exp(-x / DECAY) * ke(x), 0.0, 0.3)[0]
    weighted += WINDOW * ke(0.0) + 0.6133 * A * math.exp(-0.3 / DECAY) * ke(0.3)
    whole = quad(ke, 0.0, 0.3)[0] + WINDOW * ke(0.0) + 0.6133 * A * ke(0.3)
    assert warm / cool - 1.0 == pytest.approx(0.5 * rise * weighted / whole, rel=2e-3)


def test_warm_breath_counts_at_the_ends_and_hardly_in_the_middle():
    """Rayleigh's principle: for mode 1 the two ends count; warmth that ends after a fifth of the bore gives over half
    as much as that after half of it, though it fills two fifths as much.
    """
    shift = [
        resonances(warm_network(1.0, decay)).frequencies_hz[0] / resonances(warm_network(0.0)).frequencies_hz[0] - 1.0
        for decay in (60.0, 150.0)
    ]
    assert 0.55 < shift[0] / shift[1] < 0.75


def test_carbon_dioxide_by_cramers_formula_beyond_its_range():
    """0.04 % to 4 % at 25 C saturated, -17.46 cents by Cramer, JASA 93, 2510 (1993), carried on.

    The program takes the ideal mixture there, -16.76 cents: 0.7 cents apart.
    """
    t, x_v, p = 25.0, vapour_fraction(25.0, relative_humidity=1.0), 101325.0

    def cramer(x_c):
        return (
            331.5024 + 0.603055 * t - 0.000528 * t**2
            + (51.471935 + 0.1495874 * t - 0.000782 * t**2) * x_v
            + (-1.82e-7 + 3.73e-8 * t - 2.93e-10 * t**2) * p
            + (-85.20931 - 0.228525 * t + 5.91e-5 * t**2) * x_c
            - 2.835149 * x_v**2 - 2.15e-13 * p**2 + 29.179762 * x_c**2 + 0.000486 * x_v * p * x_c
        )  # fmt: skip

    carried_on = cents_above(cramer(0.04), cramer(0.0004))
    ours = cents_above(*(mixture_air(t, co2_fraction=x).sound_speed for x in (0.04, 0.0004)))
    assert ours == pytest.approx(carried_on, abs=0.75)


# ---- 8.1 the loop ----------------------------------------------------------------------------------------------


def test_the_node_form_has_the_same_roots_to_second_order_in_the_losses():
    """A loop's two forms (any textbook): Im(1/Z_w + 1/Z_bore) = 0 as well as Im(Z_w + Z_bore) = 0.

    By a steady R they would be R/(2 X_w Q) apart, which is 4/Q**2 for the lowest note here; R itself rises.
    """
    network = build_network(tube_of(), air=REF_AIR, rules=published_rules())
    solved = resonances(network)
    for f, q in zip(solved.frequencies_hz, solved.quality, strict=True):
        at = impedance_curve(network, 0, np.array([f]))
        apart = (at.loop[0].real / (at.loop[0] - at.bore[0]).imag) / (2.0 * q)
        grid = f * (1.0 + apart * np.linspace(-1.0, 3.0, 41))
        curve = impedance_curve(network, 0, grid)
        node = (1.0 / (curve.loop - curve.bore) + 1.0 / curve.bore).imag
        order = np.argsort(node)
        assert np.interp(0.0, node[order], grid[order]) / f - 1.0 == pytest.approx(apart, rel=0.3)
        assert apart < 6.0 / q**2


# ---- 8.4 rows of holes -----------------------------------------------------------------------------------------


def test_cutoff_of_a_row_by_its_closed_forms():
    """Benade, JASA 32, 1591 (1960), from memory: 0.110 c (b/a)/sqrt(half the spacing t_e); and (c/2 pi)(b/a)/sqrt(s
    t_e).

    The exact root (1659 Hz) lies 0.2 % under the first and 2.5 % under the second, which holds for close holes.
    """
    a, b, t_e, s = 7.5e-3, 3.5e-3, 9e-3, 25e-3
    exact = cutoff_of_row_hz(a, b, t_e, s, 343.5)
    small = 343.5 / (2.0 * math.pi) * (b / a) / math.sqrt(s * t_e)
    assert exact == pytest.approx(0.110 * 343.5 * (b / a) / math.sqrt(0.5 * s * t_e), rel=0.0021)
    assert 0.97 * small < exact < 0.98 * small
    assert cutoff_of_row_hz(a, b, t_e, 1e-4, 343.5) == pytest.approx(small * math.sqrt(s / 1e-4), rel=2e-4)


def test_waves_pass_a_row_above_its_cutoff_and_not_below():
    """Floquet & Bloch on a duct with equal shunts (Benade 1960): cos q = cos(k s) + (b/a)^2 sin(k s)/(2 k t_e) is 1
    there.
    """
    a, b, t_e, s = 7.5e-3, 3.5e-3, 9e-3, 25e-3

    def cosine(f_hz):
        k = 2.0 * math.pi * f_hz / 343.5
        return math.cos(k * s) + (b / a) ** 2 * math.sin(k * s) / (2.0 * k * t_e)

    cutoff = cutoff_of_row_hz(a, b, t_e, s, 343.5)
    assert cosine(cutoff) == pytest.approx(1.0, abs=1e-12)
    assert cosine(0.9 * cutoff) > 1.0 > cosine(1.1 * cutoff)
