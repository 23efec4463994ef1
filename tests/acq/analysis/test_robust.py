"""Median and scale against a general reference library, and how often a sound lot is held."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from acq.analysis.robust import median_and_scale

HELD_BEYOND = 6.0  # of the shipped plan `lot`
LOT = 20


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=30))
def test_median_and_scale_are_those_of_scipy(values: list[float]) -> None:
    centre, scale = median_and_scale(values)
    assert centre == pytest.approx(float(np.median(values)))
    expected = stats.median_abs_deviation(values, scale="normal")
    assert scale == pytest.approx(float(expected), rel=2e-5, abs=1e-9)


def test_no_values_have_no_median() -> None:
    with pytest.raises(ValueError, match="no values"):
        median_and_scale([])


def test_one_wild_value_in_twenty_moves_neither_far() -> None:
    sound = [float(value) for value in np.random.default_rng(1).normal(350.0, 0.07, LOT)]
    centre, scale = median_and_scale(sound)
    wild_centre, wild_scale = median_and_scale([*sound[:-1], 9999.0])
    assert wild_centre == pytest.approx(centre, abs=0.05)
    assert wild_scale == pytest.approx(scale, rel=0.4)
    assert abs(9999.0 - wild_centre) > HELD_BEYOND * wild_scale


def test_a_sound_lot_of_twenty_is_left_alone_in_99_6_percent_of_its_quantities() -> None:
    """What the shipped plan says of its own factor, by drawing normal lots."""
    lots = np.random.default_rng(2).normal(size=(20_000, LOT))
    centre = np.median(lots, axis=1, keepdims=True)
    scale = stats.median_abs_deviation(lots, axis=1, scale="normal")[:, None]
    held = float((np.abs(lots - centre) > HELD_BEYOND * scale).any(axis=1).mean())
    assert held == pytest.approx(0.004, abs=0.0015)
