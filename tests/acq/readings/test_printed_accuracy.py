"""Accuracy as manuals print it. The texts are made up in the shapes that are common practice."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.readings.printed_accuracy import read_printed
from acq.readings.specification import Accuracy


@pytest.mark.parametrize(
    ("text", "quantity", "figures"),
    [
        ("0.0050 % + 0.0035 %", "dc-voltage", {"reading_ppm": 50, "range_ppm": 35}),
        (
            "50 ppm of reading + 35 ppm of range",
            "dc-voltage",
            {"reading_ppm": 50, "range_ppm": 35},
        ),
        ("+-(35 ppm rng + 50 ppm rdg)", "dc-voltage", {"reading_ppm": 50, "range_ppm": 35}),
        ("± (0.5 % + 2 digits)", "resistance", {"reading_ppm": 5000, "digits": 2}),
        ("0.5% rdg + 3 dgt", "resistance", {"reading_ppm": 5000, "digits": 3}),
        ("+/- 0,5 % + 5 d", "resistance", {"reading_ppm": 5000, "digits": 5}),
        ("0.05 % + 5 mV", "voltage", {"reading_ppm": 500, "absolute": 5e-3}),
        ("0.1 % of setting + 100 uA", "current", {"reading_ppm": 1000, "absolute": 1e-4}),
        ("5 %, k = 2", "insulation-resistance", {"reading_ppm": 5e4, "coverage_factor": 2}),
        ("3 % of reading + 500 ohm (k=2)", "insulation-resistance",
         {"reading_ppm": 3e4, "absolute": 500, "coverage_factor": 2}),
        ("0.2 degC", "temperature", {"absolute": 0.2}),
        ("0.2 K", "temperature", {"absolute": 0.2}),
        ("2 %RH", "relative-humidity", {"absolute": 2.0}),
        ("2 % + 1 % of reading", "relative-humidity", {"absolute": 2.0, "reading_ppm": 1e4}),
        ("1 hPa", "pressure", {"absolute": 100.0}),
        ("100 Pa", "pressure", {"absolute": 100.0}),
        ("0.02 % FS", "dc-voltage", {"range_ppm": 200}),
        ("0.02 % of full scale", "dc-voltage", {"range_ppm": 200}),
        ("1e1 ppm", "dc-voltage", {"reading_ppm": 10}),
    ],
)  # fmt: skip
def test_what_a_manual_prints_is_understood(
    text: str, quantity: str, figures: dict[str, float]
) -> None:
    assert read_printed(text, quantity) == pytest.approx(figures)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("good", "no number with %, ppm, digits or V"),
        ("50 ppm of reading + 35 ppm of reading", "reading_ppm stands there twice"),
        ("50 ppm of something", "of reading or of range"),
        ("5 ohm", "V is expected here"),
        ("", "no number"),
        ("50 ppm + + 3 mV", "no number"),
    ],
)
def test_what_is_not_understood_says_what_would_be(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        read_printed(text, "dc-voltage")


PPM = st.integers(1, 99999)


@given(reading=PPM, of_range=PPM, digits=st.integers(1, 50), percent=st.booleans())
def test_what_is_written_out_is_read_back(
    reading: int, of_range: int, digits: int, percent: bool
) -> None:
    def share(ppm: int) -> str:
        return f"{ppm / 1e4:.4f} %" if percent else f"{ppm} ppm"

    text = f"({share(reading)} of reading + {share(of_range)} of range + {digits} digits)"
    figures = read_printed(text, "dc-voltage")
    assert figures == pytest.approx(
        {"reading_ppm": reading, "range_ppm": of_range, "digits": digits}
    )
    table = {"quantity": "dc-voltage", "range": 1.0, "resolution": 1e-6, **figures}
    accuracy = Accuracy.model_validate(table)
    assert accuracy.gain_limit == pytest.approx(reading * 1e-6)


@given(st.text(max_size=30))
def test_whatever_is_typed_is_understood_or_refused_in_words(text: str) -> None:
    try:
        figures = read_printed(text, "dc-voltage")
    except ValueError:
        return
    assert all(value >= 0.0 for value in figures.values())
