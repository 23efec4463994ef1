"""A load series: which load was on, which way it was reached, what the cell gave.

Loads are in kg (mass) or N (force), never mixed; outputs are the ratio in V/V. The numbers scale
with their units, so a series in counts works as well, and its results are then in counts.
Nothing is dropped or mended here: a series that breaks a rule is refused, with row and rule.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

import numpy as np

from acq.analysis.propagation import Floats, Readings
from acq.errors import WrongInput

# a load cell is straight within percents; beyond this something else was written into the column
MIXED_UNITS_SHARE = 0.3
UNITS_MIXED = "mixed units"
# factors between units that are mixed up by hand, exact or conventional, and what they mean
KNOWN_FACTORS: tuple[tuple[float, str], ...] = (
    (1 / 0.45359237, "kg and lb"),
    (9.80665, "kg and N"),
    (4.4482216152605, "lbf and N"),
    (1000.0, "units a thousand apart"),
)


class SeriesError(WrongInput):
    """A series breaks a rule; says in which row of the file (where there is one) and which."""

    def __init__(self, rule: str, row: int | None = None) -> None:
        self.rule = rule
        self.row = row
        super().__init__(rule if row is None else f"row {row}: {rule}")


class Direction(StrEnum):
    """The branch on which a load was reached."""

    UP = "up"
    DOWN = "down"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadReading:
    """One output at one load. `time_s` counts seconds on any clock; `row` is where it stands."""

    run: int
    direction: Direction
    load: float
    output: float
    time_s: float | None = None
    row: int | None = None


@dataclass(frozen=True, slots=True)
class LoadSeries:
    """Checked readings of one cell at one temperature: runs in order, each up and then down.

    `minimum_load` is the load of the zero reading (Dmin), `maximum_load` the largest (Dmax).
    """

    readings: tuple[LoadReading, ...]
    minimum_load: float

    @property
    def runs(self) -> tuple[int, ...]:
        return tuple(dict.fromkeys(reading.run for reading in self.readings))

    @property
    def maximum_load(self) -> float:
        """The largest load by its distance from the minimum load: a compression may be negative."""
        return max((r.load for r in self.readings), key=lambda load: abs(load - self.minimum_load))

    @property
    def arrays(self) -> Readings:
        return Readings(
            np.array([reading.output for reading in self.readings]),
            np.array([reading.load for reading in self.readings]),
            np.array([reading.run for reading in self.readings], dtype=np.int64),
        )

    def loads(self, direction: Direction) -> tuple[float, ...]:
        """Return the different loads of one branch, smallest first (nearest the minimum load)."""
        found = {r.load for r in self.readings if r.direction is direction}
        return tuple(sorted(found, key=lambda load: abs(load - self.minimum_load)))

    def at(self, direction: Direction, load: float) -> tuple[int, ...]:
        """Return the places of the readings on one branch at one load."""
        return tuple(
            place
            for place, reading in enumerate(self.readings)
            if reading.direction is direction and reading.load == load
        )

    def mean_weights(self, direction: Direction, load: float) -> Floats:
        """Return the weights whose sum with the outputs is the mean output at that load."""
        places = self.at(direction, load)
        if not places:
            raise SeriesError(f"no reading at load {load:g}, {direction.value}")
        weights = np.zeros(len(self.readings))
        weights[list(places)] = 1.0 / len(places)
        return weights


def load_series(
    readings: Sequence[LoadReading], minimum_load: float = 0.0, *, capacity: float | None = None
) -> LoadSeries:
    """Return the readings as a checked series.

    Raises SeriesError for: nothing there, a number that is not finite, a load beyond the
    capacity, a run that is torn apart, loads out of order, the same point twice in one run.
    """
    if not readings:
        raise SeriesError("the series has no readings")
    for reading in readings:
        _check_reading(reading, minimum_load, capacity)
    series = LoadSeries(tuple(readings), minimum_load)
    for run in _runs_in_order(readings):
        try:
            _check_run(run)
        except SeriesError:
            _suspect_units(series)  # a load in another unit stands out of order too: say that
            raise
    return series


def _check_reading(reading: LoadReading, minimum_load: float, capacity: float | None) -> None:
    for name, number in (("load", reading.load), ("output", reading.output)):
        if not math.isfinite(number):
            raise SeriesError(f"{name} {number} is not a number to reckon with", reading.row)
    if capacity is not None and abs(reading.load) > abs(capacity) * (1 + 1e-9):
        raise SeriesError(
            f"load {reading.load:g} is beyond the capacity {capacity:g}: a sheet of another cell?",
            reading.row,
        )
    if abs(reading.load) < abs(minimum_load) * (1 - 1e-9):
        raise SeriesError(
            f"load {reading.load:g} is below the minimum load {minimum_load:g}", reading.row
        )


def _suspect_units(series: LoadSeries) -> None:
    """Raise SeriesError where a known factor between units explains a row."""
    try:
        require_one_unit(series)
    except SeriesError as error:
        if UNITS_MIXED in error.rule and error.row is not None:
            raise


def _runs_in_order(readings: Sequence[LoadReading]) -> Iterator[list[LoadReading]]:
    seen: dict[int, list[LoadReading]] = {}
    previous: int | None = None
    for reading in readings:
        if reading.run != previous and reading.run in seen:
            raise SeriesError(
                f"run {reading.run} comes again after another run: rows of one run stand together",
                reading.row,
            )
        seen.setdefault(reading.run, []).append(reading)
        previous = reading.run
    yield from seen.values()


def _check_run(run: Sequence[LoadReading]) -> None:
    for before, after in pairwise(run):
        if before.direction is Direction.DOWN and after.direction is Direction.UP:
            raise SeriesError(
                f"run {after.run} rises again after falling: a second rise is a run of its own",
                after.row,
            )
        _check_step(before, after)
        _check_clock(before, after)


def _check_step(before: LoadReading, after: LoadReading) -> None:
    turning = before.direction is not after.direction
    step = abs(after.load) - abs(before.load)
    if step == 0.0 and after.load == before.load and not turning:
        raise SeriesError(
            f"load {after.load:g} {after.direction.value} stands twice in run {after.run}: "
            "keep one of them, with the reason in the record",
            after.row,
        )
    right = step > 0 if after.direction is Direction.UP else step < 0 or (turning and step == 0)
    if not right or after.load * before.load < 0:
        raise SeriesError(
            f"loads out of order: {after.load:g} after {before.load:g} while going "
            f"{after.direction.value} in run {after.run}",
            after.row,
        )


def _check_clock(before: LoadReading, after: LoadReading) -> None:
    if before.time_s is None or after.time_s is None:
        return
    if after.time_s <= before.time_s:
        raise SeriesError("the time does not rise from the row before", after.row)


def with_directions(readings: Sequence[LoadReading]) -> tuple[LoadReading, ...]:
    """Return the readings with the direction of each row taken from the loads of its run.

    For files without that column: a run rises to its largest load and falls after it.
    """
    directed: list[LoadReading] = []
    for run in _runs_in_order(readings):
        peak = max(range(len(run)), key=lambda place: abs(run[place].load))
        for place, reading in enumerate(run):
            direction = Direction.UP if place <= peak else Direction.DOWN
            directed.append(replace(reading, direction=direction))
    return tuple(directed)


def at_levels(readings: Sequence[LoadReading], within: float) -> tuple[LoadReading, ...]:
    """Return the readings moved to common loads, for rigs that never meet the same load twice.

    Loads closer than `within` to one another become their mean; each output follows by the
    overall slope of the readings. What that leaves is the distance times the departure of the
    local slope from the overall one. Raises SeriesError when levels would run into each other.
    """
    ordered = sorted(readings, key=lambda reading: reading.load)
    groups: list[list[LoadReading]] = []
    for reading in ordered:
        if groups and reading.load - groups[-1][-1].load <= within:
            groups[-1].append(reading)
        else:
            groups.append([reading])
    levels: dict[LoadReading, float] = {}
    for group in groups:
        if group[-1].load - group[0].load > 2 * within:
            raise SeriesError(f"loads near {group[0].load:g} form no level within {within:g}")
        mean = math.fsum(reading.load for reading in group) / len(group)
        levels.update(dict.fromkeys(group, mean))
    slope = LoadSeries(tuple(readings), 0.0).arrays.slope
    return tuple(_moved(reading, levels[reading], slope) for reading in readings)


def _moved(reading: LoadReading, load: float, slope: float) -> LoadReading:
    return replace(reading, load=load, output=reading.output + slope * (load - reading.load))


def require_zeros(series: LoadSeries) -> None:
    """Raise SeriesError unless every run begins with a reading at the minimum load."""
    for run in series.runs:
        first = next(reading for reading in series.readings if reading.run == run)
        if first.load != series.minimum_load:
            raise SeriesError(
                f"run {run} has no zero reading: it begins at {first.load:g}, "
                f"not at the minimum load {series.minimum_load:g}",
                first.row,
            )


def require_equal_runs(series: LoadSeries) -> None:
    """Raise SeriesError unless every run has the same points, so that means compare."""
    points = {
        run: {(r.direction, r.load) for r in series.readings if r.run == run} for run in series.runs
    }
    every = set().union(*points.values())
    for run, own in points.items():
        for direction, load in sorted(every - own):
            raise SeriesError(
                f"run {run} has no reading at load {load:g} {direction.value}, other runs have one",
                next(r.row for r in series.readings if r.run == run),
            )


def require_points(series: LoadSeries, count: int, method: str) -> None:
    """Raise SeriesError unless the rising branch has `count` loads besides the minimum load."""
    rising = [load for load in series.loads(Direction.UP) if load != series.minimum_load]
    if len(rising) < count:
        raise SeriesError(
            f"{method} needs at least {count} rising loads besides the minimum load, "
            f"there are {len(rising)}"
        )


def require_one_unit(series: LoadSeries) -> None:
    """Raise SeriesError when a row's output per load says that another unit was written there."""
    nets = [_net(series, reading) for reading in series.readings]
    ratios = [net[1] / net[0] for net in nets if net is not None]
    if not ratios:
        raise SeriesError("no reading under load: all stand at the zero of their run")
    middle = float(np.median(ratios))
    if middle == 0.0:
        raise SeriesError("the output does not follow the load at all")
    for reading, net in zip(series.readings, nets, strict=True):
        if net is None:
            continue
        share = (net[1] / net[0]) / middle
        if abs(share - 1.0) > MIXED_UNITS_SHARE:
            raise SeriesError(_mixed(reading, share), reading.row)


def _net(series: LoadSeries, reading: LoadReading) -> tuple[float, float] | None:
    """Return net load and net output against the first reading of the run; None near zero."""
    first = next(r for r in series.readings if r.run == reading.run)
    load = reading.load - first.load
    if load == 0.0 or abs(load) < 0.05 * abs(series.maximum_load - first.load):
        return None
    return load, reading.output - first.output


def _mixed(reading: LoadReading, share: float) -> str:
    for factor, units in KNOWN_FACTORS:
        if any(abs(share / known - 1.0) < 0.03 for known in (factor, 1.0 / factor)):
            return (
                f"load {reading.load:g} gives {share:.4g} times the output per load of the other "
                f"rows: {UNITS_MIXED}, {units}?"
            )
    return (
        f"the output at load {reading.load:g} is {share:.3g} times what the other "
        "rows say: mixed units, digits swapped or another cell?"
    )
