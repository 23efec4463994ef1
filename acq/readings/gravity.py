"""Gravity of a place, and the force of a weight in air. Formulas are named, never chosen silently.

Normal gravity is that of a smooth earth. The real one differs by up to 0.05 % in mountains and by
some 0.002 % in flat country (common practice, no source): a surveyed value is better.
"""

from __future__ import annotations

import math

STANDARD_GRAVITY = 9.80665  # m/s2, exact by convention (CGPM 1901)

# Geodetic Reference System 1980 (Moritz): the four that define it, then two that follow from them
GM = 3.986005e14  # m3/s2, of the earth with its air
ROTATION = 7.292115e-5  # rad/s
EQUATORIAL_RADIUS = 6378137.0  # m
FLATTENING = 1.0 / 298.257222101
POLAR_RADIUS = EQUATORIAL_RADIUS * (1.0 - FLATTENING)
LINEAR_ECCENTRICITY = math.sqrt(EQUATORIAL_RADIUS**2 - POLAR_RADIUS**2)

REFERENCE_DENSITY = 8000.0  # kg/m3, of conventional mass (OIML D 28)
REFERENCE_AIR = 1.2  # kg/m3, of conventional mass (OIML D 28)

FORMULA = "normal gravity of GRS80, closed form at height above the ellipsoid"


def normal_gravity(latitude_deg: float, height_m: float = 0.0) -> float:
    """Return m/s2 at a geodetic latitude and a height above the ellipsoid.

    Closed form in ellipsoidal coordinates (Heiskanen and Moritz 1967, section 2-8) with the
    constants of GRS80. Raises ValueError outside -90 to 90 degrees and -500 to 10 000 m.
    """
    if not -90.0 <= latitude_deg <= 90.0:
        raise ValueError(f"latitude must be -90 to 90 degrees, got {latitude_deg:g}")
    if not -500.0 <= height_m <= 10_000.0:
        raise ValueError(f"height must be -500 to 10000 m, got {height_m:g}")
    u, sin_b, cos_b = _ellipsoidal(math.radians(latitude_deg), height_m)
    E = LINEAR_ECCENTRICITY
    ring = u * u + E * E
    w = math.sqrt((u * u + (E * sin_b) ** 2) / ring)
    spin = (ROTATION * EQUATORIAL_RADIUS) ** 2
    q0 = _q(POLAR_RADIUS)
    steep = GM / ring + spin * E / ring * _q_slope(u) / q0 * (0.5 * sin_b**2 - 1.0 / 6.0)
    outward = (steep - ROTATION**2 * u * cos_b**2) / w
    sideways = (spin / math.sqrt(ring) * _q(u) / q0 - ROTATION**2 * math.sqrt(ring)) * sin_b * cos_b
    return math.hypot(outward, sideways / w)


def _ellipsoidal(latitude: float, height: float) -> tuple[float, float, float]:
    """Return (u, sine and cosine of the reduced latitude) of a place."""
    sine, cosine = math.sin(latitude), math.cos(latitude)
    flat = (POLAR_RADIUS / EQUATORIAL_RADIUS) ** 2
    across = EQUATORIAL_RADIUS / math.sqrt(1.0 - (1.0 - flat) * sine**2)
    x, z = (across + height) * cosine, (across * flat + height) * sine
    rest = x * x + z * z - LINEAR_ECCENTRICITY**2
    root = math.sqrt(1.0 + (2.0 * LINEAR_ECCENTRICITY * z / rest) ** 2)
    u = math.sqrt(0.5 * rest * (1.0 + root))
    reduced = math.atan2(z * math.hypot(u, LINEAR_ECCENTRICITY), u * x)
    return u, math.sin(reduced), math.cos(reduced)


def _q(u: float) -> float:
    t = u / LINEAR_ECCENTRICITY
    return 0.5 * ((1.0 + 3.0 * t * t) * math.atan(1.0 / t) - 3.0 * t)


def _q_slope(u: float) -> float:
    t = u / LINEAR_ECCENTRICITY
    return 3.0 * (1.0 + t * t) * (1.0 - t * math.atan(1.0 / t)) - 1.0


def weight_force(
    conventional_mass: float,
    gravity: float,
    air_density: float = REFERENCE_AIR,
    density: float = REFERENCE_DENSITY,
) -> float:
    """Return the force in N of a weight (kg, conventional mass) hanging in air.

    F = m g (1 - rho_a / rho) with the mass m that has this conventional mass (OIML D 28):
    in air of 1.2 kg/m3 the weight's own density drops out, F = m_c g (1 - 1.2/8000).
    """
    balance = 1.0 - REFERENCE_AIR / REFERENCE_DENSITY
    mass = conventional_mass * balance / (1.0 - REFERENCE_AIR / density)
    return mass * gravity * (1.0 - air_density / density)
