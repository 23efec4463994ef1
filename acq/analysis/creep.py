"""Creep under a constant load, and the return to minimum load after it.

A record has three parts: minimum load, maximum load held for 30 min, minimum load again. Time
counts from the initial reading of each part (OIML R 60-3:2021, 2.1.5): the first one after the
load change, taken at the reading time that belongs to the change of load.

Signs: creep = reading - initial reading; return = after - before. Figures are fractions of the
output that the load gave ("of applied output").
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from acq.analysis.creep_fit import LEAST_READINGS, CreepFit, fit_creep
from acq.analysis.creep_scatter import SCATTER, residuals_about, slow_drift
from acq.analysis.load_series import SeriesError
from acq.analysis.propagation import Contribution, Readings, Result, Source, Tracked, combine

OF_APPLIED_OUTPUT = "of applied output"
MINUTE_S = 60.0
# a reading "at 20 min" is interpolated only between readings this near to it
NEAR_S = 60.0
# a last reading this much early still counts as the one at 30 min
EARLY_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CreepReading:
    """One output (V/V) at one time; `load` says which part of the record it belongs to."""

    time_s: float
    load: float
    output: float
    row: int | None = None


@dataclass(frozen=True, slots=True)
class CreepRecord:
    """The three parts of a checked record, and all readings as arrays in that order."""

    before: tuple[CreepReading, ...]
    loaded: tuple[CreepReading, ...]
    after: tuple[CreepReading, ...]

    @property
    def readings(self) -> tuple[CreepReading, ...]:
        return self.before + self.loaded + self.after

    @property
    def arrays(self) -> Readings:
        return Readings(
            np.array([reading.output for reading in self.readings]),
            np.array([reading.load for reading in self.readings]),
            np.ones(len(self.readings), dtype=np.int64),
        )

    @property
    def minimum_load(self) -> float:
        return self.before[0].load

    @property
    def maximum_load(self) -> float:
        return self.loaded[0].load


def creep_record(readings: Sequence[CreepReading]) -> CreepRecord:
    """Return the readings as a checked record.

    Raises SeriesError for numbers that are not finite, a clock that does not rise, no reading at
    minimum load before the load, no loaded reading, or a third load.
    """
    _check_numbers(readings)
    parts = _parts(readings)
    if len(parts) < 2:
        raise SeriesError(
            "a creep record begins at minimum load and goes on at maximum load; "
            "here is only one load"
        )
    if len(parts) > 3 or (len(parts) == 3 and parts[2][0].load != parts[0][0].load):
        odd = parts[2 if parts[2][0].load != parts[0][0].load else 3][0]
        raise SeriesError(
            f"load {odd.load:g} does not belong: minimum load, maximum load, minimum load again",
            odd.row,
        )
    if abs(parts[1][0].load) <= abs(parts[0][0].load):
        raise SeriesError(
            "the record begins loaded: the reading at minimum load is missing", parts[0][0].row
        )
    return CreepRecord(*parts, *[()] * (3 - len(parts)))


def _check_numbers(readings: Sequence[CreepReading]) -> None:
    previous = -math.inf
    for reading in readings:
        for name, number in (
            ("time", reading.time_s),
            ("load", reading.load),
            ("output", reading.output),
        ):
            if not math.isfinite(number):
                raise SeriesError(f"{name} {number} is not a number to reckon with", reading.row)
        if reading.time_s <= previous:
            raise SeriesError("the time does not rise from the row before", reading.row)
        previous = reading.time_s


def _parts(readings: Sequence[CreepReading]) -> list[tuple[CreepReading, ...]]:
    parts: list[list[CreepReading]] = []
    for reading in readings:
        if not parts or parts[-1][0].load != reading.load:
            parts.append([])
        parts[-1].append(reading)
    return [tuple(part) for part in parts]


@dataclass(frozen=True, slots=True)
class CreepResults:
    """Figures of a creep record. None where the record has no reading for it; notes say why."""

    applied_output: Result  # V/V
    creep_30_min: Result
    creep_20_to_30_min: Result | None
    largest_creep: Result
    minimum_load_return: Result | None
    recovery_30_min: Result | None
    recovery_ratio: float | None  # recovery over creep, both at 30 min, positive when mirrored
    fit: CreepFit | None
    initial_output: float  # V/V, of the first loaded reading
    curve: tuple[tuple[float, float], ...]  # seconds since the initial reading, creep
    recovery_curve: tuple[tuple[float, float], ...]
    notes: tuple[str, ...]

    @property
    def results(self) -> tuple[Result, ...]:
        ordered = (
            self.applied_output,
            self.creep_30_min,
            self.creep_20_to_30_min,
            self.largest_creep,
            self.minimum_load_return,
            self.recovery_30_min,
        )
        return tuple(result for result in ordered if result is not None)


class CreepCurve:
    """The readings of a record as weighted sums, for whatever is told from them."""

    def __init__(self, record: CreepRecord, sources: Iterable[Source] = ()) -> None:
        self.record = record
        self.readings = record.arrays
        self.sources = tuple(sources)
        self.first_loaded = len(record.before)
        self.first_after = self.first_loaded + len(record.loaded)
        seconds, outputs = _since_first(record.loaded), [r.output for r in record.loaded]
        self.fit = fit_creep(seconds, outputs)
        self._residuals = None
        if len(record.loaded) >= LEAST_READINGS and len(set(outputs)) > 1:
            self._residuals = residuals_about(self.fit, seconds, outputs)
        self._noise_is_stated = any(source.within_runs for source in self.sources)
        if self._residuals is not None and self._noise_is_stated:
            times = [reading.time_s for reading in record.readings]
            loaded = slice(self.first_loaded, self.first_after)
            drift = slow_drift(self._residuals, times, loaded, self.readings, self.sources)
            self.sources += () if drift is None else (drift,)

    def at(self, place: int) -> Tracked:
        weights = np.zeros(len(self.readings.outputs))
        weights[place] = 1.0
        return Tracked.weighted(weights, self.readings)

    @property
    def before(self) -> Tracked:
        """The last reading at minimum load before the load."""
        return self.at(self.first_loaded - 1)

    @property
    def initial(self) -> Tracked:
        return self.at(self.first_loaded)

    @property
    def applied(self) -> Tracked:
        return self.initial - self.before

    @property
    def returned(self) -> Tracked | None:
        """The first reading at minimum load after the load."""
        return self.at(self.first_after) if self.record.after else None

    def loaded_at(self, seconds: float) -> Tracked | None:
        """Return the output `seconds` after the initial reading; None without a reading near."""
        return self._interpolated(self.record.loaded, self.first_loaded, seconds)

    def after_at(self, seconds: float) -> Tracked | None:
        """Return the output `seconds` after the first reading at minimum load."""
        return self._interpolated(self.record.after, self.first_after, seconds)

    def _interpolated(
        self, part: Sequence[CreepReading], first: int, seconds: float
    ) -> Tracked | None:
        times = _since_first(part)
        if not times or times[-1] < seconds - EARLY_S:
            return None
        upper = next((i for i, t in enumerate(times) if t >= seconds), len(times) - 1)
        if upper == 0 or times[upper] <= seconds:
            return self.at(first + upper)
        if min(seconds - times[upper - 1], times[upper] - seconds) > NEAR_S:
            return None
        share = (seconds - times[upper - 1]) / (times[upper] - times[upper - 1])
        return self.at(first + upper - 1) * (1.0 - share) + self.at(first + upper) * share

    @property
    def uncertainty_is_known(self) -> bool:
        """Whether anything is stated, or readings under load scatter enough to tell."""
        return bool(self.sources) or self._residuals is not None

    def result(self, name: str, tracked: Tracked, unit: str, where: str = "") -> Result:
        stated = combine(tracked, self.readings, self.sources, self._scatter(tracked))
        return Result(name, tracked.value, unit, stated, where, tracked)

    def _scatter(self, tracked: Tracked) -> tuple[Contribution, ...]:
        """The noise of a reading as its scatter shows it, where nobody stated it."""
        if self._residuals is None or self._noise_is_stated:
            return ()
        size = self._residuals.deviation * float(np.linalg.norm(tracked.gradient))
        return (Contribution(SCATTER, size, self._residuals.degrees_of_freedom),)


def _since_first(part: Sequence[CreepReading]) -> list[float]:
    return [reading.time_s - part[0].time_s for reading in part] if part else []


def creep_results(record: CreepRecord, sources: Iterable[Source] = ()) -> CreepResults:
    """Return creep at 30 min, between 20 and 30 min, its time constants, and the return.

    Raises SeriesError when the load was not held for 30 min or gave no output.
    """
    curve = CreepCurve(record, sources)
    if curve.applied.value == 0.0:
        raise SeriesError("the load gave no output")
    at_30 = curve.loaded_at(30 * MINUTE_S)
    if at_30 is None:
        held = _since_first(record.loaded)[-1] / MINUTE_S
        raise SeriesError(f"creep needs readings up to 30 min under load, they end at {held:.1f}")
    creep = (at_30 - curve.initial) / curve.applied
    recovery = _recovery(curve)
    return CreepResults(
        applied_output=curve.result("applied output", curve.applied, "V/V"),
        creep_30_min=curve.result("creep 30 min", creep, OF_APPLIED_OUTPUT),
        creep_20_to_30_min=_late_creep(curve, at_30),
        largest_creep=_largest(curve),
        minimum_load_return=_return(curve),
        recovery_30_min=recovery,
        recovery_ratio=-recovery.value / creep.value if recovery and creep.value else None,
        fit=curve.fit,
        initial_output=curve.initial.value,
        curve=_relative(record.loaded, curve),
        recovery_curve=_relative(record.after, curve),
        notes=tuple(_notes(curve)),
    )


def _late_creep(curve: CreepCurve, at_30: Tracked) -> Result | None:
    at_20 = curve.loaded_at(20 * MINUTE_S)
    if at_20 is None:
        return None
    return curve.result("creep 20 to 30 min", (at_30 - at_20) / curve.applied, OF_APPLIED_OUTPUT)


def _largest(curve: CreepCurve) -> Result:
    times = _since_first(curve.record.loaded)
    places = [i for i, t in enumerate(times) if t <= 30 * MINUTE_S + EARLY_S]
    creeps = {i: curve.at(curve.first_loaded + i) - curve.initial for i in places}
    place = max(creeps, key=lambda i: abs(creeps[i].value))
    where = f"{times[place] / MINUTE_S:.1f} min"
    name = "largest creep in 30 min"
    return curve.result(name, creeps[place] / curve.applied, OF_APPLIED_OUTPUT, where)


def _return(curve: CreepCurve) -> Result | None:
    returned = curve.returned
    if returned is None:
        return None
    change = (returned - curve.before) / curve.applied
    return curve.result("minimum dead load output return", change, OF_APPLIED_OUTPUT)


def _recovery(curve: CreepCurve) -> Result | None:
    returned, later = curve.returned, curve.after_at(30 * MINUTE_S)
    if returned is None or later is None:
        return None
    change = (later - returned) / curve.applied
    return curve.result("recovery 30 min", change, OF_APPLIED_OUTPUT)


def _relative(part: Sequence[CreepReading], curve: CreepCurve) -> tuple[tuple[float, float], ...]:
    applied = curve.applied.value
    return tuple(
        (seconds, (reading.output - part[0].output) / applied)
        for seconds, reading in zip(_since_first(part), part, strict=True)
    )


def _notes(curve: CreepCurve) -> list[str]:
    notes = []
    if curve.loaded_at(20 * MINUTE_S) is None:
        notes.append("no reading within 1 min of 20 min: creep 20 to 30 min cannot be given")
    if not curve.record.after:
        notes.append("no reading after the load: the return to minimum load cannot be given")
    elif curve.after_at(30 * MINUTE_S) is None:
        notes.append("no reading 30 min after unloading: recovery cannot be given")
    if curve.fit is not None:
        notes += _vague_terms(curve.fit)
    else:
        notes.append("the creep does not stand out of the scatter: no time constants")
    if not curve.uncertainty_is_known:
        notes.append(
            f"no stated uncertainty, and no scatter of at least {LEAST_READINGS} readings under"
            " load: U cannot be given"
        )
    elif not curve.sources:
        notes.append(
            "U holds the scatter about the curve only: nothing was stated about the instrument,"
            " and how far it drifts in half an hour shows only in part"
        )
    return notes


def _vague_terms(fit: CreepFit) -> list[str]:
    """Say which time constants the record is too short or too noisy to tell."""
    vague = [term.time_constant.value for term in fit.terms if term.vague]
    return [f"the time constant near {value:.0f} s is hardly determined" for value in vague]
