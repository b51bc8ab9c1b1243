import math
from dataclasses import FrozenInstanceError, asdict

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.air import (
    REF_AIR,
    Air,
    compressibility,
    mixture_air,
    moist_air,
    saturation_pressure,
    vapour_fraction,
)
from fluewright.errors import FluewrightError, InputError

temperatures = st.floats(-20.0, 60.0)
fractions = st.floats(0.0, 1.0)
pressures = st.floats(50e3, 120e3)
carbon = st.floats(0.0, 0.1)


def cents(upper: float, lower: float) -> float:
    return 1200.0 * math.log2(upper / lower)


def test_reference_air_is_the_agreed_round_numbers():
    assert (REF_AIR.density, REF_AIR.sound_speed, REF_AIR.viscosity) == (1.2, 343.5, 1.82e-5)
    assert (REF_AIR.gamma, REF_AIR.prandtl, REF_AIR.warnings) == (1.4015, 0.71, ())


def test_air_cannot_be_changed_and_remembers_its_state():
    air = moist_air(21, relative_humidity=0.4, co2_fraction=0.001, pressure_pa=98e3)
    with pytest.raises(FrozenInstanceError):
        air.density = 1.0  # type: ignore[misc]
    assert (air.temperature_c, air.relative_humidity, air.co2_fraction) == (21.0, 0.4, 0.001)
    assert air.pressure_pa == 98e3


def test_numbers_of_numpy_are_numbers():
    assert moist_air(np.float64(20)) == moist_air(20)


@given(temperatures, fractions, carbon, pressures)
def test_every_allowed_state_gives_finite_sane_air(t, h, x_c, p):
    for air in (
        moist_air(t, relative_humidity=h, co2_fraction=x_c, pressure_pa=p),
        mixture_air(t, relative_humidity=h, co2_fraction=x_c, pressure_pa=p),
    ):
        assert all(math.isfinite(v) for k, v in asdict(air).items() if k != "warnings")
        assert 0.4 < air.density < 1.8
        assert 300.0 < air.sound_speed < 400.0
        assert 1.5e-5 < air.viscosity < 2.1e-5
        assert 1.3 < air.gamma < 1.42
        assert 0.68 < air.prandtl < 0.85


@given(temperatures, fractions, carbon, pressures)
def test_a_mixture_obeys_the_ideal_gas_exactly(t, h, x_c, p):
    air = mixture_air(t, relative_humidity=h, co2_fraction=x_c, pressure_pa=p)
    assert air.density * air.sound_speed**2 == pytest.approx(air.gamma * p, rel=1e-13)


@given(st.floats(0.0, 30.0), fractions, st.floats(0.0, 0.01), st.floats(75e3, 102e3))
def test_both_descriptions_agree_over_their_common_range(t, h, x_c, p):
    """The jump where one gives way to the other: 0.04 % of speed of sound, as the module says."""
    room = moist_air(t, relative_humidity=h, co2_fraction=x_c, pressure_pa=p)
    ideal = mixture_air(t, relative_humidity=h, co2_fraction=x_c, pressure_pa=p)
    assert ideal.sound_speed == pytest.approx(room.sound_speed, rel=4.0e-4)
    assert ideal.density == pytest.approx(room.density, rel=1.0e-3)
    assert ideal.gamma == pytest.approx(room.gamma, rel=2.0e-3)
    # Cramer's speed against his gamma and CIPM's density: two independent fits of the same gas.
    assert math.sqrt(room.gamma * p / room.density) == pytest.approx(room.sound_speed, rel=4.5e-4)


@pytest.mark.parametrize(
    ("room", "breath"),
    [
        ({"temperature_c": 30.0}, {"temperature_c": 30.0 + 1e-6}),
        ({"temperature_c": 0.0}, {"temperature_c": -1e-6}),
        ({"temperature_c": 22.0, "co2_fraction": 0.01}, {"temperature_c": 22.0, "co2_fraction": 0.01 + 1e-9}),
    ],
)
def test_the_change_of_description_is_a_small_jump_and_a_real_one(room, breath):
    jump = abs(cents(moist_air(**breath).sound_speed, moist_air(**room).sound_speed))
    assert 0.001 < jump < 0.7


def test_breath_and_heat_go_to_the_mixture():
    breath = {"relative_humidity": 1.0, "co2_fraction": 0.04}
    assert moist_air(34, **breath) == mixture_air(34, **breath)
    assert moist_air(20, **breath) == mixture_air(20, **breath)
    assert moist_air(35) == mixture_air(35, relative_humidity=0.5, co2_fraction=0.0004)
    assert moist_air(25) != mixture_air(25, relative_humidity=0.5, co2_fraction=0.0004)


@given(st.floats(-20.0, 59.0), fractions)
def test_warmer_is_faster_and_lighter(t, h):
    cold, warm = (mixture_air(v, relative_humidity=h, co2_fraction=0.0004) for v in (t, t + 1.0))
    assert warm.sound_speed > cold.sound_speed
    assert warm.density < cold.density
    assert warm.viscosity > cold.viscosity


@given(st.floats(0.0, 30.0), st.floats(0.0, 0.9))
def test_vapour_makes_air_faster_and_lighter(t, h):
    dry, moist = (moist_air(t, relative_humidity=v) for v in (h, h + 0.1))
    assert moist.sound_speed > dry.sound_speed
    assert moist.density < dry.density


@given(st.floats(0.0004, 0.09))
def test_carbon_dioxide_makes_breath_slower_and_heavier(x_c):
    less, more = (mixture_air(34, co2_fraction=v) for v in (x_c, x_c + 0.01))
    assert more.sound_speed < less.sound_speed
    assert more.density > less.density


@given(temperatures, fractions, pressures)
def test_vapour_is_a_share_in_proportion_to_humidity(t, h, p):
    full = vapour_fraction(t, relative_humidity=1.0, pressure_pa=p)
    assert vapour_fraction(t, relative_humidity=h, pressure_pa=p) == pytest.approx(h * full, rel=1e-12)
    assert 0.0 < full < 0.5
    assert full * p == pytest.approx(saturation_pressure(t), rel=8e-3)
    assert 0.99 < compressibility(t, relative_humidity=h, pressure_pa=p) < 1.0


def test_ordinary_rooms_and_breath_do_not_warn():
    assert moist_air(20).warnings == ()
    assert moist_air(27, relative_humidity=1.0, pressure_pa=95e3).warnings == ()
    assert moist_air(34, relative_humidity=1.0, co2_fraction=0.045).warnings == ()


@pytest.mark.parametrize(
    ("state", "count", "words"),
    [
        ({"temperature_c": 28.0}, 1, "15 to 27 C"),
        ({"temperature_c": 5.0}, 1, "15 to 27 C"),
        ({"temperature_c": 20.0, "pressure_pa": 70e3}, 1, "75000 to 102000 Pa"),
        ({"temperature_c": 20.0, "pressure_pa": 55e3}, 2, "60000 to 110000 Pa"),
        ({"temperature_c": 20.0, "pressure_pa": 115e3}, 2, "60000 to 110000 Pa"),
        ({"temperature_c": -5.0}, 1, "supercooled"),
        ({"temperature_c": 50.0}, 1, "above 40 C"),
        ({"temperature_c": 30.0, "co2_fraction": 0.08}, 1, "more than breath"),
    ],
)
def test_leaving_a_formulas_range_warns(state, count, words):
    warnings = moist_air(**state).warnings
    assert len(warnings) == count
    assert any(words in text for text in warnings)


@pytest.mark.parametrize("make", [moist_air, mixture_air])
@pytest.mark.parametrize(
    ("key", "value", "limit", "mend"),
    [
        ("temperature_c", 293.15, "-20 to 60 C", "degrees Celsius"),
        ("temperature_c", -20.1, "-20 to 60 C", "degrees Celsius"),
        ("relative_humidity", 50, "0 to 1", "0.5 stands for 50 %"),
        ("relative_humidity", -0.01, "0 to 1", "0.5 stands for 50 %"),
        ("co2_fraction", 400, "0 to 0.1", "0.0004"),
        ("pressure_pa", 1013.25, "50000 to 120000 Pa", "in pascals"),
        ("pressure_pa", 121e3, "50000 to 120000 Pa", "in pascals"),
    ],
)
def test_absurd_values_are_refused_with_key_value_limit_and_mend(make, key, value, limit, mend):
    state = {"temperature_c": 20.0, key: value}
    with pytest.raises(InputError) as caught:
        make(**state)
    text = str(caught.value)
    assert key in text
    assert f"{value:.7g}" in text
    assert limit in text
    assert mend in text


@pytest.mark.parametrize("key", ["temperature_c", "relative_humidity", "co2_fraction", "pressure_pa"])
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, "20", None, True, 1 + 2j, [20.0]])
def test_what_is_no_finite_number_is_refused(key, value):
    with pytest.raises(FluewrightError, match=key):
        moist_air(**{"temperature_c": 20.0, key: value})


def test_the_single_formulas_check_their_arguments_too():
    with pytest.raises(InputError, match="temperature_c"):
        saturation_pressure(61.0)
    with pytest.raises(InputError, match="relative_humidity"):
        vapour_fraction(20.0, relative_humidity=2.0)
    with pytest.raises(InputError, match="pressure_pa"):
        compressibility(20.0, pressure_pa=math.nan)


def test_the_limits_themselves_are_allowed():
    for t in (-20.0, 60.0):
        for h in (0.0, 1.0):
            for p in (50e3, 120e3):
                for x_c in (0.0, 0.1):
                    air = moist_air(t, relative_humidity=h, pressure_pa=p, co2_fraction=x_c)
                    assert isinstance(air, Air)


@pytest.mark.parametrize(
    ("t", "h", "x_c", "gamma", "speed", "density"),
    [
        (20.0, 0.5, 0.0004, 1.399125, 343.87408, 1.198876),
        (20.0, 1.0, 0.0400, 1.392642, 341.18822, 1.212182),
        (27.0, 1.0, 0.0250, 1.393395, 347.16300, 1.171451),
        (30.0, 1.0, 0.0300, 1.392000, 348.84068, 1.159049),
        (34.0, 1.0, 0.0450, 1.388823, 350.46359, 1.145718),
    ],
)
def test_breath_as_an_ideal_mixture_stays_as_it_was(t, h, x_c, gamma, speed, density):
    """Pin: our own mixture of five gases (docs/physics/air.md#breath-mixture); tests/published/test_published_air.py
    has another's.
    """
    air = mixture_air(t, relative_humidity=h, co2_fraction=x_c)
    assert air.gamma == pytest.approx(gamma, abs=5.1e-7)
    assert air.sound_speed == pytest.approx(speed, abs=5.1e-6)
    assert air.density == pytest.approx(density, abs=5.1e-7)


def test_air_without_carbon_dioxide_has_no_more_oxygen_for_it():
    """Only what is above fresh air's 0.04 % has taken oxygen's place; below it the other gases keep their shares."""
    shares, masses = (0.78084, 0.20946, 0.00934), (28.0134, 31.9988, 39.948)
    mass = sum(s * m for s, m in zip(shares, masses, strict=True)) / sum(shares)
    air = mixture_air(20.0, relative_humidity=0.0, co2_fraction=0.0)
    assert air.density == pytest.approx(101325.0 * mass * 1e-3 / (8.314462618 * 293.15), rel=1e-9)


def test_air_with_more_vapour_than_cramer_knew_is_a_mixture():
    """Thin warm air, saturated: 8.5 % of vapour at 30 C and 500 hPa, beyond the 6 % of his range; 4 % is within it."""
    thin = {"relative_humidity": 1.0, "pressure_pa": 50_000.0}
    assert vapour_fraction(30.0, **thin) > 0.06
    assert moist_air(30.0, **thin) == mixture_air(30.0, co2_fraction=0.0004, **thin)
    assert moist_air(30.0, relative_humidity=1.0) != mixture_air(30.0, relative_humidity=1.0, co2_fraction=0.0004)
