"""Relative indices of a force-proving instrument; every limit and formula here is from memory.

Nothing made with this file may be called a classification to a standard: results carry the
status of the table they were judged with ("from memory, unconfirmed"), and a workshop edits its
own copy of `tables/iso_376.toml`. Indices are fractions of the reading at that force.

Series: two rising ones in the first position of the instrument without moving it (X1, X2), then
one in each further position, rising (X3, X5) and falling where it was read (X4, X6).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pydantic import Field

from acq.analysis.calibration_data import CalibrationData
from acq.analysis.load_series import (
    Direction,
    LoadSeries,
    SeriesError,
    require_one_unit,
    require_zeros,
)
from acq.analysis.polynomial import Polynomial, fit_polynomial
from acq.analysis.propagation import Floats, Readings, Result, Source, Tracked, combine
from drivers.written_file import Written, read_file

SHIPPED = Path(__file__).with_name("tables") / "iso_376.toml"
OF_READING = "of the reading"
CURVE_DEGREE = 3


class ForceClass(Written):
    """One class: limits in percent, named as the indices are."""

    name: str
    reproducibility: float = Field(gt=0)
    repeatability: float = Field(gt=0)
    interpolation: float = Field(gt=0)
    zero: float = Field(gt=0)
    reversibility: float = Field(gt=0)
    creep: float = Field(gt=0)
    force_uncertainty: float = Field(gt=0)
    resolutions_at_lowest_force: float = Field(gt=0)


class ForceTable(Written):
    """The editable classes, best first; `status` is printed beside every figure."""

    title: str
    status: str
    classes: tuple[ForceClass, ...] = Field(alias="class", min_length=1)


def force_table(path: Path = SHIPPED) -> ForceTable:
    """Return the shipped table or a workshop's own; raises FileError."""
    return read_file(path, ForceTable)


@dataclass(frozen=True, slots=True)
class ForceIndices:
    """The indices at one force; None where the series for it is missing."""

    force: float
    reproducibility: Result  # b
    repeatability: Result  # b'
    interpolation: Result  # f_c
    reversibility: Result | None  # v

    def named(self) -> Mapping[str, float | None]:
        """Return the sizes by the names that the table of classes uses."""
        return {
            "reproducibility": abs(self.reproducibility.value),
            "repeatability": abs(self.repeatability.value),
            "interpolation": abs(self.interpolation.value),
            "reversibility": None if self.reversibility is None else abs(self.reversibility.value),
        }


@dataclass(frozen=True, slots=True)
class ForceResults:
    """Indices at every force, the zero error, the curve, and the class that they reach."""

    indices: tuple[ForceIndices, ...]
    zero: Result | None  # f_0, of the output at maximum force
    curve: Polynomial
    reached: str | None
    status: str
    notes: tuple[str, ...]


def force_results(
    series: LoadSeries,
    positions: Mapping[int, float],
    table: ForceTable,
    sources: Iterable[Source] = (),
) -> ForceResults:
    """Return the indices of a series whose runs stood in `positions` (run -> degrees).

    Raises SeriesError without two runs in the first position and one in another, or without a
    zero reading at the start of each run.
    """
    analysis = _ForceAnalysis(series, positions, tuple(sources))
    curve = analysis.curve()
    indices = tuple(analysis.indices(force, curve) for force in analysis.forces)
    zero = analysis.zero()
    return ForceResults(
        indices,
        zero,
        curve,
        reached_class(indices, zero, table),
        f"{table.title}: {table.status}",
        tuple(analysis.notes()),
    )


class _ForceAnalysis:
    def __init__(
        self, series: LoadSeries, positions: Mapping[int, float], sources: tuple[Source, ...]
    ) -> None:
        require_zeros(series)
        require_one_unit(series)
        self.series, self.sources = series, sources
        self.readings: Readings = series.arrays
        self.still, self.turned = _split(series.runs, positions)
        rising = [self._forces(run, Direction.UP) for run in (*self.still, *self.turned)]
        self.forces = [force for force in rising[0] if all(force in other for other in rising)]
        if any(len(other) != len(self.forces) for other in rising):
            raise SeriesError("every rising run needs the same forces")

    def _forces(self, run: int, direction: Direction) -> list[float]:
        found = [r.load for r in self.series.readings if (r.run, r.direction) == (run, direction)]
        return [load for load in found if load != self.series.minimum_load]

    def net(self, run: int, force: float, direction: Direction = Direction.UP) -> Tracked:
        """Return one reading above the zero of its run."""
        weights: Floats = np.zeros(len(self.readings.loads))
        for place, reading in enumerate(self.series.readings):
            if reading.run == run and (reading.direction, reading.load) == (direction, force):
                weights[place] += 1.0
                weights[self._zero_place(run)] -= 1.0
                return Tracked.weighted(weights, self.readings)
        raise SeriesError(f"run {run} has no reading at {force:g} {direction.value}")

    def _zero_place(self, run: int) -> int:
        return next(i for i, r in enumerate(self.series.readings) if r.run == run)

    def curve(self) -> Polynomial:
        """Return the curve through the means over the positions."""
        means = [self.mean(force).value for force in self.forces]
        ones = np.ones(len(means), dtype=np.int64)
        points = Readings(np.array(means), np.array(self.forces), ones)
        return fit_polynomial(CalibrationData.plain(points), min(CURVE_DEGREE, len(means) - 2))

    def mean(self, force: float) -> Tracked:
        """Return the mean over the positions: the first run of the first, and the others."""
        nets = [self.net(run, force) for run in (self.still[0], *self.turned)]
        total = nets[0]
        for net in nets[1:]:
            total = total + net
        return total / float(len(nets))

    def indices(self, force: float, curve: Polynomial) -> ForceIndices:
        mean = self.mean(force)
        first, second = (self.net(run, force) for run in self.still[:2])
        turned = [first, *(self.net(run, force) for run in self.turned)]
        ordered = sorted(turned, key=lambda net: net.value)
        fitted = curve.at(force)
        return ForceIndices(
            force,
            self._result("b", abs(ordered[-1] - ordered[0]) / abs(mean), force),
            self._result("b'", abs(second - first) / abs((first + second) * 0.5), force),
            self._result("fc", (mean - fitted) / fitted, force),
            self._reversibility(force),
        )

    def _reversibility(self, force: float) -> Result | None:
        runs = [run for run in self.turned if force in self._forces(run, Direction.DOWN)]
        if not runs:
            return None
        parts = [
            abs(self.net(run, force, Direction.DOWN) - self.net(run, force))
            / abs(self.net(run, force))
            for run in runs
        ]
        total = parts[0]
        for part in parts[1:]:
            total = total + part
        return self._result("v", total / float(len(parts)), force)

    def zero(self) -> Result | None:
        """Return the largest difference of zero after and before a run, of the largest output."""
        top = self.mean(self.forces[-1])
        found = []
        for run in self.series.runs:
            try:
                after = self.net(run, self.series.minimum_load, Direction.DOWN)
            except SeriesError:
                continue
            found.append(after / top)
        if not found:
            return None
        return self._result("f0", max(found, key=lambda each: abs(each.value)), 0.0)

    def _result(self, name: str, tracked: Tracked, force: float) -> Result:
        stated = combine(tracked, self.readings, self.sources)
        return Result(name, tracked.value, OF_READING, stated, f"{force:g}", tracked)

    def notes(self) -> list[str]:
        notes = []
        if len(self.forces) < 8:
            notes.append(f"{len(self.forces)} forces, at least 8 are usual (from memory)")
        if len(self.turned) < 2:
            notes.append("one further position, two are usual (from memory)")
        return notes


def _split(
    runs: Sequence[int], positions: Mapping[int, float]
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    missing = [run for run in runs if run not in positions]
    if missing:
        raise SeriesError(f"run {missing[0]} has no position")
    still = tuple(run for run in runs if positions[run] == positions[runs[0]])
    turned = tuple(run for run in runs if positions[run] != positions[runs[0]])
    if len(still) < 2 or not turned:
        raise SeriesError(
            "the indices need two runs in the first position and at least one in another"
        )
    return still, turned


def reached_class(
    indices: Sequence[ForceIndices], zero: Result | None, table: ForceTable
) -> str | None:
    """Return the first class of the table whose limits every index keeps; None for no class."""
    for each in table.classes:
        if all(_kept(each, index.named()) for index in indices) and _kept(
            each, {"zero": None if zero is None else abs(zero.value)}
        ):
            return each.name
    return None


def _kept(limits: ForceClass, sizes: Mapping[str, float | None]) -> bool:
    return all(
        size is None or 100.0 * size <= getattr(limits, name) for name, size in sizes.items()
    )
