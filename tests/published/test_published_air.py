"""Air against published formulas evaluated elsewhere, and against CoolProp's equations of state."""

import math

import pytest
from CoolProp.CoolProp import PT_INPUTS, AbstractState, HAPropsSI, PropsSI, iphase_gas
from scipy.integrate import quad

from fluewright.air import compressibility, mixture_air, moist_air, saturation_pressure, vapour_fraction


def cents(upper: float, lower: float) -> float:
    return 1200.0 * math.log2(upper / lower)


def test_water_vapour_and_density_after_cipm_2007():
    """Picard, Davis, Glaeser & Fujii, Metrologia 45, 149 (2008); Z coefficients and molar masses from memory.

    Digits: their equations evaluated by other code, so half a unit of the last place.
    """
    assert saturation_pressure(20.0) == pytest.approx(2339.163230, abs=5e-7)
    assert vapour_fraction(20.0, relative_humidity=0.5) == pytest.approx(0.01158934, abs=5.1e-9)
    assert compressibility(20.0, relative_humidity=0.5) == pytest.approx(0.999614768, abs=5.1e-10)
    assert moist_air(20.0, relative_humidity=0.0).density == pytest.approx(1.20455734, abs=5.1e-9)
    assert moist_air(20.0).density == pytest.approx(1.19931390, abs=5.1e-9)
    assert moist_air(25.0).density == pytest.approx(1.17731537, abs=5.1e-9)


@pytest.mark.parametrize(
    ("t", "h", "x_c", "speed"),
    [
        (0.0, 0.0, 3.14e-4, 331.454999),
        (20.0, 0.0, 4e-4, 343.359467),
        (20.0, 0.5, 4e-4, 343.986887),
        (25.0, 0.5, 4e-4, 347.126821),
    ],
)
def test_speed_of_sound_after_cramer(t, h, x_c, speed):
    """Cramer, JASA 93, 2510 (1993); coefficients as in two independent public implementations."""
    air = moist_air(t, relative_humidity=h, co2_fraction=x_c)
    assert air.sound_speed == pytest.approx(speed, abs=6e-7)


def test_ratio_of_specific_heats_after_cramer():
    """Cramer (1993), coefficients from memory."""
    assert moist_air(20.0).gamma == pytest.approx(1.4010990, abs=5.1e-8)


def test_what_weather_does_to_pitch():
    """Slopes of Cramer (1993), cents, to the two decimals stated."""

    def speed(t, h=0.5, p=101325.0):
        return moist_air(t, relative_humidity=h, pressure_pa=p).sound_speed

    assert cents(speed(20.5), speed(19.5)) == pytest.approx(3.14, abs=0.005)
    assert cents(speed(20.0, 1.0), speed(20.0, 0.0)) == pytest.approx(6.31, abs=0.005)
    assert cents(speed(30.0, 1.0), speed(30.0, 0.0)) == pytest.approx(11.47, abs=0.005)
    assert cents(speed(20.0, p=85000.0), speed(20.0)) == pytest.approx(0.57, abs=0.005)


def gas_of(t, h, x_c):
    """Return CoolProp's state of the breath: five gases by their own equations of state, mixed after GERG-2008."""
    x_v = vapour_fraction(t, relative_humidity=h)
    # Oxygen has made way for the carbon dioxide, at a respiratory quotient of 0.85 (from memory).
    dry = [0.78084, 0.20946 - (x_c - 0.0004) / 0.85, 0.00934, x_c]
    state = AbstractState("HEOS", "Nitrogen&Oxygen&Argon&CarbonDioxide&Water")
    state.set_mole_fractions([*(v * (1.0 - x_v) / sum(dry) for v in dry), x_v])
    state.specify_phase(iphase_gas)
    state.update(PT_INPUTS, 101325.0, t + 273.15)
    return state


@pytest.mark.parametrize(
    ("t", "h", "x_c"),
    [(20.0, 0.5, 0.0004), (20.0, 1.0, 0.04), (27.0, 1.0, 0.025), (30.0, 1.0, 0.03), (34.0, 1.0, 0.045)],
)
def test_breath_against_coolprops_mixture(t, h, x_c):
    """CoolProp's mixture (GERG-2008, Kunz & Wagner 2012; from memory) at breath's carbon dioxide, which Cramer lacks.

    Speed within half a cent, density within 6e-4: ours is an ideal gas.
    """
    air, gas = mixture_air(t, relative_humidity=h, co2_fraction=x_c), gas_of(t, h, x_c)
    assert air.sound_speed == pytest.approx(gas.speed_sound(), rel=3e-4)
    assert air.density == pytest.approx(gas.rhomass(), rel=6e-4)
    assert air.gamma == pytest.approx(gas.cpmass() / gas.cvmass(), rel=1.6e-3)


def test_carbon_dioxide_alone_in_saturated_air():
    """0.04 % to 4 % at 25 C by CoolProp's mixture: 17 cents flat, "less than a fifth of a semitone" (Pergler, web)."""
    rich, poor = (mixture_air(25.0, co2_fraction=x_c).sound_speed for x_c in (0.04, 0.0004))
    theirs = cents(*(gas_of(25.0, 1.0, x_c).speed_sound() for x_c in (0.04, 0.0004)))
    assert cents(rich, poor) == pytest.approx(theirs, abs=0.15)
    assert -20.0 < cents(rich, poor) < -10.0


def test_the_standard_atmosphere_at_sea_level():
    """ISO 2533:1975 and US Standard Atmosphere 1976, table of properties (from memory): dry, 15 C, 101325 Pa.

    1.2250 kg/m3, 340.294 m/s, 1.7894e-5 Pa s, 2.5326e-2 W/(m K), ratio of heats 1.4 by convention: theirs is an ideal
    gas, hence 6e-4 of density and 5e-4 of speed.
    """
    air = moist_air(15.0, relative_humidity=0.0, co2_fraction=0.000314)
    assert air.density == pytest.approx(1.2250, rel=6e-4)
    assert air.sound_speed == pytest.approx(340.294, rel=5e-4)
    assert air.viscosity == pytest.approx(1.7894e-5, rel=1e-4)
    assert air.gamma == pytest.approx(1.4, rel=2e-3)
    heat_capacity = air.gamma * 8.314462618 / ((air.gamma - 1.0) * 28.9644e-3)
    assert air.viscosity * heat_capacity / air.prandtl == pytest.approx(2.5326e-2, rel=2e-4)


@pytest.mark.parametrize("t", [0.02, 10.0, 20.0, 30.0, 37.0, 50.0])
def test_vapour_pressure_of_water_against_coolprop(t):
    """CoolProp's water, IAPWS-95: 611.7 Pa at the triple point, 2339 at 20 C, 6282 at 37 C; within a thousandth."""
    assert saturation_pressure(t) == pytest.approx(PropsSI("P", "T", t + 273.15, "Q", 0, "Water"), rel=1e-3)


def test_transport_after_the_standard_atmosphere():
    """US Standard Atmosphere 1976, from memory; the conductivity is read back from the Prandtl number."""
    air = moist_air(20.0)
    assert air.viscosity == pytest.approx(1.81340588e-5, rel=3e-9)
    assert air.prandtl == pytest.approx(0.710, abs=5e-4)
    molar_mass = 28.96546e-3 + vapour_fraction(20.0) * (18.01528e-3 - 28.96546e-3)
    heat_capacity = air.gamma * 8.314462618 / ((air.gamma - 1.0) * molar_mass)
    assert air.viscosity * heat_capacity / air.prandtl == pytest.approx(2.57179679e-2, rel=3e-9)


@pytest.mark.parametrize("d", [-10.0, -5.0, 0.0, 3.0])
def test_linear_air_after_keefe(d):
    """Keefe, JASA 75, 58 (1984), from memory: straight lines for dry air within 10 K of 26.85 C."""
    air = moist_air(26.85 + d, relative_humidity=0.0)
    assert air.density == pytest.approx(1.1769 * (1.0 - 0.00335 * d), rel=1.2e-3)
    assert air.viscosity == pytest.approx(1.846e-5 * (1.0 + 0.0025 * d), rel=1e-3)
    assert air.gamma == pytest.approx(1.4017 * (1.0 - 2e-5 * d), rel=3e-4)
    assert math.sqrt(air.prandtl) == pytest.approx(0.841 * (1.0 - 2e-4 * d), rel=3e-3)
    assert air.sound_speed == pytest.approx(347.23 * (1.0 + 0.00166 * d), rel=4e-4)


def test_travel_time_along_a_cooling_bore():
    """Breath cooling from 32 towards 24 C over 0.3 m, decay 0.15 m; mean of 331.3 sqrt(1 + t/273.15) m/s (textbook).

    The square root keeps gamma fixed, the mixture's moves with temperature; hence 4e-4.
    """

    def there(x):
        return 24.0 + 8.0 * math.exp(-x / 0.15)

    def slowness(x):
        return 1.0 / mixture_air(there(x), relative_humidity=0.0, co2_fraction=0.0004).sound_speed

    textbook = quad(lambda x: 1.0 / (331.3 * math.sqrt(1.0 + there(x) / 273.15)), 0.0, 0.3)[0]
    assert quad(slowness, 0.0, 0.3)[0] == pytest.approx(textbook, rel=4e-4)


@pytest.mark.parametrize("p", [75e3, 90e3, 101325.0])
@pytest.mark.parametrize("h", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("t", [0.5, 10.0, 20.0, 30.0])
def test_room_air_against_coolprop(t, h, p):
    """CoolProp's humid air: virial equation of ASHRAE RP-1485 (from memory), with coefficients of its own."""
    state = ("T", t + 273.15, "P", p, "R", h)
    air = moist_air(t, relative_humidity=h, pressure_pa=p)
    assert air.density * HAPropsSI("Vha", *state) == pytest.approx(1.0, abs=5e-5)
    # Largest difference seen 1.1e-4; 1.2e-4 is 0.2 cents.
    assert air.sound_speed / HAPropsSI("speed_of_sound", *state) == pytest.approx(1.0, abs=1.2e-4)
    # We leave the vapour out of the viscosity: half a percent dry, then 1 % per 3 % of vapour.
    slack = 5e-3 + 0.3 * vapour_fraction(t, relative_humidity=h, pressure_pa=p)
    assert air.viscosity / HAPropsSI("M", *state) == pytest.approx(1.0, abs=slack)


@pytest.mark.parametrize("p", [50e3, 120e3])
def test_pressures_beyond_the_ranges_keep_what_their_warnings_promise(p):
    """CoolProp again: 0.1 % of density, 1 cent of pitch."""
    for t in (0.5, 20.0, 30.0):
        for h in (0.0, 0.9):
            state = ("T", t + 273.15, "P", p, "R", h)
            air = moist_air(t, relative_humidity=h, pressure_pa=p)
            assert len(air.warnings) >= 1 or vapour_fraction(t, relative_humidity=h, pressure_pa=p) > 0.06
            assert air.density * HAPropsSI("Vha", *state) == pytest.approx(1.0, abs=1e-3)
            assert abs(cents(air.sound_speed, HAPropsSI("speed_of_sound", *state))) < 1.0


@pytest.mark.parametrize("h", [0.5, 1.0])
def test_air_as_warm_as_breath_against_coolprop(h):
    """CoolProp at 37 C, without the carbon dioxide of breath: our ideal gas lacks Z, 0.05 % of density."""
    state = ("T", 310.15, "P", 101325.0, "R", h)
    air = mixture_air(37.0, relative_humidity=h, co2_fraction=0.0004)
    assert air.density * HAPropsSI("Vha", *state) == pytest.approx(1.0, abs=6e-4)
    assert air.sound_speed / HAPropsSI("speed_of_sound", *state) == pytest.approx(1.0, abs=4e-4)
    assert air.viscosity / HAPropsSI("M", *state) == pytest.approx(1.0, abs=2e-2)
