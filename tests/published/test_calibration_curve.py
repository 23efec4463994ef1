"""Calibration curves against certified and printed figures.

Sources: NIST/ITL Statistical Reference Datasets (Pontius, Norris); NIST/SEMATECH e-Handbook of
Statistical Methods, 4.6.1; JCGM 100:2008, H.3.
"""

from __future__ import annotations

import re
from importlib import resources

import numpy as np
import pytest

from acq.analysis.degree_choice import choose_degree
from acq.analysis.polynomial import fit_polynomial
from acq.validation.load_cell_data import (
    PONTIUS_CERTIFIED,
    PONTIUS_DEVIATIONS,
    PONTIUS_LOADS,
    PONTIUS_RESIDUAL_DEVIATION,
    PONTIUS_RUNS,
    points,
    pontius,
)

NINE_DIGITS = 1e-9


def test_the_certified_curve_of_a_real_load_cell_is_met_to_nine_digits() -> None:
    """NIST StRD Pontius, certified values; least squares on unscaled loads gets six digits."""
    curve = fit_polynomial(pontius(), 2)
    assert curve.coefficients == pytest.approx(PONTIUS_CERTIFIED, rel=NINE_DIGITS)
    assert curve.standard_deviations == pytest.approx(PONTIUS_DEVIATIONS, rel=NINE_DIGITS)
    assert curve.residual_deviation == pytest.approx(PONTIUS_RESIDUAL_DEVIATION, rel=NINE_DIGITS)
    assert curve.degrees_of_freedom == 37


def test_the_nine_digits_are_not_cheap() -> None:
    """Were the reference itself easy, the test above would prove nothing."""
    loads = np.array([*PONTIUS_LOADS, *PONTIUS_LOADS])
    outputs = np.array([output for run in PONTIUS_RUNS for output in run])
    raw = np.linalg.lstsq(np.vander(loads, 3, increasing=True), outputs, rcond=None)[0]
    assert abs(raw[0] / PONTIUS_CERTIFIED[0] - 1.0) > NINE_DIGITS


def test_the_certified_analysis_of_variance_is_met() -> None:
    """NIST StRD Pontius: sums of squares, R^2 through 1 - R^2, and F."""
    curve = fit_polynomial(pontius(), 2)
    assert curve.regression_sum_of_squares == pytest.approx(15.6040343244198, rel=NINE_DIGITS)
    assert curve.sum_of_squares == pytest.approx(1.55761768796992e-06, rel=NINE_DIGITS)
    assert curve.unexplained == pytest.approx(1.0 - 0.999999900178537, rel=1e-7)
    ratio = (curve.regression_sum_of_squares / 2) / (curve.sum_of_squares / 37)
    assert ratio == pytest.approx(185330865.995752, rel=NINE_DIGITS)


def test_a_straight_line_is_rejected_for_that_cell() -> None:
    """NIST/SEMATECH e-Handbook 4.6.1.6: F 214.7464 against 2.15, made in single precision."""
    line = fit_polynomial(pontius(), 1)
    lack = line.lack_of_fit()
    assert lack is not None
    assert lack.f_ratio == pytest.approx(214.7464, rel=1e-5)
    assert lack.f_ratio == pytest.approx(214.746923654, rel=NINE_DIGITS)  # in full precision
    assert lack.critical == pytest.approx(2.15, abs=0.005)
    assert (lack.lack_degrees_of_freedom, lack.replicate_degrees_of_freedom) == (18, 20)
    assert lack.significant
    assert line.coefficients == pytest.approx((0.614969e-2, 0.722103e-6), rel=1e-5)
    assert line.residual_deviation == pytest.approx(0.0021712694, rel=1e-5)


def test_a_quadratic_is_kept_and_is_what_the_choice_takes() -> None:
    """e-Handbook 4.6.1: the quadratic is adequate; F computed from the certified problem."""
    choice = choose_degree(pontius())
    lack = choice.chosen.lack_of_fit()
    assert lack is not None
    assert choice.chosen.degree == 2
    assert lack.f_ratio == pytest.approx(0.81072390031, rel=1e-8)
    assert lack.critical == pytest.approx(2.1667009968, rel=1e-8)
    assert lack.replicate_deviation == pytest.approx(0.000214726570317, rel=NINE_DIGITS)
    assert not lack.significant


def test_the_load_of_a_new_deflection_is_the_printed_one() -> None:
    """e-Handbook 4.6.1.10: 1.239722 stands for 1 705 106; exact with the certified curve."""
    found = fit_polynomial(pontius(), 2).load_for(1.239722)
    assert found.value == pytest.approx(1_705_106, abs=0.5)
    assert found.value == pytest.approx(1705105.5688517, rel=1e-11)


def test_norris_is_met_to_nine_digits() -> None:
    """NIST StRD Norris, the file that comes with scipy."""
    text = resources.files("scipy") / "stats/tests/data/nist_linregress/Norris.dat"
    lines = text.read_text(encoding="utf-8").splitlines()
    pairs = [[float(cell) for cell in line.split()] for line in lines[60:96]]
    certified = {
        match[1]: (float(match[2]), float(match[3]))
        for line in lines
        if (match := re.match(r"\s+(B[01])\s+(\S+)\s+(\S+)\s*$", line))
    }
    curve = fit_polynomial(points([x for _, x in pairs], [y for y, _ in pairs]), 1)
    for place, name in enumerate(("B0", "B1")):
        value, deviation = certified[name]
        assert curve.coefficients[place] == pytest.approx(value, rel=NINE_DIGITS)
        assert curve.standard_deviations[place] == pytest.approx(deviation, rel=NINE_DIGITS)
    assert curve.residual_deviation == pytest.approx(0.884796396144373, rel=NINE_DIGITS)


def test_the_calibration_line_of_the_guide_is_met() -> None:
    """JCGM 100:2008, H.3: a thermometer's correction, line about 20 degC, and its value at 30."""
    temperatures, corrections = (
        [float(cell) for cell in row.split()]
        for row in (
            "21.521 22.012 22.512 23.003 23.507 23.999 24.513 25.002 25.503 26.010 26.511",
            "-0.171 -0.169 -0.166 -0.159 -0.164 -0.165 -0.156 -0.157 -0.159 -0.161 -0.160",
        )
    )
    curve = fit_polynomial(points([t - 20.0 for t in temperatures], corrections), 1)
    assert curve.coefficients == pytest.approx((-0.1712, 0.00218), abs=5e-5)
    assert curve.standard_deviations == pytest.approx((0.0029, 0.00067), abs=5e-5)
    assert curve.residual_deviation == pytest.approx(0.0035, abs=5e-5)
    deviations = curve.standard_deviations
    correlation = curve.covariance[0, 1] / (deviations[0] * deviations[1])
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    predicted = curve.output_at(10.0)
    assert predicted.uncertainty is not None
    assert predicted.value == pytest.approx(-0.1494, abs=5e-5)
    assert predicted.uncertainty.standard == pytest.approx(0.0041, abs=5e-5)
    assert predicted.uncertainty.degrees_of_freedom == 9
    # the same figures in full digits, recomputed from the printed readings
    assert predicted.value == pytest.approx(-0.14937681, rel=1e-7)
    assert predicted.uncertainty.standard == pytest.approx(0.0041386, rel=1e-5)
