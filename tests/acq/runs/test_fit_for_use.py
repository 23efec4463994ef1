"""Due dates and the check of the day: what stops a run, and what is said of a bench in order."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from acq.bench.bench_file import bench_file_from_text
from acq.runs.fit_for_use import KEPT, CheckOfTheDay, LastCheck, check_of_the_day, overdue
from acq.runs.sequence import find_sequence

NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)
BENCH = """
name = "Bench 1"
[instruments.dmm]
by_hand = true
due = 2026-03-01
[instruments.supply]
by_hand = true
due = 2026-03-02
[[weights]]
nominal_kilograms = 20.0
serial = "W-7"
due = 2026-01-31
[rig]
kind = "hydraulic"
[rig.reference]
capacity_newtons = 10000.0
expanded_uncertainty_share = 0.0005
due = 2026-02-01
"""


class Book:
    """Knows of one check standard, or of none."""

    def __init__(self, last: LastCheck | None) -> None:
        self.last = last

    def newest_on_bench(self, sequence: str, bench: str) -> LastCheck | None:
        assert (sequence, bench) == ("check-standard", "Bench 1")
        return self.last


def last(hours: float, *, passed: bool = True) -> LastCheck:
    at = NOW - timedelta(hours=hours)
    return LastCheck(number="R-7", serial="K-1", at=at, passed=passed)


def test_a_plan_that_wants_none_gets_none() -> None:
    assert check_of_the_day(None, Book(None), "Bench 1", NOW) is None


@pytest.mark.parametrize(
    ("newest", "missing"),
    [
        (last(2.0), ""),
        (last(23.9), ""),
        (last(24.1), "24.1 h old"),
        (last(2.0, passed=False), "failed"),
        (None, "no check standard"),
    ],
)
def test_it_is_fresh_and_in_order_or_it_is_missing(newest: LastCheck | None, missing: str) -> None:
    found = check_of_the_day(CheckOfTheDay(), Book(newest), "Bench 1", NOW)
    assert found is not None
    if missing:
        assert missing in found.missing
    else:
        assert not found.missing
        assert found.said.startswith("check standard K-1, run R-7, in order 2026-03-0")


def test_a_bench_that_keeps_none_is_told_where_the_plan_lets_it() -> None:
    wanted = CheckOfTheDay(on=KEPT)
    found = check_of_the_day(wanted, Book(None), "Bench 1", NOW)
    assert found is not None
    assert (found.said, found.missing) == ("none: this bench keeps no check standard", "")
    stale = check_of_the_day(wanted, Book(last(30.0)), "Bench 1", NOW)
    assert stale is not None
    assert stale.missing


def test_instruments_weights_and_the_reference_cell_are_looked_at() -> None:
    file = bench_file_from_text(BENCH, "bench.toml")
    today = date(2026, 3, 2)
    assert overdue(file, ["dmm", "supply", "scanner"], today, loads=False) == [
        "dmm since 2026-03-01"
    ]
    assert overdue(file, ["supply"], today, loads=True) == [
        "weights W-7 of 20 kg since 2026-01-31",
        "reference cell since 2026-02-01",
    ]


def test_every_shipped_plan_that_ends_in_a_certificate_asks_for_the_check_of_the_day() -> None:
    asks = {
        "acceptance": ("returned-cell", "returned-cell-loaded", "new-stock"),
        "load-series": ("load-series",),
        "creep": ("creep",),
        "off-centre": ("off-centre",),
    }
    for name, plans in asks.items():
        sequence = find_sequence(name)
        for plan in plans:
            wanted = sequence.read_plan(plan).check_of_the_day
            assert wanted is not None, plan
            assert (wanted.within_hours, wanted.on) == (24.0, KEPT)
    check = find_sequence("check-standard")
    assert check.read_plan("check-standard").check_of_the_day is None
    assert Path(check.plans).is_dir()
