"""Numbers as a certificate prints them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

import pytest

from acq.certificates import wording


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("385.13 ohm", "385.13\u00a0Ω"),
        ("> 20 Gohm", "> 20\u00a0GΩ"),
        ("-6.4 uV at 50 V", "−6.4\u00a0µV at 50\u00a0V"),
        ("22.3 degC", "22.3\u00a0°C"),
        ("1.5 mV/V or 2 %", "1.5\u00a0mV/V or 2\u00a0%"),
        ("Ex+ Ex-, sheet of 2023-11-27, R-2026-0042", "Ex+ Ex-, sheet of 2023-11-27, R-2026-0042"),
        ("ohmic; Johm", "ohmic; Johm"),
    ],
)
def test_units_and_minus_get_their_signs_and_names_keep_theirs(text: str, shown: str) -> None:
    assert wording.signs(text) == shown


def found(value: float | None, unit: str, U: float | None = None, **other: Any) -> dict[str, Any]:
    return {"value": value, "unit": unit, "expanded_uncertainty": U, **other}


@pytest.mark.parametrize(
    ("finding", "shown"),
    [
        # GUM 7.2.6: two digits of the uncertainty are enough, and the value ends where U ends
        (found(385.1304, "ohm", 0.0496, coverage_factor=2.0), ("385.130", "0.050", "Ω", "2.00")),
        (
            found(-6.42e-6, "V/V", 4.1e-8, coverage_factor=2.01),
            ("−0.006420", "0.000041", "mV/V", "2.01"),
        ),
        (found(2e10, "ohm", None, limit_kind="above"), ("> 20", "", "GΩ", "")),
        (found(2e10, "ohm", 1e9, limit_kind="above"), ("> 20", "", "GΩ", "")),
        (found(None, "V/V"), ("—", "", "", "")),
    ],
)
def test_a_result_is_cut_into_the_tables_columns(
    finding: dict[str, Any], shown: tuple[str, ...]
) -> None:
    got = wording.result(finding)
    assert (got["value"], got["uncertainty"], got["unit"], got["k"]) == shown


@pytest.mark.parametrize(
    ("key", "value", "shown"),
    [
        ("dwell_s", 60.0, "dwell 60\u00a0s"),
        ("volts", 50.0, "50\u00a0V"),
        ("first_volts", 1.0, "first 1\u00a0V"),
        ("open_above_ohms", 1e5, "open above 100\u00a0kΩ"),
        ("stable_drift_ratio", 8e-8, "stable drift 0.00008\u00a0mV/V"),
        ("largest_uncertainty_share", 1 / 3, "largest uncertainty share 33.3\u00a0%"),
        ("readings", 3, "readings 3"),
        ("reversed", True, "reversed: yes"),
        ("reversed", False, "reversed: no"),
        ("position", "upright", "position upright"),
    ],
)
def test_a_plans_entry_reads_as_people_write_it(key: str, value: object, shown: str) -> None:
    assert wording.setting(key, value) == shown


def test_moments_are_told_in_utc() -> None:
    late = datetime(2026, 3, 1, 23, 30, tzinfo=timezone(timedelta(hours=-5)))
    assert wording.moment(late) == "2 March 2026, 04:30 UTC"
    assert wording.day(late) == "2 March 2026"
    assert wording.day(date(2026, 12, 31)) == "31 December 2026"
    assert wording.day(datetime(2026, 1, 1, tzinfo=UTC)) == "1 January 2026"
    assert (wording.written_day("2026-02-03"), wording.written_day(None)) == (
        "3 February 2026",
        "–",
    )


def test_sources_are_lettered_like_columns_of_a_table() -> None:
    numbers = (0, 25, 26, 27, 51, 52, 701, 702)
    assert [wording.letter(n) for n in numbers] == ["a", "z", "aa", "ab", "az", "ba", "zz", "aaa"]


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("500.0 kg", "500\u00a0kg"),
        ("0.35 ohm", "0.35\u00a0Ω"),
        ("about 2 t", "about 2 t"),
        (None, ""),
    ],
)
def test_a_quantity_of_a_sheet_loses_its_empty_decimals(text: object, shown: str) -> None:
    assert wording.quantity(text) == shown
