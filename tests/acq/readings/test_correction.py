"""Corrections from a certificate: added to the indication, interpolated, with their uncertainty."""

from __future__ import annotations

import math
from datetime import date
from typing import Any

import pytest

from acq.bench.bench_file import BenchFile, bench_file_from_text
from acq.readings.correction import Correction, find_correction
from acq.readings.measured import is_number
from acq.readings.reading import Reading
from acq.readings.specification import Accuracy
from acq.readings.uncertainty import Uncertainties
from drivers.written_file import FileError

POINTS = [
    {"at": 0.0, "correction": 1e-6, "expanded_uncertainty": 2e-6},
    {"at": 0.01, "correction": 3e-6, "expanded_uncertainty": 4e-6},
]
TABLE = Correction.model_validate({"quantity": "dc-voltage", "range": 0.1, "points": POINTS})


def reading(value: float, range_: float | None = 0.1, limit: str | None = None) -> Reading:
    return Reading.from_json(
        {
            "quantity": "dc-voltage", "value": value, "limit": limit, "unit": "V",
            "instrument": "dmm", "range": range_, "plc": None, "started_ns": 0,
            "ended_ns": round(1e9 * value) + 1, "raw": str(value), "settings": {},
        }
    )  # fmt: skip


@pytest.mark.parametrize(
    ("at", "correction", "u"),
    [
        (0.0, 1e-6, 1e-6),
        (0.005, 2e-6, 1.5e-6),
        (0.01, 3e-6, 2e-6),
        (0.09, 3e-6, 2e-6),  # beyond the last point: that one holds
        (-0.01, 1e-6, 1e-6),
    ],
)
def test_between_points_it_is_interpolated(at: float, correction: float, u: float) -> None:
    assert list(TABLE.at(at)) == pytest.approx([correction, u])


def test_a_reading_is_corrected_and_its_budget_has_both_parts() -> None:
    # GUM H.1 and JCGM 200:2012, 2.53: the measured value is indication plus correction; manual's
    # limit 1 ppm of reading (rectangular) and the calibration's U = 4 uV at k = 2 add squared
    accuracy = Accuracy(quantity="dc-voltage", range=0.1, absolute=6e-6)
    known = Uncertainties({"dmm": [accuracy]}, corrections={"dmm": [TABLE]})
    measured = known.of(reading(0.01))
    assert is_number(measured)
    assert float(measured.x) == pytest.approx(0.010003, rel=1e-12)
    assert float(measured.u) == pytest.approx(math.hypot(6e-6 / math.sqrt(3), 2e-6))
    assert known.correction(reading(0.01)) == pytest.approx(3e-6)
    other = known.anew().of(reading(0.01))
    assert is_number(other)
    assert float(other.x) == float(measured.x)


def test_the_mean_is_corrected_once_and_a_bound_never() -> None:
    accuracy = Accuracy(quantity="dc-voltage", range=0.1)
    known = Uncertainties({"dmm": [accuracy]}, corrections={"dmm": [TABLE]})
    mean = known.mean([reading(0.01), reading(0.01 + 1e-9)])
    assert is_number(mean)
    assert float(mean.x) == pytest.approx(0.010003 + 0.5e-9, rel=1e-9)
    assert known.correction(reading(0.01, limit="above")) == 0.0


def test_a_table_without_a_range_holds_as_far_as_its_points_reach() -> None:
    """A correction of 5 V at 10 V says nothing about 100 V; its own range it covers whole."""
    points = [{"at": 10.0, "correction": 0.5, "expanded_uncertainty": 1e-3}]
    table = Correction.model_validate({"quantity": "dc-voltage", "points": points})
    known = Uncertainties(
        {"dmm": [Accuracy(quantity="dc-voltage", absolute=1e-3)]}, corrections={"dmm": [table]}
    )
    found = [known.correction(reading(at, None)) for at in (-1.0, 10.9, 11.1, -100.0)]
    assert found == [0.5, 0.5, 0.0, 0.0]
    measured = known.of(reading(100.0, None))
    assert is_number(measured)
    assert float(measured.x) == 100.0


def test_in_an_automatic_range_the_one_that_holds_the_value_is_taken() -> None:
    accuracies = [
        Accuracy(quantity="dc-voltage", range=0.1),
        Accuracy(quantity="dc-voltage", range=1.0),
    ]
    known = Uncertainties({"dmm": accuracies}, corrections={"dmm": [TABLE]})
    assert known.correction(reading(0.01, None)) == pytest.approx(3e-6)
    assert known.correction(reading(0.5, None)) == 0.0


def test_a_table_of_its_range_comes_before_one_of_every_range() -> None:
    every = TABLE.model_copy(update={"range": None})
    assert find_correction([every, TABLE], "dc-voltage", 0.1) is TABLE
    assert find_correction([every, TABLE], "dc-voltage", 1.0) is every
    assert find_correction([TABLE], "resistance", 0.1) is None


BENCH = """
name = "Bench 1"
[instruments.dmm]
by_hand = true
calibrated = 2026-01-01
due = 2028-01-01
"""


def bench(*, text: str = BENCH, more: str) -> BenchFile:
    return bench_file_from_text(text + more, "bench.toml")


def printed(within: float | None, ppm: float) -> str:
    line = "" if within is None else f"within_days = {within}\n"
    return (
        "[[instruments.dmm.accuracy]]\n"
        f'quantity = "dc-voltage"\nrange = 1.0\nreading_ppm = {ppm}\n{line}'
    )


@pytest.mark.parametrize(
    ("day", "ppm"),
    [
        (date(2026, 1, 1), 20.0),
        (date(2026, 1, 2), 20.0),
        (date(2026, 1, 3), 30.0),
        (date(2026, 12, 1), 40.0),
        (date(2027, 6, 1), 40.0),  # none holds any more: the longest; the role is overdue
    ],
)
def test_of_the_manuals_columns_the_shortest_that_still_holds_is_taken(
    day: date, ppm: float
) -> None:
    file = bench(more=printed(365, 40) + printed(1, 20) + printed(90, 30))
    dmm = file.instruments["dmm"]
    (accuracy,) = dmm.accuracy_on(day)
    assert accuracy.reading_ppm == ppm
    assert dmm.holds_until == date(2027, 1, 1)
    assert dmm.overdue(day) == (day > date(2027, 1, 1))


def test_without_a_period_the_due_date_alone_ends_it() -> None:
    dmm = bench(more=printed(None, 40)).instruments["dmm"]
    assert dmm.holds_until == date(2028, 1, 1)
    assert len(dmm.accuracy_on(date(2027, 12, 1))) == 1


@pytest.mark.parametrize(
    ("text", "more", "told"),
    [
        (BENCH.replace("calibrated = 2026-01-01\n", ""), printed(365, 40), "calibrated is needed"),
        (BENCH.replace("2028", "2025"), "", "due 2025-01-01 is before calibrated 2026-01-01"),
        (
            BENCH,
            '[[instruments.dmm.correction]]\nquantity = "dc-voltage"\npoints = ['
            "{ at = 1.0, correction = 0.0, expanded_uncertainty = 0.0 },"
            "{ at = 0.5, correction = 0.0, expanded_uncertainty = 0.0 }]\n",
            "0.5 stands after 1: they must rise",
        ),
        (
            BENCH,
            '[[instruments.dmm.correction]]\nquantity = "dc-voltage"\npoints = []\n',
            "points",
        ),
        (
            BENCH,
            2
            * (
                '[[instruments.dmm.correction]]\nquantity = "dc-voltage"\npoints = ['
                "{ at = 1.0, correction = 0.0, expanded_uncertainty = 0.0 }]\n"
            ),
            "two tables of corrections",
        ),
    ],
)
def test_what_cannot_be_is_one_line_with_file_and_key(text: str, more: str, told: str) -> None:
    with pytest.raises(FileError) as caught:
        bench(text=text, more=more)
    said: Any = str(caught.value)
    assert said.startswith("bench.toml: instruments.dmm")
    assert told in said
    assert "\n" not in said
