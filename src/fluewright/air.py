"""Says how dense, fast for sound, and viscous the air is, in the room and in the player's breath.

============  ==========================================  ========
symbol        meaning                                     unit
============  ==========================================  ========
t, T          temperature                                 C, K
p             pressure                                    Pa
h             relative humidity, 0 to 1                   1
x_v           mole fraction of water vapour               1
x_c           mole fraction of carbon dioxide, dry part   1
Z             compressibility factor                      1
M             molar mass                                  kg/mol
============  ==========================================  ========

Two descriptions stand side by side. Room air: density after CIPM-2007, speed of sound and ratio of specific
heats after Cramer (1993). Breath, and all that lies outside Cramer's range: an ideal mixture of five gases.
Where one gives way to the other (30 C, 0 C, or 1 % carbon dioxide) the speed of sound jumps by up to 0.04 %
(0.7 cents), the density by less than 0.1 %, and the ratio of specific heats by less than 0.2 %.
"""

import math
from dataclasses import dataclass
from numbers import Real

from fluewright.errors import InputError

__all__ = [
    "REF_AIR",
    "Air",
    "compressibility",
    "mixture_air",
    "moist_air",
    "saturation_pressure",
    "vapour_fraction",
]

_KELVIN = 273.15
_R_CIPM = 8.314472  # J/mol/K, the value that CIPM-2007 uses
_R = 8.314462618  # J/mol/K
_M_VAPOUR = 18.01528e-3  # kg/mol
_CO2_OUTDOORS = 0.0004
_RESPIRATORY_QUOTIENT = 0.85  # from memory

# Cramer, JASA 93, 2510 (1993): a0..a15 of the speed of sound, m/s, and of the ratio of specific heats.
_CRAMER_SPEED = (
    331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8,
    -2.93e-10, -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip
_CRAMER_GAMMA = (
    1.400822, -1.75e-5, -1.73e-7, -0.0873629, -0.0001665, -3.26e-6, 2.047e-8, -1.26e-10,
    5.939e-14, -0.1199717, -0.0008693, 1.979e-6, -0.01104, -3.478e-16, 0.0450616, 1.82e-6,
)  # fmt: skip

# Nitrogen, oxygen, argon, carbon dioxide, water: molar mass kg/mol, cp/R at 300 K, slope of cp/R per K
# (handbook values, from memory).
_SPECIES = (
    (28.0134e-3, 3.5029, 1e-4),
    (31.9988e-3, 3.5345, 5e-4),
    (39.948e-3, 2.5, 0.0),
    (44.0095e-3, 4.475, 5.2e-3),
    (_M_VAPOUR, 4.041, 9e-4),
)

# key: lowest, highest, unit shown, mend
_LIMITS = {
    "temperature_c": (-20.0, 60.0, "C", "Give the air's temperature in degrees Celsius, for example 20."),
    "relative_humidity": (0.0, 1.0, "", "Give a fraction: 0.5 stands for 50 %."),
    "co2_fraction": (0.0, 0.1, "", "Give a fraction: 0.0004 is fresh air (400 ppm), 0.04 is breath."),
    "pressure_pa": (50_000.0, 120_000.0, "Pa", "Give the pressure in pascals: 1013.25 hPa is 101325."),
}


@dataclass(frozen=True)
class Air:
    """One state of air, with all that the acoustics needs of it; SI units but for the temperature.

    Parameters
    ----------
    temperature_c : float
        Temperature, C.
    relative_humidity, co2_fraction : float
        Fractions, 0 to 1; carbon dioxide counts as a share of the dry part.
    pressure_pa : float
        Static pressure, Pa.
    density : float
        kg/m3.
    sound_speed : float
        m/s.
    viscosity : float
        Pa s.
    gamma : float
        Ratio of specific heats.
    prandtl : float
        Viscosity times heat capacity over heat conductivity.
    warnings : tuple of str
        One sentence for each formula that was used beyond its stated range.
    """

    temperature_c: float
    relative_humidity: float
    co2_fraction: float
    pressure_pa: float
    density: float
    sound_speed: float
    viscosity: float
    gamma: float
    prandtl: float
    warnings: tuple[str, ...] = ()


#: Round numbers for tests and comparisons, independent of the formulas below; the first four are nominal.
REF_AIR = Air(
    temperature_c=20.0,
    relative_humidity=0.5,
    co2_fraction=_CO2_OUTDOORS,
    pressure_pa=101325.0,
    density=1.2,
    sound_speed=343.5,
    viscosity=1.82e-5,
    gamma=1.4015,
    prandtl=0.71,
)


def moist_air(
    temperature_c: float,
    *,
    relative_humidity: float = 0.5,
    co2_fraction: float = _CO2_OUTDOORS,
    pressure_pa: float = 101325.0,
) -> Air:
    """Return the properties of moist air or breath, by the best description for that state.

    CIPM-2007 [1]_ and Cramer [2]_ from 0 to 30 C with up to 1 % carbon dioxide and 6 % vapour, else
    `mixture_air`. Pressure does not decide, since its effect is slight (0.6 cents from 1013 to 850 hPa); it
    only warns.

    Parameters
    ----------
    temperature_c : float
        Temperature, C; -20 to 60.
    relative_humidity : float
        Fraction, 0 to 1.
    co2_fraction : float
        Mole fraction of carbon dioxide in the dry part, 0 to 0.1; breath has 0.03 to 0.05.
    pressure_pa : float
        Static pressure, Pa; 50 000 to 120 000.

    Returns
    -------
    Air
        With `warnings` for every range that was left.

    Raises
    ------
    InputError
        An argument is no finite number or lies outside its limits.

    References
    ----------
    .. [1] Picard, Davis, Glaeser & Fujii, Metrologia 45, 149 (2008).
    .. [2] Cramer, J. Acoust. Soc. Am. 93, 2510 (1993).
    """
    t, h, x_c, p = _checked(temperature_c, relative_humidity, co2_fraction, pressure_pa)
    x_v = vapour_fraction(t, relative_humidity=h, pressure_pa=p)
    if not (0.0 <= t <= 30.0 and x_c <= 0.01 and x_v <= 0.06):
        return mixture_air(t, relative_humidity=h, co2_fraction=x_c, pressure_pa=p)
    warnings = []
    if not 15.0 <= t <= 27.0:
        warnings.append(
            f"temperature_c {t:g} lies outside the 15 to 27 C of the density formula (CIPM-2007); "
            "expect the density right to 0.1 %."
        )
    if not 60_000.0 <= p <= 110_000.0:
        warnings.append(
            f"pressure_pa {p:g} lies outside the 60000 to 110000 Pa of the density formula (CIPM-2007); "
            "expect the density right to 0.1 %."
        )
    if not 75_000.0 <= p <= 102_000.0:
        warnings.append(
            f"pressure_pa {p:g} lies outside the 75000 to 102000 Pa of the sound-speed formula "
            "(Cramer 1993); expect the pitch right to 1 cent."
        )
    m_dry = (28.96546 + 12.011 * (x_c - _CO2_OUTDOORS)) * 1e-3
    molar_mass = m_dry * (1.0 - x_v) + _M_VAPOUR * x_v
    z = compressibility(t, relative_humidity=h, pressure_pa=p)
    density = p * molar_mass / (z * _R_CIPM * (t + _KELVIN))
    return _air(
        (t, h, x_c, p),
        density,
        _cramer(_CRAMER_SPEED, t, p, x_v, x_c),
        _cramer(_CRAMER_GAMMA, t, p, x_v, x_c),
        molar_mass,
        tuple(warnings),
    )


def mixture_air(
    temperature_c: float,
    *,
    relative_humidity: float = 1.0,
    co2_fraction: float = 0.04,
    pressure_pa: float = 101325.0,
) -> Air:
    """Return the properties of air or breath as an ideal mixture of N2, O2, Ar, CO2 and water vapour.

    Carbon dioxide above that of fresh air has taken oxygen's place, at a respiratory quotient of 0.85.
    Specific heats grow in a straight line about 300 K; carbon dioxide's vibration counts in full (moist air
    at audible frequencies). Agrees with Cramer (1993) within 0.04 % of sound speed over their common range.
    Viscosity and conductivity are those of dry air.

    Parameters
    ----------
    temperature_c, relative_humidity, co2_fraction, pressure_pa : float
        As for `moist_air`; the defaults are breath.

    Returns
    -------
    Air
        `density * sound_speed**2 == gamma * pressure_pa` holds exactly.

    Raises
    ------
    InputError
        An argument is no finite number or lies outside its limits.
    """
    t, h, x_c, p = _checked(temperature_c, relative_humidity, co2_fraction, pressure_pa)
    kelvin = t + _KELVIN
    x_v = vapour_fraction(t, relative_humidity=h, pressure_pa=p)
    burnt = max(0.0, x_c - _CO2_OUTDOORS) / _RESPIRATORY_QUOTIENT
    dry = (0.78084, 0.20946 - burnt, 0.00934, x_c)
    scale = (1.0 - x_v) / sum(dry)
    shares = (*(share * scale for share in dry), x_v)
    molar_mass = sum(share * mass for share, (mass, _, _) in zip(shares, _SPECIES, strict=True))
    heat = sum(share * (cp + slope * (kelvin - 300.0)) for share, (_, cp, slope) in zip(shares, _SPECIES, strict=True))
    gamma = heat / (heat - 1.0)
    warnings = []
    if t < 0.0:
        warnings.append(
            f"temperature_c {t:g} lies below 0 C, where the vapour-pressure formula (CIPM-2007) holds for "
            "supercooled water, not for ice; expect the pitch right to 1 cent."
        )
    if t > 40.0:
        warnings.append(
            f"temperature_c {t:g} lies above 40 C, hotter than any breath; "
            "the heat capacities are straight lines about 27 C."
        )
    if x_c > 0.06:
        warnings.append(f"co2_fraction {x_c:g} is more than breath holds (0.06); the mixture was not compared there.")
    return _air(
        (t, h, x_c, p),
        p * molar_mass / (_R * kelvin),
        math.sqrt(gamma * _R * kelvin / molar_mass),
        gamma,
        molar_mass,
        tuple(warnings),
    )


def saturation_pressure(temperature_c: float) -> float:
    """Return the vapour pressure of water at saturation, Pa (Davis 1992, kept by CIPM-2007).

    Raises
    ------
    InputError
        The temperature is no finite number or lies outside -20 to 60 C.
    """
    kelvin = _number("temperature_c", temperature_c) + _KELVIN
    return math.exp(1.2378847e-5 * kelvin * kelvin - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)


def vapour_fraction(temperature_c: float, *, relative_humidity: float = 0.5, pressure_pa: float = 101325.0) -> float:
    """Return the mole fraction of water vapour in moist air (CIPM-2007, with the enhancement factor).

    Raises
    ------
    InputError
        An argument is no finite number or lies outside its limits.
    """
    t, h, _, p = _checked(temperature_c, relative_humidity, _CO2_OUTDOORS, pressure_pa)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t * t
    return h * enhancement * saturation_pressure(t) / p


def compressibility(temperature_c: float, *, relative_humidity: float = 0.5, pressure_pa: float = 101325.0) -> float:
    """Return the compressibility factor Z of moist air (CIPM-2007); 1 is an ideal gas.

    Raises
    ------
    InputError
        An argument is no finite number or lies outside its limits.
    """
    t, h, _, p = _checked(temperature_c, relative_humidity, _CO2_OUTDOORS, pressure_pa)
    x_v = vapour_fraction(t, relative_humidity=h, pressure_pa=p)
    ratio = p / (t + _KELVIN)
    first = (
        1.58123e-6
        + t * (-2.9331e-8 + t * 1.1043e-10)
        + (5.707e-6 - 2.051e-8 * t) * x_v
        + (1.9898e-4 - 2.376e-6 * t) * x_v * x_v
    )
    return 1.0 - ratio * first + ratio * ratio * (1.83e-11 - 0.765e-8 * x_v * x_v)


def _cramer(a: tuple[float, ...], t: float, p: float, x_v: float, x_c: float) -> float:
    """Return Cramer's polynomial (his equation 15) for one set of sixteen coefficients."""
    return (
        a[0] + t * (a[1] + t * a[2])
        + (a[3] + t * (a[4] + t * a[5])) * x_v
        + (a[6] + t * (a[7] + t * a[8])) * p
        + (a[9] + t * (a[10] + t * a[11])) * x_c
        + a[12] * x_v * x_v + a[13] * p * p + a[14] * x_c * x_c + a[15] * x_v * p * x_c
    )  # fmt: skip


def _air(
    state: tuple[float, float, float, float],
    density: float,
    sound_speed: float,
    gamma: float,
    molar_mass: float,
    warnings: tuple[str, ...],
) -> Air:
    """Return `Air` with the transport properties of dry air (US Standard Atmosphere 1976) added."""
    kelvin = state[0] + _KELVIN
    # Humid air is about 1 % less viscous at saturation and 30 C: 0.5 % of the wall loss, left out.
    viscosity = 1.458e-6 * kelvin**1.5 / (kelvin + 110.4)
    conductivity = 2.64638e-3 * kelvin**1.5 / (kelvin + 245.4 * 10.0 ** (-12.0 / kelvin))
    heat_capacity = gamma * _R / ((gamma - 1.0) * molar_mass)
    prandtl = viscosity * heat_capacity / conductivity
    return Air(*state, density, sound_speed, viscosity, gamma, prandtl, warnings)


def _checked(t: float, h: float, x_c: float, p: float) -> tuple[float, float, float, float]:
    """Return the four arguments of a state as floats inside their limits."""
    return (
        _number("temperature_c", t),
        _number("relative_humidity", h),
        _number("co2_fraction", x_c),
        _number("pressure_pa", p),
    )


def _number(key: str, value: float) -> float:
    """Return the value as a float inside the limits of its key, or say what is wrong with it."""
    low, high, unit, mend = _LIMITS[key]
    limit = f"{low:g} to {high:g} {unit}".rstrip()
    if isinstance(value, bool) or not isinstance(value, Real):
        raise InputError(f"air {key} is {value!r}, not a number; the limit is {limit}. {mend}")
    number = float(value)
    if not low <= number <= high:  # true of NaN too
        raise InputError(f"air {key} is {number:.7g}, outside {limit}. {mend}")
    return number
