"""Gravity, dead-weight force and air density against published values."""

from __future__ import annotations

import pytest
from scipy import constants

from acq.cells.paper_units import FORCE, MASS, METRES, quantity
from acq.readings.air import air_density_cipm_2007, air_density_simplified
from acq.readings.gravity import STANDARD_GRAVITY, normal_gravity, weight_force


# Geodetic Reference System 1980 (Moritz): equator 9.7803267715, pole 9.8321863685; between them
# from the reference library `boule` 0.6.0, whose closed form agrees
@pytest.mark.parametrize(
    ("latitude", "g"),
    [
        (0.0, 9.780326772),
        (30.0, 9.793248704),
        (45.0, 9.806199203),
        (51.5, 9.812035008),
        (60.0, 9.819178385),
        (90.0, 9.832186369),
        (-45.0, 9.806199203),
    ],
)
def test_normal_gravity_of_grs80(latitude: float, g: float) -> None:
    assert normal_gravity(latitude) == pytest.approx(g, abs=2e-9)


# `boule` 0.6.0, exact closed form at height
@pytest.mark.parametrize(
    ("latitude", "g"), [(0.0, 9.778783054), (45.0, 9.804656585), (90.0, 9.830644855)]
)
def test_normal_gravity_at_500_m(latitude: float, g: float) -> None:
    assert normal_gravity(latitude, 500.0) == pytest.approx(g, abs=1e-8)
    # the free-air gradient of textbooks, 3.086e-6 per second squared
    assert normal_gravity(latitude, 500.0) == pytest.approx(
        normal_gravity(latitude) - 500.0 * 3.086e-6, abs=2e-6
    )


def test_a_place_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="latitude must be"):
        normal_gravity(91.0)
    with pytest.raises(ValueError, match="height must be"):
        normal_gravity(45.0, 20_000.0)


def test_force_of_a_conventional_mass_in_air() -> None:
    # OIML D 28 reference conditions 8000 and 1.2 kg/m3: 10 kg at standard gravity
    assert weight_force(10.0, 9.80665) == pytest.approx(98.051790025, rel=1e-9)
    # at the reference air density the material does not matter
    assert weight_force(10.0, 9.80665, 1.2, 2700.0) == pytest.approx(98.051790025, rel=1e-12)
    # thinner air carries less: 0.1 kg/m3 on aluminium is 37 ppm, on steel 12.5 ppm
    steel, aluminium = (weight_force(10.0, 9.80665, 1.1, rho) for rho in (8000.0, 2700.0))
    assert (aluminium - steel) / steel == pytest.approx(0.1 / 2700.0 - 0.1 / 8000.0, rel=1e-2)


# Picard et al. 2008, Metrologia 45, 149 (CIPM-2007), x_CO2 = 0.0004; the fourth is the value that
# mass-metrology tables print, rounded otherwise
@pytest.mark.parametrize(
    ("pascals", "degc", "humidity", "density", "tolerance"),
    [
        (101325.0, 20.0, 0.5, 1.1993139, 1e-5),
        (100000.0, 23.0, 0.4, 1.1717329, 1e-5),
        (97325.34, 10.0, 0.4, 1.19569, 1e-5),
        (101325.0, 40.0, 0.4, 1.11497, 1e-4),
    ],
)
def test_air_density_cipm_2007(
    pascals: float, degc: float, humidity: float, density: float, tolerance: float
) -> None:
    found = air_density_cipm_2007(pascals, degc, humidity)
    assert found == pytest.approx(density, abs=tolerance)


# OIML R 111-1 E.3-1, constants as quoted by laboratories; within 1e-4 of CIPM-2007
@pytest.mark.parametrize(
    ("hectopascals", "percent", "degc", "density"),
    [
        (1013.25, 50.0, 20.0, 1.1992943),
        (1000.0, 40.0, 23.0, 1.1717567),
        (950.0, 30.0, 25.0, 1.106206),
    ],
)
def test_simplified_air_density(
    hectopascals: float, percent: float, degc: float, density: float
) -> None:
    found = air_density_simplified(hectopascals, degc, percent)
    assert found == pytest.approx(density, abs=1e-6)
    exact = air_density_cipm_2007(100.0 * hectopascals, degc, percent / 100.0)
    assert found == pytest.approx(exact, rel=1e-4)


# NIST SP 811 Appendix B, as scipy.constants has the factors
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1 lb", constants.pound),
        ("1 oz", constants.ounce),
        ("1 short ton", constants.short_ton),
        ("1 long ton", constants.long_ton),
        ("1 t", constants.metric_ton),
    ],
)
def test_mass_units_of_papers(text: str, expected: float) -> None:
    assert quantity(text, MASS) == pytest.approx(expected, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1 lbf", constants.pound_force),
        ("1 kgf", constants.kilogram_force),
        ("1 kip", 4448.2216152605),
    ],
)
def test_force_units_of_papers(text: str, expected: float) -> None:
    assert quantity(text, FORCE) == pytest.approx(expected, rel=1e-15)


def test_other_units_of_papers() -> None:
    assert constants.g == STANDARD_GRAVITY
    assert quantity("1 ft", METRES) == pytest.approx(constants.foot, rel=1e-15)
    assert quantity("1 in", METRES) == pytest.approx(constants.inch, rel=1e-15)
