"""A load series and a creep record in verification intervals, beside the limits of a class.

Calculation of OIML R 60-3:2021, 2.1. The conversion factor f is kept in full digits: cut to the
five figures that the report form shows, it would move errors by up to n * 5e-6 of an interval.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from acq.analysis import reading_times
from acq.analysis.creep import CreepCurve, CreepRecord, creep_results
from acq.analysis.load_results import NetCurve
from acq.analysis.load_series import (
    Direction,
    LoadSeries,
    SeriesError,
    require_one_unit,
    require_points,
)
from acq.analysis.oiml_r60 import (
    DEFAULT_APPORTIONING,
    SYSTEM_SHARE,
    AccuracyClass,
    MeasuringRange,
    check_range,
    checked_apportioning,
    return_limit_v,
)
from acq.analysis.propagation import Result, Source, Tracked, combine, run_scatter
from acq.analysis.reference_lines import Line

INTERVALS = "v"
# a load this near to where the permissible error changes counts as being at it (of the range)
NEAR_A_STEP = 0.05
# intervals between points that differ by more than this factor are not about equal
UNEVEN = 1.5


@dataclass(frozen=True, slots=True)
class Limited:
    """A result in v with the size that it must not exceed.

    `system_uncertainty` is U (k = 2) of rig and indicator in v; None where nothing was stated.
    `capable` says whether it is under a third of the permissible error (R 60-2:2021, 1.2).
    """

    result: Result
    limit_v: float
    source: str
    load: float
    direction: Direction | None = None
    system_uncertainty: float | None = None
    capable: bool | None = None


@dataclass(frozen=True, slots=True)
class LoadTest:
    """E_L and E_R of one series at one temperature (R 60-3:2021, 2.1.2 and 2.1.3)."""

    span: MeasuringRange
    factor: Result  # f, in output units per v
    errors: tuple[Limited, ...]
    repeatability: tuple[Limited, ...]
    runs_missing: int
    notes: tuple[str, ...]

    @property
    def worst_error(self) -> Limited:
        """The error that takes the largest share of its limit."""
        return max(self.errors, key=lambda error: abs(error.result.value) / error.limit_v)

    @property
    def worst_repeatability(self) -> Limited | None:
        return max(
            self.repeatability, key=lambda each: each.result.value / each.limit_v, default=None
        )


def load_test(
    series: LoadSeries,
    accuracy: AccuracyClass,
    capacity: float,
    *,
    apportioning: float = DEFAULT_APPORTIONING,
    sources: Iterable[Source] = (),
) -> LoadTest:
    """Return errors and repeatability errors in v.

    Raises SeriesError or WrongInput for fewer than five rising loads, loads outside what the
    class allows for the capacity, a missing zero, unequal runs or another unit in between.
    """
    span = MeasuringRange(
        accuracy, series.minimum_load, series.maximum_load, checked_apportioning(apportioning)
    )
    check_range(span, capacity)
    require_points(series, reading_times.RISING_POINTS, "a load test to a class")
    test = _Test(series, span, tuple(sources))
    require_one_unit(series)
    return LoadTest(
        span,
        test.result("conversion factor f", test.factor, "V/V per v", ""),
        tuple(test.errors()),
        tuple(test.repeatability()),
        max(0, accuracy.runs - len(series.runs)),
        tuple(test.notes()),
    )


class _Test:
    def __init__(
        self, series: LoadSeries, span: MeasuringRange, sources: tuple[Source, ...]
    ) -> None:
        self.series, self.span, self.sources = series, span, sources
        self.curve = NetCurve(series)
        whole = self.curve.line(Line.SEVENTY_FIVE, series.maximum_load)
        start = self.curve.line(Line.SEVENTY_FIVE, series.minimum_load)
        self.factor = (whole - start) / span.accuracy.intervals
        if self.factor.value == 0.0:
            raise SeriesError("the load gave no output: there is no conversion factor")

    def result(self, name: str, tracked: Tracked, unit: str, where: str) -> Result:
        scatter = run_scatter(tracked, self.curve.readings)
        stated = combine(tracked, self.curve.readings, self.sources, scatter)
        return Result(name, tracked.value, unit, stated, where, tracked)

    def errors(self) -> list[Limited]:
        return [
            self._error(direction, load)
            for direction in Direction
            for load in self._in_order(direction)
        ]

    def _in_order(self, direction: Direction) -> list[float]:
        loads = [load for load in self.series.loads(direction) if load != self.series.minimum_load]
        return loads if direction is Direction.UP else loads[::-1]

    def _error(self, direction: Direction, load: float) -> Limited:
        line = self.curve.line(Line.SEVENTY_FIVE, load)
        error = (self.curve.net(direction, load) - line) / self.factor
        name, where = "load cell error E_L", f"{load:g} {direction.value}"
        return self._limited(name, error, direction, load, where, "5.3.2, table 4")

    def repeatability(self) -> list[Limited]:
        return [
            self._repeatability(direction, load)
            for direction in Direction
            for load in self._in_order(direction)
            if len(self.series.at(direction, load)) > 1
        ]

    def _repeatability(self, direction: Direction, load: float) -> Limited:
        nets = sorted(self.curve.own_nets(direction, load), key=lambda net: net.value)
        error = (nets[-1] - nets[0]) / abs(self.factor)
        mpe, readings = self.span.mpe_v(load), self.curve.readings
        where = f"{load:g} {direction.value}"
        stated = combine(error, readings, self.sources)
        result = Result("repeatability error E_R", error.value, INTERVALS, stated, where, error)
        return Limited(result, mpe, _source(self.span, "5.4"), load, direction)

    def _limited(
        self, name: str, tracked: Tracked, direction: Direction, load: float, where: str, cl: str
    ) -> Limited:
        mpe = self.span.mpe_v(load)
        system = combine(tracked, self.curve.readings, self.sources)
        doubled = 2.0 * system.standard if system is not None and self.sources else None
        return Limited(
            self.result(name, tracked, INTERVALS, where),
            mpe,
            _source(self.span, cl),
            load,
            direction,
            doubled,
            None if doubled is None else doubled < SYSTEM_SHARE * mpe,
        )

    def notes(self) -> list[str]:
        accuracy = self.span.accuracy
        notes = []
        if len(self.series.runs) < accuracy.runs:
            notes.append(
                f"class {accuracy.letter} asks for {accuracy.runs} runs "
                f"(R 60-2:2021, 2.10.1.12), there are {len(self.series.runs)}"
            )
        for step in self.span.mpe_steps():
            near = min(abs(load - step) for load in self.curve.rising_loads)
            if near > NEAR_A_STEP * abs(self.span.maximum_load - self.span.minimum_load):
                notes.append(f"no load near {step:g}, where the permissible error changes")
        return notes + _spacing_notes(self.series)


def _spacing_notes(series: LoadSeries) -> list[str]:
    """Say where the points of a run were not about evenly spaced in time (2.10.1.7)."""
    gaps = [
        after.time_s - before.time_s
        for before, after in pairwise(series.readings)
        if before.run == after.run and before.time_s is not None and after.time_s is not None
    ]
    if not gaps or max(gaps) <= UNEVEN * min(gaps):
        return []
    return [
        f"points {min(gaps):.0f} s to {max(gaps):.0f} s apart: R 60-2:2021, 2.10.1.7 asks for "
        "about equal intervals"
    ]


def _source(span: MeasuringRange, clause: str) -> str:
    return f"OIML R 60-1:2021, {clause}, class {span.accuracy.symbol}, p_LC {span.apportioning:g}"


@dataclass(frozen=True, slots=True)
class CreepTest:
    """Creep and return of one record in v (R 60-3:2021, 2.1.5). None: no reading for it."""

    span: MeasuringRange
    factor: Result
    creep: Limited  # the largest within 30 min
    late_creep: Limited | None  # 20 to 30 min
    dead_load_return: Limited | None  # C_DR
    return_without_limit: Result | None  # C_DR read too late to be compared
    dead_load_return_mass: float | None  # DR, in the unit of the loads
    notes: tuple[str, ...]


def creep_test(
    record: CreepRecord,
    accuracy: AccuracyClass,
    capacity: float,
    *,
    sources: Iterable[Source] = (),
    time_ratio: float = 1.0,
    minimum_dead_load: float = 0.0,
) -> CreepTest:
    """Return creep and return in v; f comes from the record's own two loads.

    `time_ratio` is the actual over the specified time of the reading after unloading: up to 1.5
    with a smaller limit, beyond that there is none. p_LC is 0.7 whatever the sheet declares.
    """
    span = MeasuringRange(accuracy, record.minimum_load, record.maximum_load)
    check_range(span, capacity)
    curve = CreepCurve(record, sources)
    found = creep_results(record, sources)
    in_v = curve.applied / accuracy.intervals
    test = _CreepTest(curve, span, in_v)
    returned = found.minimum_load_return
    limit = return_limit_v(time_ratio)
    change = test.limited("C_DR", returned, limit or math.inf, "5.5.2")
    mass = (capacity - minimum_dead_load) * returned.value if returned else None
    return CreepTest(
        span,
        curve.result("conversion factor f", in_v, "V/V per v"),
        test.largest("creep C_C", found.largest_creep),
        test.late(found.creep_20_to_30_min),
        change if limit else None,
        change.result if change and not limit else None,
        mass,
        (*found.notes, *_return_notes(time_ratio, limit)),
    )


def _return_notes(time_ratio: float, limit: float | None) -> list[str]:
    if limit is None:
        return [
            f"the return was read at {time_ratio:.2f} times the specified time: beyond 1.5 there "
            "is no limit to compare with"
        ]
    if time_ratio > 1.0:
        return [f"return read at {time_ratio:.2f} times the specified time: limit {limit:.3g} v"]
    return []


class _CreepTest:
    def __init__(self, curve: CreepCurve, span: MeasuringRange, in_v: Tracked) -> None:
        self.curve, self.span, self.in_v = curve, span, in_v

    def largest(self, name: str, found: Result) -> Limited:
        limited = self.limited(name, found, self.span.creep_limit_v, "5.5.1")
        assert limited is not None
        return limited

    def late(self, found: Result | None) -> Limited | None:
        return self.limited("creep C_C(30 - 20)", found, self.span.late_creep_limit_v, "5.5.1")

    def limited(self, name: str, found: Result | None, limit: float, clause: str) -> Limited | None:
        """Return a fraction of the applied output in v; f is that output over n."""
        if found is None or found.tracked is None:
            return None
        tracked = found.tracked * float(self.span.accuracy.intervals)
        result = self.curve.result(name, tracked, INTERVALS, found.where)
        source = f"OIML R 60-1:2021, {clause}, class {self.span.accuracy.symbol}"
        return Limited(result, limit, source, self.span.maximum_load)


def zero_temperature_effect(
    first: tuple[float, float],
    second: tuple[float, float],
    factor: float,
    span: MeasuringRange,
    v_min: float,
    step_k: float,
) -> float:
    """Return C_M(v_min): change of the minimum load output in v_min per 5 K (class A: 2 K).

    `first` and `second` are (degC, output) at the minimum load, `factor` is f. To be compared
    with p_LC (R 60-3:2021, 2.1.4; R 60-1:2021, 5.6.1.3).
    """
    change_v = (second[1] - first[1]) / factor
    return abs(change_v * step_k / (second[0] - first[0]) * span.interval / v_min)


def pressure_effect(
    first: tuple[float, float],
    second: tuple[float, float],
    factor: float,
    capacity: float,
    intervals: int,
) -> float:
    """Return the change with barometric pressure as a mass per kPa, to be compared with v_min.

    `first` and `second` are (kPa, output) at the minimum load (R 60-3:2021, 2.1.6).
    """
    change_v = (second[1] - first[1]) / factor
    return math.fabs(change_v / (second[0] - first[0])) * capacity / intervals
