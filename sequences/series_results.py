"""What a load series tells: results with every influence, judged, told and drawn."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from acq.analysis.load_results import LoadResults, load_results
from acq.analysis.load_series import (
    LoadReading,
    LoadSeries,
    SeriesError,
    at_levels,
    load_series,
)
from acq.analysis.oiml_r60 import accuracy_class
from acq.analysis.oiml_r60_results import LoadTest, load_test
from acq.analysis.propagation import Source
from acq.analysis.reference_lines import Line
from acq.analysis.uncertain_outputs import components
from acq.cells.limits import Limits
from acq.errors import WrongInput
from acq.readings.corrections import RECTANGULAR
from acq.readings.measured import is_number
from acq.runs.check import Check
from acq.runs.run import Run
from sequences import load_findings
from sequences.load_plan import Series
from sequences.outputs import Scale, scatter_of_test
from sequences.own_sheet import against_own_sheet
from sequences.rig import AtRig
from sequences.room import UNKNOWN_KELVINS
from sequences.series import Measured, class_symbol, drift_is_too_much


def series_of(
    scale: Scale, part: Series, measured: Measured
) -> tuple[LoadSeries, tuple[Source, ...]]:
    """Return the checked series and every influence on it.

    The error of a load moves the output by the cell's slope, so it becomes an influence of the
    output; what weights, lever or reference cell share is one influence throughout. An EMF that
    drifts within a run has its own influence in each run. Where a jack has let go, what the
    reference cell still shows is taken off.
    """
    uncertainties = scale.uncertainties
    drift = emf_drift(part, measured) / abs(scale.volts)
    readings: list[LoadReading] = []
    outputs: list[Any] = []
    every = [taken for points in measured.runs for _, taken in points]
    scatter = scatter_of_test(every, uncertainties, part.reading.swing_hertz)
    within = scale.capacity * part.within_percent / 100.0
    for number, points in enumerate(measured.runs, 1):
        wander = uncertainties.fresh("EMF drift within a run", drift)
        for place, (step, taken) in enumerate(points):
            output: Any = scale.direction * taken.with_scatter(uncertainties, scatter)
            output = output + wander * (place / max(1, len(points) - 1))
            value, load = scale.direction * float(taken.ratio.x), taken.load
            if scale.by_force and abs(load) < within:
                left = scale.residual(taken, points[0][1])
                output, value, load = output - left, value - getattr(left, "x", left), 0.0
            outputs.append(scale.with_errors_of_the_load(output, taken.applied))
            readings.append(
                LoadReading(
                    run=number,
                    direction=step.direction,
                    load=load,
                    output=value,
                    time_s=taken.at_ns / 1e9,
                )
            )
    sources = components(outputs, [each.run for each in readings])
    if scale.by_force:
        readings = list(at_levels(readings, within))
    minimum = min(each.load for each in readings)
    return load_series(readings, minimum, capacity=scale.capacity * (1 + 1e-3)), sources


def emf_drift(part: Series, measured: Measured) -> float:
    """Return one standard deviation of the EMF's drift within a run, V.

    Measured where the zero was read at both polarities before each run, else the plan's.
    """
    emf = measured.emf_volts
    if part.reading.reversal == "every point":
        return 0.0  # it is taken off each output
    if len(emf) < 2:
        return part.reading.emf_drift_volts / RECTANGULAR
    largest = max(abs(after - before) for before, after in pairwise(emf))
    return largest / RECTANGULAR


def judged_series(
    run: Run[Any], rig: AtRig, part: Series, measured: Measured, about: str = ""
) -> None:
    """Compute, judge and draw everything that the series tells."""
    limits = Limits(run.cell, run.plan.limits)
    capacity = rig.capacity.value
    with run.check(f"load results{about}") as check:
        try:
            series, sources = series_of(rig.scale, part, measured)
            found = load_results(series, line=Line(part.line), capacity=capacity, sources=sources)
            terminal = load_results(series, capacity=capacity, sources=sources)
        except SeriesError as error:
            check.withhold(str(error))
            return
        measured.found = found
        if drift_is_too_much(run, rig, part, emf_drift(part, measured) * RECTANGULAR):
            rig.notes.append(
                'the EMF drifts too much for the lowest load of the class: reversal = "every'
                ' point" in the plan takes it off'
            )
        marks = [*load_findings.rig_marks(run, rig.notes), *found.notes]
        load_findings.series_findings(run, check, part, found, limits, about, marks)
        _against_own_sheet(run, check, found, limits, about)
        _returns(run, check, rig.scale, part, measured, limits, about)
        _temperature_told(run, check, measured, about)
        test = _class_test(run, rig, part, series, sources)
        if isinstance(test, LoadTest):
            load_findings.class_findings(run, check, part, test, measured.temperature, about)
        elif test:
            check.keep("note", f"class{about}", {"text": test})
        whole = test if isinstance(test, LoadTest) else None
        load_findings.series_figures(
            check, found, terminal, rig.capacity.unit, limits, whole, about
        )


def _against_own_sheet(
    run: Run[Any], check: Check, found: LoadResults, limits: Limits, about: str
) -> None:
    """Compare with the cell's own sheet where it states values with uncertainties."""
    outputs = load_findings.at_this_gravity(run, limits.rated_output)
    against_own_sheet(run, check, found.rated_output, f"rated output{about}", "V/V", outputs)
    zero = limits.zero_balance
    against_own_sheet(run, check, found.zero_balance, f"zero at the rig{about}", "V/V", zero)
    for result, key in (
        (found.zero_return, "zero_return"),
        (found.non_linearity, "non_linearity"),
        (found.hysteresis, "hysteresis"),
        (found.repeatability, "repeatability"),
    ):
        if result is not None:
            name = f"{key.replace('_', ' ').replace('non ', 'non-')}{about}"
            against_own_sheet(run, check, result, name, "1", limits.own_characteristic(key))


def _returns(
    run: Run[Any], check: Check, scale: Scale, part: Series, measured: Measured, limits: Limits,
    about: str,
) -> None:  # fmt: skip
    """The zero again some time after unloading, against the zero before its run."""
    found = measured.found
    if found is None or not measured.returns:
        return
    every = [taken for points in measured.runs for _, taken in points]
    scatter = scatter_of_test(every, run.uncertainties, part.reading.swing_hertz)
    zero = measured.runs[-1][0][1]
    before = zero.with_scatter(run.uncertainties, scatter)
    for seconds, later in measured.returns:
        after = later.with_scatter(run.uncertainties, scatter)
        after = after - scale.direction * scale.residual(later, zero)
        returned = (after - before) / abs(found.rated_output.value)
        check.finding(
            f"zero return after {seconds:g} s{about}",
            "zero return",
            "1",
            returned,
            limits.of_type("zero_return"),
            rule=part.rule,
            share=part.largest_uncertainty_share,
        )


def _temperature_told(run: Run[Any], check: Check, measured: Measured, about: str) -> None:
    if measured.temperature is None:
        return
    half = (max(measured.celsius) - min(measured.celsius)) / 2.0
    name, change = f"room temperature{about}", run.uncertainties.fresh("change", half / RECTANGULAR)
    if not measured.rooms:
        spread = run.uncertainties.fresh("thermometer", UNKNOWN_KELVINS / RECTANGULAR)
        by_hand: Any = measured.temperature + change + spread
        mark = ["read by a person beside the cell"]
        check.finding(name, "temperature", "degC", by_hand, marks=mark)
        return
    if run.accuracy("thermometer", "temperature", None) is None:
        told: Any = measured.temperature + change
        mark = ["the bench file states no accuracy of the thermometer"]
        check.finding(name, "temperature", "degC", told, marks=mark)
        return
    room_now: Any = run.uncertainties.mean(measured.rooms)
    if is_number(room_now):
        check.finding(name, "temperature", "degC", room_now + change)


def full_range(rig: AtRig, largest: float) -> float:
    """Return the capacity; weights that weigh a hair more than their names count as it."""
    capacity = rig.capacity.value
    return largest if capacity < largest < capacity * (1 + 1e-4) else capacity


def _class_test(
    run: Run[Any], rig: AtRig, part: Series, series: LoadSeries, sources: Sequence[Source]
) -> LoadTest | str:
    """Return the test to a class, or why there is none."""
    symbol = class_symbol(run, part.accuracy_class)
    if not symbol:
        return ""
    try:
        accuracy = accuracy_class(symbol)
        return load_test(
            series,
            accuracy,
            full_range(rig, series.maximum_load),
            apportioning=part.apportioning,
            sources=sources,
        )
    except WrongInput as error:
        if part.accuracy_class:
            raise
        return f"not tested to class {symbol}: {error}"
