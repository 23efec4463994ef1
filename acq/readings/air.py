"""Density of moist air for the buoyancy of weights. Two formulas, each under its own name."""

from __future__ import annotations

import math

KELVIN = 273.15


def air_density_cipm_2007(
    pascals: float, degc: float, relative_humidity: float, carbon_dioxide: float = 0.0004
) -> float:
    """Return kg/m3 (humidity 0 to 1, carbon dioxide as mole fraction).

    CIPM-2007 (Picard, Davis, Glaeser, Fujii 2008, Metrologia 45, 149). Its stated range is
    600 to 1100 hPa and 15 to 27 degC.
    """
    T = degc + KELVIN
    x_v = relative_humidity * _enhancement(pascals, degc) * _saturation(T) / pascals
    molar = 3.483740e-3 + 1.4446e-3 * (carbon_dioxide - 0.0004)
    return molar * pascals / (_compressibility(pascals, degc, x_v) * T) * (1.0 - 0.3780 * x_v)


def _saturation(T: float) -> float:
    """Return the vapour pressure at saturation in Pa (A1.1)."""
    return math.exp(1.2378847e-5 * T**2 - 1.9121316e-2 * T + 33.93711047 - 6.3431645e3 / T)


def _enhancement(pascals: float, degc: float) -> float:
    """Return the enhancement factor (A1.2)."""
    return 1.00062 + 3.14e-8 * pascals + 5.6e-7 * degc**2


def _compressibility(pascals: float, degc: float, x_v: float) -> float:
    """Return the compressibility factor Z (A1.4)."""
    T = degc + KELVIN
    first = 1.58123e-6 - 2.9331e-8 * degc + 1.1043e-10 * degc**2
    first += (5.707e-6 - 2.051e-8 * degc) * x_v + (1.9898e-4 - 2.376e-6 * degc) * x_v**2
    return 1.0 - pascals / T * first + (pascals / T) ** 2 * (1.83e-11 - 0.765e-8 * x_v**2)


def air_density_simplified(hectopascals: float, degc: float, percent: float) -> float:
    """Return kg/m3 by the simplified formula with the constants 0.34848, 0.009 and 0.061.

    As OIML R 111-1 E.3-1 is quoted; a near variant has 0.009024 and 0.0612 and differs by 3e-5.
    Meant for 900 to 1100 hPa, 10 to 30 degC, below 80 % (range from memory).
    """
    return (0.34848 * hectopascals - 0.009 * percent * math.exp(0.061 * degc)) / (KELVIN + degc)
