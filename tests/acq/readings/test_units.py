"""SI values as people write and read them."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.readings.units import (
    format_bound,
    format_limits,
    format_result,
    format_value,
    percent_of_rated_output,
    read_value,
)


@pytest.mark.parametrize(
    ("value", "unit", "U", "text"),
    [
        (385.12345, "ohm", 0.0451, "385.123 ohm ± 0.045 ohm"),
        (1.99869e-3, "V/V", 2.6e-7, "1.99869 mV/V ± 0.00026 mV/V"),
        (-6.4e-6, "V/V", 3.5e-7, "-0.00640 mV/V ± 0.00035 mV/V"),
        (1.234e10, "ohm", 2.5e9, "12.3 Gohm ± 2.5 Gohm"),
        (0.0200112, "V", 4.5e-6, "20.0112 mV ± 0.0045 mV"),
        (1105.0, "ohm", 12.0, "1105 ohm ± 12 ohm"),
        (101325.0, "Pa", 20.0, "1013.25 hPa ± 0.20 hPa"),
        (0.0, "V", 1e-6, "0.0 uV ± 1.0 uV"),
        (10.0, "V", 0.00996, "10.000 V ± 0.010 V"),
        (12345.0, "kg", 670.0, "12340 kg ± 670 kg"),
        (22.3, "degC", 0.2, "22.30 degC ± 0.20 degC"),
    ],
)
def test_results_have_the_digits_that_the_uncertainty_allows(
    value: float, unit: str, U: float, text: str
) -> None:
    assert format_result(value, unit, U) == text


def test_values_without_uncertainty_keep_six_digits() -> None:
    assert format_value(385.1, "ohm") == "385.1 ohm"
    assert format_value(0.0, "ohm") == "0 ohm"
    assert format_bound(2e10, "above", "ohm") == "> 20 Gohm"
    assert format_bound(1e3, "below", "ohm") == "< 1000 ohm"


def test_limits_read_as_a_sentence() -> None:
    assert format_limits(373.0, 397.0, "ohm") == "373 ohm to 397 ohm"
    assert format_limits(5e9, None, "ohm") == "at least 5 Gohm"
    assert format_limits(None, 2e-5, "V/V") == "at most 0.02 mV/V"


@given(st.floats(1e-12, 1e12), st.floats(1e-6, 0.5), st.sampled_from(["ohm", "V", "V/V", "N"]))
def test_a_written_result_is_within_half_a_digit_of_its_value(
    size: float, part: float, unit: str
) -> None:
    U = size * part
    number, spread = re.findall(r"(-?[\d.]+) ", format_result(size, unit, U) + " ")
    symbol = format_result(size, unit, U).split()[1]
    factor = {"uV": 1e-6, "mV": 1e-3, "kohm": 1e3, "Mohm": 1e6, "Gohm": 1e9, "kN": 1e3}
    scale = factor.get(symbol, 1e-3 if symbol == "mV/V" else 1.0)
    assert abs(float(number) * scale - size) <= 0.051 * U
    assert float(spread) * scale == pytest.approx(U, rel=0.051)


def test_percent_of_rated_output() -> None:
    assert percent_of_rated_output(2e-5, 2e-3) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("385.1", "ohm", (385.1, None)),
        ("385,1 Ω", "ohm", (385.1, None)),
        (">20 Gohm", "ohm", (20e9, "above")),
        ("> 20G", "ohm", (20e9, "above")),
        ("2e10", "ohm", (2e10, None)),
        ("0.35 kohm", "ohm", (350.0, None)),
        ("-1.25 mV", "V", (-1.25e-3, None)),
        ("2.0011 mV/V", "V/V", (2.0011e-3, None)),
        ("44 %", "percent", (44.0, None)),
        ("22.3 °C", "degC", (22.3, None)),
        ("OL", "ohm", (None, "above")),
        ("open", "ohm", (None, "above")),
        ("< 0.5", "ohm", (0.5, "below")),
    ],
)
def test_what_a_person_types_is_read(
    text: str, unit: str, expected: tuple[float | None, str | None]
) -> None:
    value, limit = read_value(text, unit)
    assert limit == expected[1]
    assert value == pytest.approx(expected[0]) if expected[0] is not None else value is None


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("nan", "ohm"),
        ("1_000", "ohm"),
        ("", "V"),
        ("3 V", "ohm"),
        ("1.2.3", "V"),
        ("5 x", "V"),
        ("inf", "V"),
        ("12 mm", "V"),
    ],
)
def test_what_is_no_such_value_is_refused(text: str, unit: str) -> None:
    with pytest.raises(ValueError, match=r"is needed|must be"):
        read_value(text, unit)


@given(st.floats(allow_nan=False, allow_infinity=False, width=32))
def test_a_printed_float_is_read_back_exactly(value: float) -> None:
    assert read_value(repr(value), "V") == (value, None)
    assert not math.isnan(value)
