"""Constants and a worked example of individuals and moving-range charts."""

from __future__ import annotations

import pytest

from acq.readings.control_chart import D2, D4, E2, chart_of


def test_the_exact_constants_are_those_that_tables_print() -> None:
    # factors for control charts, n = 2, as printed in ISO 7870-2 and many tables (from memory)
    assert round(D2, 3) == 1.128
    assert pytest.approx(3.267, abs=6e-4) == D4  # tables: 3.267 or 3.27
    assert pytest.approx(2.660, abs=1.5e-3) == E2  # tables: 3 / 1.128, exact 2.6587
    assert pytest.approx(2.6587, abs=5e-5) == E2


def test_the_worked_example_of_a_handbook() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, ten batches (from memory):
    # mean moving range 1.8778, centre 50.81, limits 45.8159 and 55.8041 with d2 = 1.128
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    chart = chart_of(flow)
    assert chart.mean_moving_range == pytest.approx(1.8778, abs=5e-5)
    assert chart.centre == pytest.approx(50.81)
    assert chart.lower == pytest.approx(45.8159, abs=3e-3)
    assert chart.upper == pytest.approx(55.8041, abs=3e-3)
    assert chart.largest_moving_range == pytest.approx(3.267 * 1.8778, abs=3e-3)
