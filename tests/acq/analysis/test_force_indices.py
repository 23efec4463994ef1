"""Indices of a force-proving instrument: values and formulas from memory, and labelled so.

Figures worked out by hand from made-up readings; only the arithmetic is checked.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from acq.analysis.iso_376 import SHIPPED, ForceTable, force_results, force_table
from acq.analysis.load_series import Direction, LoadReading, LoadSeries, SeriesError, load_series
from drivers.written_file import FileError

FORCES = tuple(1000.0 * k for k in range(1, 9))
POSITIONS = {1: 0.0, 2: 0.0, 3: 120.0, 4: 240.0}
# X1, X2, X3, X5 at full force, mV/V
RISING = {1: 2.0001, 2: 2.00014, 3: 2.0003, 4: 1.9999}
FALLING = {3: 2.0006, 4: 2.0003}


def calibrated(positions: int = 4) -> LoadSeries:
    """Return proportional readings: each run has one factor, the turned runs fall as well."""
    readings = []
    for run in range(1, positions + 1):
        points = [(0.0, Direction.UP, 0.0)]
        points += [(f, Direction.UP, RISING[run] * f / FORCES[-1]) for f in FORCES]
        if run in FALLING:
            points += [(f, Direction.DOWN, FALLING[run] * f / 8000) for f in FORCES[-2::-1]]
            points.append((0.0, Direction.DOWN, 0.0002))
        readings += [
            LoadReading(run=run, direction=way, load=load, output=output * 1e-3)
            for load, way, output in points
        ]
    return load_series(readings)


def test_indices_are_those_worked_out_by_hand() -> None:
    found = force_results(calibrated(), POSITIONS, force_table())
    top, below = found.indices[-1], found.indices[-2]
    assert 100 * top.repeatability.value == pytest.approx(0.00199988, rel=1e-5)
    assert 100 * top.reproducibility.value == pytest.approx(0.019999, rel=1e-4)
    assert top.reversibility is None  # the largest force is not met falling
    assert below.reversibility is not None
    by_hand = (0.0003 / 2.0003 + 0.0004 / 1.9999) / 2
    assert below.reversibility.value == pytest.approx(by_hand, rel=1e-9)
    assert found.zero is not None
    assert found.zero.value == pytest.approx(0.0002 / ((2.0001 + 2.0003 + 1.9999) / 3), rel=1e-9)
    assert all(abs(each.interpolation.value) < 1e-12 for each in found.indices)


def test_the_reached_class_is_the_first_that_keeps_every_limit() -> None:
    """Zero error 0.010 %, reproducibility 0.020 %, reversibility 0.0175 %: all within "00"."""
    assert force_results(calibrated(), POSITIONS, force_table()).reached == "00"


def test_the_table_decides_and_can_be_edited(tmp_path: Path) -> None:
    text = SHIPPED.read_text(encoding="utf-8").replace("zero = 0.012", "zero = 0.005")
    own = tmp_path / "own.toml"
    own.write_text(text, encoding="utf-8")
    assert force_results(calibrated(), POSITIONS, force_table(own)).reached == "0.5"


def test_a_table_with_a_mistake_names_it(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('title = "t"\nstatus = "s"\n[[class]]\nname = "1"\n', encoding="utf-8")
    with pytest.raises(FileError, match="reproducibility: is missing"):
        force_table(own)


def test_everything_says_that_it_is_from_memory() -> None:
    table = force_table()
    assert isinstance(table, ForceTable)
    found = force_results(calibrated(), POSITIONS, table)
    assert "from memory, unconfirmed" in found.status
    assert "per ISO 376" not in found.status


@pytest.mark.parametrize(
    ("positions", "message"),
    [
        ({1: 0.0, 2: 0.0, 3: 0.0, 4: 0.0}, "at least one in another"),
        ({1: 0.0, 2: 120.0, 3: 120.0, 4: 240.0}, "two runs in the first position"),
        ({1: 0.0, 2: 0.0, 3: 120.0}, "run 4 has no position"),
    ],
)
def test_missing_positions_are_named(positions: dict[int, float], message: str) -> None:
    with pytest.raises(SeriesError, match=message):
        force_results(calibrated(), positions, force_table())


def test_one_further_position_works_and_says_so() -> None:
    found = force_results(calibrated(3), {1: 0.0, 2: 0.0, 3: 120.0}, force_table())
    assert any("two are usual" in note for note in found.notes)
