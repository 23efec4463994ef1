"""What a load series says about a cell, each figure with its uncertainty and its reference.

Formulas are those in common use between workshops and data sheets; the words hysteresis,
non-linearity and repeatability are those of OIML R 60-1:2021, 3.7. Net outputs are taken from
each run's own zero reading. Outputs and rated output are in the unit of the series (V/V);
figures "of rated output" are fractions, not percent.

Signs: deviation = output - line; hysteresis = falling - rising; zero return = after - before.

A largest deviation (non-linearity, hysteresis, combined error) is the deviation at the point that
it names, and its U is that point's: the interval holds the true deviation there in 95 of 100 cases.
As an estimate of the largest true deviation it is biased to larger sizes where several points lie
within their U of one another, since the one with the largest error is taken; never by more than the
errors are. Both ways of counting are in `tests/campaigns/load_path_table.md`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import numpy as np

from acq.analysis.load_series import (
    Direction,
    LoadSeries,
    SeriesError,
    require_equal_runs,
    require_one_unit,
    require_points,
    require_zeros,
)
from acq.analysis.propagation import (
    Floats,
    Readings,
    Result,
    Source,
    Tracked,
    combine,
    run_scatter,
)
from acq.analysis.reference_lines import Line, line_weights

OF_RATED_OUTPUT = "of rated output"
OUTPUT = "V/V"
# sizes this near to one another are equal but for rounding: a share, and in fractions of output
TIE, TINY = 1e-9, 1e-14

Key = TypeVar("Key")


@dataclass(frozen=True, slots=True)
class Point:
    """One load on one branch: mean net output over the runs, and how it stands to the line."""

    direction: Direction
    load: float
    net_output: Result
    deviation: Result  # of rated output, from the named line
    spread: float | None  # largest minus smallest net output over the runs; None for one run


@dataclass(frozen=True, slots=True)
class LoadResults:
    """The results of one series. None where the series has nothing to tell it from."""

    line: Line
    rated_output: Result
    zero_balance: Result
    zero_return: Result | None
    non_linearity: Result
    hysteresis: Result | None
    combined_error: Result
    repeatability: Result | None
    points: tuple[Point, ...]
    notes: tuple[str, ...]

    @property
    def results(self) -> tuple[Result, ...]:
        """Return what there is, in the order of a report."""
        ordered = (
            self.rated_output,
            self.zero_balance,
            self.zero_return,
            self.non_linearity,
            self.hysteresis,
            self.combined_error,
            self.repeatability,
        )
        return tuple(result for result in ordered if result is not None)


class NetCurve:
    """Mean net outputs of a series as weighted sums of its readings."""

    def __init__(self, series: LoadSeries) -> None:
        require_zeros(series)
        require_one_unit(series)
        require_equal_runs(series)
        self.series = series
        self.readings: Readings = series.arrays
        self.zero: Floats = series.mean_weights(Direction.UP, series.minimum_load)

    @cached_property
    def rising_loads(self) -> tuple[float, ...]:
        return self.series.loads(Direction.UP)

    @cached_property
    def rising(self) -> Floats:
        """The weights of the rising net outputs, one row per load."""
        return np.array([self.weights(Direction.UP, load) for load in self.rising_loads])

    def weights(self, direction: Direction, load: float) -> Floats:
        return self.series.mean_weights(direction, load) - self.zero

    def net(self, direction: Direction, load: float) -> Tracked:
        return Tracked.weighted(self.weights(direction, load), self.readings)

    def own_nets(self, direction: Direction, load: float) -> list[Tracked]:
        """Return each run's net output at one point, from that run's own zero."""
        return [self._own_net(place) for place in self.series.at(direction, load)]

    def _own_net(self, place: int) -> Tracked:
        weights = np.zeros(len(self.series.readings))
        run = self.series.readings[place].run
        weights[place] = 1.0
        weights[next(i for i, r in enumerate(self.series.readings) if r.run == run)] -= 1.0
        return Tracked.weighted(weights, self.readings)

    @property
    def span(self) -> Tracked:
        """The rising net output at maximum load."""
        return self.net(Direction.UP, self.series.maximum_load)

    def rated_output(self, capacity: float | None) -> Tracked:
        """Return the net output at capacity, in proportion to the loads where it was not reached.

        Raises SeriesError when the largest load gave no more output than the smallest.
        """
        series = self.series
        if self.span.value == 0.0:
            raise SeriesError("maximum load gave the same output as minimum load")
        if capacity is None:
            return self.span
        return self.span * (abs(capacity) / abs(series.maximum_load - series.minimum_load))

    def line(self, line: Line, load: float) -> Tracked:
        """Return the named line over the rising mean points, at a load."""
        weights = line_weights(line, self.rising_loads, list(self.rising @ self.readings.outputs))
        return Tracked.weighted(weights.at(load) @ self.rising, self.readings)


def largest_of(found: Mapping[Key, Tracked]) -> Key:
    """Return where the size is largest; of equal ones the first.

    Equal but for rounding: a minimax line has three deviations of one size by construction, and
    which of them a report names must not depend on the last digit.
    """
    top = max(abs(tracked.value) for tracked in found.values())
    return next(key for key, each in found.items() if abs(each.value) >= top * (1.0 - TIE) - TINY)


class _Analysis:
    def __init__(
        self, series: LoadSeries, line: Line, capacity: float | None, sources: Sequence[Source]
    ) -> None:
        self.curve = NetCurve(series)
        require_points(series, 2, "a load series")
        self.series, self.line, self.sources = series, line, sources
        self.rated = self.curve.rated_output(capacity)
        self.line_weights = line_weights(
            line,
            self.curve.rising_loads,
            list(self.curve.rising @ self.curve.readings.outputs),
        )

    def result(self, name: str, tracked: Tracked, unit: str, where: str = "") -> Result:
        readings = self.curve.readings
        scatter = run_scatter(tracked, readings)
        stated = combine(tracked, readings, self.sources, scatter)
        return Result(name, tracked.value, unit, stated, where, tracked)

    def deviation(self, direction: Direction, load: float) -> Tracked:
        weights = self.line_weights.at(load) @ self.curve.rising
        from_line = self.curve.weights(direction, load) - weights
        return Tracked.weighted(from_line, self.curve.readings) / self.rated

    def largest(self, name: str, found: dict[tuple[Direction, float], Tracked]) -> Result:
        direction, load = largest_of(found)
        tracked = found[direction, load]
        return self.result(name, tracked, OF_RATED_OUTPUT, f"{load:g} {direction.value}")

    def deviations(self, *directions: Direction) -> dict[tuple[Direction, float], Tracked]:
        """Return the deviations from the line; the return to minimum load is the zero return."""
        return {
            (direction, load): self.deviation(direction, load)
            for direction in directions
            for load in self.series.loads(direction)
            if direction is Direction.UP or load != self.series.minimum_load
        }

    def hysteresis(self) -> Result | None:
        found: dict[tuple[Direction, float], Tracked] = {}
        for load in self._on_both_branches():
            down, up = self.curve.net(Direction.DOWN, load), self.curve.net(Direction.UP, load)
            found[Direction.DOWN, load] = (down - up) / self.rated
        return self.largest("hysteresis", found) if found else None

    def _on_both_branches(self) -> list[float]:
        falling = set(self.series.loads(Direction.DOWN)) - {self.series.minimum_load}
        return [load for load in self.curve.rising_loads if load in falling]

    def zero_return(self) -> Result | None:
        if self.series.minimum_load not in self.series.loads(Direction.DOWN):
            return None
        tracked = self.curve.net(Direction.DOWN, self.series.minimum_load) / self.rated
        return self.result("zero return", tracked, OF_RATED_OUTPUT, "after each run, mean")

    def spread(self, direction: Direction, load: float) -> Tracked | None:
        """Return the largest minus the smallest net output of the runs at one point."""
        nets = sorted(self.curve.own_nets(direction, load), key=lambda net: net.value)
        return nets[-1] - nets[0] if len(nets) > 1 else None

    def repeatability(self) -> Result | None:
        """Return the largest spread. The scatter is the result itself, so only what is stated
        about the readings makes its uncertainty."""
        found: dict[tuple[Direction, float], Tracked] = {}
        for direction in Direction:
            for load in self.series.loads(direction):
                spread = self.spread(direction, load)
                if spread is not None:
                    found[direction, load] = spread / abs(self.rated)
        if not found:
            return None
        direction, load = largest_of(found)
        tracked = found[direction, load]
        stated = combine(tracked, self.curve.readings, self.sources)
        where = f"{load:g} {direction.value}, largest minus smallest"
        return Result("repeatability", tracked.value, OF_RATED_OUTPUT, stated, where, tracked)

    def points(self) -> tuple[Point, ...]:
        return tuple(
            self._point(direction, load)
            for direction in Direction
            for load in self._in_order(direction)
        )

    def _in_order(self, direction: Direction) -> Sequence[float]:
        loads = self.series.loads(direction)
        return loads if direction is Direction.UP else loads[::-1]

    def _point(self, direction: Direction, load: float) -> Point:
        where = f"{load:g} {direction.value}"
        spread = self.spread(direction, load)
        return Point(
            direction,
            load,
            self.result("net output", self.curve.net(direction, load), OUTPUT, where),
            self.result("deviation", self.deviation(direction, load), OF_RATED_OUTPUT, where),
            None if spread is None else spread.value,
        )


def load_results(
    series: LoadSeries,
    *,
    line: Line = Line.TERMINAL,
    capacity: float | None = None,
    sources: Iterable[Source] = (),
) -> LoadResults:
    """Return all figures of a series, those of linearity from the named line.

    `capacity` scales the rated output where the series stops short of it. Raises SeriesError
    for a missing zero, unequal runs, fewer than two rising loads besides the minimum, or a row
    in another unit.
    """
    analysis = _Analysis(series, line, capacity, tuple(sources))
    rising = analysis.deviations(Direction.UP)
    everywhere = analysis.deviations(*Direction)
    zero = Tracked.weighted(analysis.curve.zero, analysis.curve.readings)
    return LoadResults(
        line=line,
        rated_output=analysis.result("rated output", analysis.rated, OUTPUT),
        zero_balance=analysis.result("zero balance", zero, OUTPUT, "before each run, mean"),
        zero_return=analysis.zero_return(),
        non_linearity=analysis.largest(f"non-linearity ({line.words} line)", rising),
        hysteresis=analysis.hysteresis(),
        combined_error=analysis.largest(f"combined error ({line.words} line)", everywhere),
        repeatability=analysis.repeatability(),
        points=analysis.points(),
        notes=tuple(_notes(series, capacity, tuple(analysis.sources))),
    )


def _notes(series: LoadSeries, capacity: float | None, sources: tuple[Source, ...]) -> list[str]:
    notes: list[str] = []
    span = series.maximum_load - series.minimum_load
    if capacity is None:
        notes.append("capacity not stated: rated output is the net output at the largest load")
    elif abs(span) != abs(capacity):
        notes.append(
            f"rated output scaled in proportion from {series.minimum_load:g}.."
            f"{series.maximum_load:g} to {capacity:g}"
        )
    if not sources and len(series.runs) < 2:
        notes.append("one run and no stated uncertainty: U cannot be given")
    elif not sources:
        notes.append(
            "U holds the scatter of the runs only: nothing was stated about instrument and loads"
        )
    return notes
