"""Limits and procedure of OIML R 60:2021, as printed in its parts 1 to 3 and annex D."""

from __future__ import annotations

import math

import pytest

from acq.analysis import reading_times
from acq.analysis.oiml_r60 import (
    AccuracyClass,
    MeasuringRange,
    accuracy_class,
    checked_apportioning,
    dead_load_return,
    dead_load_return_from_v,
    return_limit_v,
    truncated,
    v_min,
    wording,
    zero_temperature_limit_per_k,
)
from acq.analysis.oiml_r60_results import zero_temperature_effect
from acq.errors import WrongInput


@pytest.mark.parametrize(
    ("letter", "least", "most"),
    [("A", 50_000, None), ("B", 5_000, 100_000), ("C", 500, 10_000), ("D", 100, 1_000)],
)
def test_intervals_of_a_class_are_those_of_table_1(
    letter: str, least: int, most: int | None
) -> None:
    """R 60-1, table 1."""
    assert AccuracyClass(letter, least).intervals == least
    with pytest.raises(WrongInput, match="table 1"):
        AccuracyClass(letter, least - 1)
    if most is not None:
        assert AccuracyClass(letter, most).intervals == most
        with pytest.raises(WrongInput, match="table 1"):
            AccuracyClass(letter, most + 1)


@pytest.mark.parametrize(
    ("m_v", "mpe_v"),
    [(0, 0.35), (500, 0.35), (501, 0.70), (2000, 0.70), (2001, 1.05), (3000, 1.05), (10_000, 1.05)],
)
def test_permissible_errors_of_class_c(m_v: float, mpe_v: float) -> None:
    """R 60-1, table 4, with p_LC 0.7."""
    assert AccuracyClass("C", 10_000).mpe_v(m_v) == pytest.approx(mpe_v, abs=1e-12)


@pytest.mark.parametrize(
    ("letter", "edges"),
    [
        ("A", (50_000, 200_000)),
        ("B", (5_000, 20_000, 100_000)),
        ("C", (500, 2_000, 10_000)),
        ("D", (50, 200, 1_000)),
    ],
)
def test_bands_are_closed_above_and_open_below(letter: str, edges: tuple[int, ...]) -> None:
    """R 60-1, table 4: the upper end of a band still belongs to it."""
    accuracy = AccuracyClass(letter, {"A": 300_000, "B": 100_000, "C": 10_000, "D": 1_000}[letter])
    for factor, edge in zip((0.5, 1.0, 1.5), edges, strict=False):
        assert accuracy.mpe_v(edge, 1.0) == factor
        if factor < 1.5:
            assert accuracy.mpe_v(edge + 1, 1.0) == factor + 0.5
        else:
            with pytest.raises(WrongInput, match="beyond class"):
                accuracy.mpe_v(edge + 1, 1.0)


def test_the_band_edge_of_a_real_load_does_not_depend_on_rounding() -> None:
    """500 v of a 20 t C3 cell is 3333.333... kg: no float hits it exactly."""
    span = MeasuringRange(accuracy_class("C3"), 0.0, 20_000.0)
    assert span.mpe_v(20_000.0 * 500 / 3000) == pytest.approx(0.35)
    assert span.mpe_steps() == pytest.approx((20_000 / 6, 20_000 * 2 / 3))


@pytest.mark.parametrize("factor", [0.29, 0.81, -0.7, math.nan])
def test_apportioning_factors_outside_their_range_are_refused(factor: float) -> None:
    """R 60-1, 5.3.2: 0.3 to 0.8."""
    with pytest.raises(WrongInput, match=r"0\.3 to 0\.8"):
        checked_apportioning(factor)


@pytest.mark.parametrize("declared", [0.3, 0.7, 0.8])
def test_creep_limits_of_c3_do_not_depend_on_the_declared_factor(declared: float) -> None:
    """R 60-1, 5.5.1, both worked examples: 0.735 v and 0.1575 v, always with 0.7."""
    span = MeasuringRange(accuracy_class("C3"), 0.0, 500.0, declared)
    assert span.creep_limit_v == pytest.approx(0.735, abs=1e-12)
    assert span.late_creep_limit_v == pytest.approx(0.1575, abs=1e-12)


@pytest.mark.parametrize(
    ("ratio", "limit"), [(0.8, 0.5), (1.0, 0.5), (1.25, 0.375), (1.5, 0.25), (1.51, None)]
)
def test_a_late_return_reading_has_a_smaller_limit(ratio: float, limit: float | None) -> None:
    """R 60-1, 5.5.2; R 60-2, 2.8.3.2: 125 % of the time leaves 75 %, 150 % leaves half."""
    found = return_limit_v(ratio)
    assert found == (None if limit is None else pytest.approx(limit, abs=1e-12))


@pytest.mark.parametrize(
    ("capacity", "Y", "printed", "last_digit"),
    [
        (100, 12_000, 0.0083, 1e-4),
        (300, 12_000, 0.025, 1e-3),
        (500, 12_000, 0.042, 1e-3),
        (5_000, 12_000, 0.42, 1e-2),
        (10_000, 12_000, 0.83, 1e-2),
        (30_000, 12_000, 2.5, 1e-1),
        (50_000, 12_000, 4.17, 1e-2),
        (50, 18_000, 0.0028, 1e-4),
        (100, 18_000, 0.0055, 1e-4),  # printed cut, not rounded
        (300, 18_000, 0.0167, 1e-4),
        (500, 18_000, 0.028, 1e-3),
        (500, 25_000, 0.020, 1e-3),
        (1_000, 25_000, 0.040, 1e-3),
        (4_000, 25_000, 0.16, 1e-2),
    ],
)
def test_minimum_intervals_of_the_family_in_annex_d(
    capacity: float, Y: float, printed: float, last_digit: float
) -> None:
    """R 60, annex D.2.1."""
    assert v_min(capacity, Y) == pytest.approx(printed, abs=last_digit)


def test_return_as_a_mass_follows_from_z_and_from_v_alike() -> None:
    """R 60-1, 3.5.14 and R 60-3, 2.1.5: half an interval of n = Z intervals is the DR of Z."""
    assert dead_load_return(30_000.0, 3000) == pytest.approx(5.0)
    assert dead_load_return_from_v(0.5, 30_000.0, 3000) == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("change_kg", "cd", "b", "a"),
    [
        (10, 10, 15, 20),
        (10.1, 20, 30, 40),
        (100, 20, 30, 40),
        (1_000, 30, 45, 60),
        (10_000, 40, 60, 80),
        (100_000, 50, 75, 100),
        (100_001, 60, 90, 120),
        (-1_500, 40, 60, 80),  # unloading counts as loading
    ],
)
def test_reading_times_are_those_of_table_1(change_kg: float, cd: int, b: int, a: int) -> None:
    """R 60-2, table 1."""
    times = [reading_times.reading_time_s(change_kg, letter) for letter in "CDBA"]
    assert times == [cd, cd, b, a]


def test_half_of_the_time_is_for_loading() -> None:
    """R 60-2, 2.8.3.1 and its examples: 5 s of 10 kg, 20 s of 1500 kg."""
    light, heavy = reading_times.load_steps([0.0, 10.0, 1510.0], "C")
    assert (light.loading_s, heavy.loading_s) == (5.0, 20.0)
    assert reading_times.spacing_s((light, heavy), 5.0) == 45.0


def test_numbers_of_the_procedure() -> None:
    """R 60-2, 2.7.3, 2.8 and 2.10."""
    assert reading_times.PRELOADS == 3
    assert reading_times.WAIT_BEFORE_LOADS_S == 5 * 60
    assert reading_times.WAIT_BEFORE_CREEP_S == 60 * 60
    assert reading_times.RISING_POINTS == 5
    assert [reading_times.runs_needed(letter) for letter in "ABCD"] == [5, 5, 3, 3]
    assert reading_times.LARGEST_MINIMUM_LOAD == 0.10
    assert reading_times.SMALLEST_MAXIMUM_LOAD == 0.90


@pytest.mark.parametrize("every_s", [None, 60.0, 45.0, 7.0])
def test_a_creep_record_always_reads_at_20_and_30_min(every_s: float | None) -> None:
    """R 60-2, 2.10.2.8."""
    times = reading_times.creep_reading_times_s(30.0, every_s)
    assert times[0] == 30.0
    assert {1230.0, 1830.0} <= set(times)
    assert list(times) == sorted(set(times))


def test_a_zero_that_moves_too_far_with_temperature() -> None:
    """R 60-3, 2.1.4 and R 60-1, 5.6.1.3, with made-up inputs: 0.75 against p_LC 0.7."""
    span = MeasuringRange(accuracy_class("C3"), 0.0, 300.0)
    factor = 2e-3 / 3000
    change = zero_temperature_effect(
        (20.0, 1e-6), (40.0, 1e-6 + 0.6 * factor), factor, span, v_min=0.02, step_k=5.0
    )
    assert change == pytest.approx(0.75)


# computed from R 60-1, table 4, 5.5.1 and 5.5.2 with p_LC 0.7, in percent of Emax; printed so
# in tables of the trade
CLASS_TABLE = {
    "D1": ((0.070, 0.105, 0.105, 0.105, 0.105), 0.0735, 0.0157, 0.050),
    "C1": ((0.035, 0.035, 0.035, 0.070, 0.070), 0.049, 0.0105, 0.050),
    "C2": ((0.0175, 0.0175, 0.035, 0.035, 0.035), 0.0245, 0.0052, 0.025),
    "C3": ((0.0117, 0.0233, 0.0233, 0.035, 0.035), 0.0245, 0.0052, 0.0167),
    "C4": ((0.0087, 0.0175, 0.0175, 0.0262, 0.0262), 0.0184, 0.0039, 0.0125),
    "C5": ((0.007, 0.014, 0.021, 0.021, 0.021), 0.0147, 0.0031, 0.010),
    "C6": ((0.0117, 0.0117, 0.0175, 0.0175, 0.0175), 0.0122, 0.0026, 0.0083),
}


@pytest.mark.parametrize("symbol", CLASS_TABLE)
def test_what_a_class_means_in_percent_of_capacity(symbol: str) -> None:
    errors, creep, late, returned = CLASS_TABLE[symbol]
    span = MeasuringRange(accuracy_class(symbol), 0.0, 100.0)
    in_percent = 100.0 / span.accuracy.intervals
    found = [span.mpe_v(load) * in_percent for load in (10.0, 25.0, 50.0, 75.0, 100.0)]
    half_a_digit = 5.1e-5
    assert found == pytest.approx(errors, abs=half_a_digit)
    assert span.creep_limit_v * in_percent == pytest.approx(creep, abs=half_a_digit)
    assert span.late_creep_limit_v * in_percent == pytest.approx(late, abs=half_a_digit)
    limit = return_limit_v()
    assert limit is not None
    assert limit * in_percent == pytest.approx(returned, abs=half_a_digit)


@pytest.mark.parametrize(("Y", "percent"), [(7_500, 0.0019), (10_000, 0.0014), (20_000, 0.0007)])
def test_zero_temperature_limit_in_percent_per_kelvin(Y: float, percent: float) -> None:
    """Computed from R 60-1, 5.6.1.3 with p_LC 0.7 and classes B to D."""
    found = 100.0 * zero_temperature_limit_per_k(500.0, Y)
    assert found == pytest.approx(percent, abs=0.5e-4)


@pytest.mark.parametrize(
    ("symbol", "letter", "intervals"),
    [("C3", "C", 3000), ("C1.5", "C", 1500), ("c0.5", "C", 500), ("B10", "B", 10_000)],
)
def test_symbols_tell_letter_and_thousands(symbol: str, letter: str, intervals: int) -> None:
    """R 60-1, tables 2 and 3."""
    assert accuracy_class(symbol) == AccuracyClass(letter, intervals)


@pytest.mark.parametrize("symbol", ["", "3", "E3", "C", "C3 NH", "C-3", "3C"])
def test_other_symbols_are_refused(symbol: str) -> None:
    with pytest.raises(WrongInput, match="is not like C3"):
        accuracy_class(symbol)


@pytest.mark.parametrize(
    ("value", "cut"), [(0.239, 0.23), (-0.239, -0.23), (0.35, 0.35), (0.29, 0.29), (-0.001, 0.0)]
)
def test_reported_values_are_cut_to_two_decimals(value: float, cut: float) -> None:
    """R 60-3, 2.3.2."""
    assert truncated(value) == cut


def test_the_words_claim_no_more_than_was_done() -> None:
    assert wording(accuracy_class("C3"), 22.0) == "tested to the limits of class C3 at 22 degC"
    assert wording(accuracy_class("C3"), None) == "tested to the limits of class C3"
