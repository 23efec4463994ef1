"""Load series: NIST's certified load cell data, OIML R 60 limits, weights, gravity and air."""

from __future__ import annotations

from functools import cache, partial

from scipy import constants

from acq.analysis.astm_e74 import e74_table, lower_limit_factor
from acq.analysis.oiml_r60 import AccuracyClass
from acq.analysis.polynomial import Polynomial, fit_polynomial
from acq.cells.paper_units import FORCE, MASS, quantity
from acq.readings.air import air_density_cipm_2007, air_density_simplified
from acq.readings.gravity import normal_gravity, weight_force
from acq.validation.check import PublishedCheck
from acq.validation.load_cell_data import (
    PONTIUS_CERTIFIED,
    PONTIUS_DEVIATIONS,
    PONTIUS_RESIDUAL_DEVIATION,
    pontius,
)

NIST = "NIST Statistical Reference Datasets, Pontius (calibration of a load cell)"
HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods, 4.6.1"
R60 = "OIML R 60-1:2021, table 4, class C, p_LC 0.7"
GRS80 = "Geodetic Reference System 1980"
SP811 = "NIST SP 811, Appendix B, as scipy.constants has it"
NINE_DIGITS = 1e-9


@cache
def _curve(degree: int) -> Polynomial:
    return fit_polynomial(pontius(), degree)


def _lack_of_fit() -> float:
    lack = _curve(1).lack_of_fit()
    assert lack is not None
    return lack.f_ratio


def _certified() -> tuple[PublishedCheck, ...]:
    """The certified coefficients and their deviations, each to nine digits."""
    return tuple(
        PublishedCheck(
            f"{what} of degree {power}", NIST, value, abs(value) * NINE_DIGITS, "",
            partial(computed, power),
        )
        for what, values, computed in (
            ("coefficient", PONTIUS_CERTIFIED, _coefficient),
            ("standard deviation", PONTIUS_DEVIATIONS, _deviation),
        )
        for power, value in enumerate(values)
    )  # fmt: skip


def _coefficient(power: int) -> float:
    return float(_curve(2).coefficients[power])


def _deviation(power: int) -> float:
    return float(_curve(2).standard_deviations[power])


CHECKS = (
    *_certified(),
    PublishedCheck(
        "residual standard deviation", NIST, PONTIUS_RESIDUAL_DEVIATION,
        PONTIUS_RESIDUAL_DEVIATION * NINE_DIGITS, "", lambda: _curve(2).residual_deviation,
    ),
    PublishedCheck(
        "lack of fit F of a straight line", HANDBOOK, 214.7464, 0.002, "", _lack_of_fit
    ),
    PublishedCheck(
        "load for a deflection of 1.239722", HANDBOOK, 1_705_106.0, 0.5, "",
        lambda: _curve(2).load_for(1.239722).value,
    ),
    PublishedCheck(
        "lower limit factor in load, by the mean ratio",
        "ASTM E74-18, 7.1.2 and 8.5, as quoted in a public article; on the same data",
        676.5489967, 1e-6, "",
        lambda: lower_limit_factor(_curve(2), e74_table()).in_load,
    ),
    *(
        PublishedCheck(
            f"maximum permissible error at {load} v", R60, printed, 1e-12, "v",
            partial(AccuracyClass("C", 10_000).mpe_v, load),
        )
        for load, printed in ((500, 0.35), (501, 0.70), (2001, 1.05))
    ),
    *(
        PublishedCheck(
            f"normal gravity at {latitude} degrees", GRS80, printed, 2e-9, "m/s2",
            partial(normal_gravity, latitude),
        )
        for latitude, printed in ((0.0, 9.780326772), (45.0, 9.806199203), (90.0, 9.832186369))
    ),
    PublishedCheck(
        "force of 10 kg conventional mass at standard gravity",
        "OIML D 28, reference conditions 8000 and 1.2 kg/m3", 98.051790025, 1e-7, "N",
        lambda: weight_force(10.0, 9.80665),
    ),
    PublishedCheck(
        "air density at 101325 Pa, 20 degC, 50 %",
        "CIPM-2007 (Picard et al. 2008, Metrologia 45, 149)", 1.1993139, 1e-5, "kg/m3",
        lambda: air_density_cipm_2007(101325.0, 20.0, 0.5),
    ),
    PublishedCheck(
        "air density, simplified, at 1013.25 hPa, 20 degC, 50 %",
        "OIML R 111-1, E.3-1", 1.1992943, 1e-6, "kg/m3",
        lambda: air_density_simplified(1013.25, 20.0, 50.0),
    ),
    PublishedCheck(
        "one pound", SP811, constants.pound, 1e-15, "kg", lambda: quantity("1 lb", MASS)
    ),
    PublishedCheck(
        "one pound-force", SP811, constants.pound_force, 1e-14, "N",
        lambda: quantity("1 lbf", FORCE),
    ),
)  # fmt: skip
