"""Budgets and expanded uncertainties against the worked examples of the GUM (JCGM 100:2008)."""

from __future__ import annotations

import math

import GTC
import pytest
from GTC import type_a

from acq.readings.budget import budget, coverage_factor, expanded

# JCGM 100:2008 Table G.2, two-sided; columns p, rows degrees of freedom, as printed
TABLE_G2_P = (0.682689, 0.90, 0.95, 0.9545, 0.99, 0.9973)
TABLE_G2: dict[float, tuple[float, ...]] = {
    1: (1.84, 6.31, 12.71, 13.97, 63.66, 235.80),
    2: (1.32, 2.92, 4.30, 4.53, 9.92, 19.21),
    3: (1.20, 2.35, 3.18, 3.31, 5.84, 9.22),
    4: (1.14, 2.13, 2.78, 2.87, 4.60, 6.62),
    5: (1.11, 2.02, 2.57, 2.65, 4.03, 5.51),
    10: (1.05, 1.81, 2.23, 2.28, 3.17, 3.96),
    16: (1.03, 1.75, 2.12, 2.17, 2.92, 3.54),
    20: (1.03, 1.72, 2.09, 2.13, 2.85, 3.42),
    50: (1.01, 1.68, 2.01, 2.05, 2.68, 3.16),
    100: (1.005, 1.660, 1.984, 2.025, 2.626, 3.077),
    math.inf: (1.000, 1.645, 1.960, 2.000, 2.576, 3.000),
}


@pytest.mark.parametrize("dof", list(TABLE_G2))
def test_coverage_factors_are_those_of_table_g2(dof: float) -> None:
    digits = 0.0005 if dof >= 100 else 0.005
    for probability, printed in zip(TABLE_G2_P, TABLE_G2[dof], strict=True):
        # the print rounds p itself: at one degree of freedom and 99.73 % that is felt
        slack = 0.03 if printed > 200 else digits + 1e-4
        assert coverage_factor(dof, probability) == pytest.approx(printed, abs=slack)


def test_end_gauge_h1() -> None:
    # JCGM 100:2008 H.1: lengths in nm, temperatures in degC
    standard = GTC.ureal(50_000_623.0, 25.0, 18, label="standard")
    difference = (
        215.0
        + GTC.ureal(0.0, 5.8, 24, label="repeated observations")
        + GTC.ureal(0.0, 3.9, 5, label="comparator, random")
        + GTC.ureal(0.0, 6.7, 8, label="comparator, systematic")
    )
    expansion = GTC.ureal(11.5e-6, 2e-6 / math.sqrt(3.0), label="expansion")
    delta_expansion = GTC.ureal(0.0, 1e-6 / math.sqrt(3.0), 50, label="expansion difference")
    temperature = GTC.ureal(-0.1, 0.2, label="mean temperature") + GTC.ureal(
        0.0, 0.5 / math.sqrt(2.0), label="cyclic temperature"
    )
    delta_temperature = GTC.ureal(0.0, 0.05 / math.sqrt(3.0), 2, label="temperature difference")
    length = (
        standard
        + difference
        - standard * (delta_expansion * temperature + expansion * delta_temperature)
    )
    result = expanded(length, 0.99)
    assert result.value == pytest.approx(50_000_838.0, abs=0.5)
    assert result.u == pytest.approx(31.66387911, rel=1e-6)
    assert result.dof == pytest.approx(16.75185574, rel=1e-6)  # printed 16.7, used 16
    assert result.k == pytest.approx(2.9207816, rel=1e-6)  # printed 2.92
    # printed 93, from 2.92 times the rounded 32 nm
    assert 2.92 * round(result.u) == pytest.approx(93.0, abs=0.5)
    assert abs(result.U - 93.0) < 0.6
    shares = {line.name: line.standard_uncertainty for line in budget(length)}
    assert shares["temperature difference"] == pytest.approx(16.599027, rel=1e-5)
    assert shares["expansion difference"] == pytest.approx(2.886787, rel=1e-5)
    assert next(iter(shares)) == "standard"


def test_resistance_and_reactance_h2() -> None:
    # JCGM 100:2008 H.2, table H.2: five simultaneous observations of V, mA and rad
    volts = [5.007, 4.994, 5.005, 4.990, 4.999]
    milliamperes = [19.663, 19.639, 19.640, 19.685, 19.678]
    phase = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]
    v, i, phi = type_a.multi_estimate_real((volts, milliamperes, phase), labels=("V", "I", "phase"))
    ohms = {
        "R": v / (i * 1e-3) * GTC.cos(phi),
        "X": v / (i * 1e-3) * GTC.sin(phi),
        "Z": v / (i * 1e-3),
    }
    printed = {"R": (127.732, 0.071), "X": (219.847, 0.295), "Z": (254.260, 0.236)}
    for name, (value, u) in printed.items():
        result = expanded(ohms[name])
        assert result.value == pytest.approx(value, abs=5e-4)
        assert result.u == pytest.approx(u, abs=6e-4)  # 0.29558 is printed as 0.295
        assert result.dof == pytest.approx(4.0)
        assert result.k == pytest.approx(2.78, abs=5e-3)


def test_a_correction_from_a_calibration_line_h3() -> None:
    # JCGM 100:2008 H.3: thermometer corrections in degC, line about 20 degC, prediction at 30
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    fit = type_a.line_fit([each - 20.0 for each in t], b)
    intercept, slope = fit.a_b
    assert expanded(intercept).value == pytest.approx(-0.17120379, rel=1e-6)
    assert expanded(intercept).u == pytest.approx(0.0028776, rel=1e-4)
    assert expanded(slope).value == pytest.approx(0.0021827, rel=1e-4)
    assert expanded(slope).u == pytest.approx(0.00066794, rel=1e-4)
    at_30 = expanded(intercept + slope * 10.0)
    assert at_30.value == pytest.approx(-0.14937681, rel=1e-6)
    assert at_30.u == pytest.approx(0.0041386, rel=1e-4)
    assert at_30.dof == pytest.approx(9.0)
    assert at_30.k == pytest.approx(2.26, abs=5e-3)


def test_welch_satterthwaite_g41() -> None:
    # JCGM 100:2008 G.4.1: 0.25 %, 0.57 %, 0.82 % of 10, 5, 15 observations
    product = (
        GTC.ureal(1.0, 0.0025, 9, label="x1")
        * GTC.ureal(1.0, 0.0057, 4, label="x2")
        * GTC.ureal(1.0, 0.0082, 14, label="x3")
    )
    result = expanded(product)
    assert result.u == pytest.approx(0.0103, abs=5e-5)
    assert result.dof == pytest.approx(19.0, abs=0.05)  # unrounded 18.9987
    # the print rounds to 19 and takes 2.09; full digits truncate to 18
    assert coverage_factor(19.0) == pytest.approx(2.09, abs=5e-3)
    assert result.k == pytest.approx(2.10, abs=5e-3)
