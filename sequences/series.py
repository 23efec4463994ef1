"""One load series in one direction: preloads, runs up and down, and what comes of them.

A run is one check: its points belong together, and a run that was cut off is measured again
after new preloads. `load_series`, `acceptance` (as found) and others use it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from acq.analysis.load_results import LoadResults, load_results
from acq.analysis.load_series import (
    Direction,
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
from acq.bench.bench import Request
from acq.bench.connections import Polarity
from acq.bench.loading import Applied
from acq.cells.limits import Limits
from acq.errors import WrongInput
from acq.readings.corrections import RECTANGULAR
from acq.readings.measured import is_number
from acq.readings.reading import Reading
from acq.runs.check import Check
from acq.runs.effects import Needs
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from sequences import load_findings, steps
from sequences.load_gates import POWERED
from sequences.load_plan import Series
from sequences.rig import AtRig, Spoilt, Taken

NO_CLASS = "none"
LOAD_FINDINGS = ("rated output", "zero return", "non-linearity", "hysteresis", "combined error")


@dataclass(frozen=True, slots=True)
class Step:
    """One point of a run, ready to be put on."""

    applied: Applied
    direction: Direction


@dataclass(slots=True)
class Measured:
    """What was measured of one direction: the points of every run that holds."""

    runs: list[list[tuple[Step, Taken]]] = field(default_factory=list)
    rooms: list[Reading] = field(default_factory=list)  # of the thermometer
    emf_volts: list[float] = field(default_factory=list)
    found: LoadResults | None = None

    @property
    def temperature(self) -> float | None:
        """The mean of the room's readings, degC; None where no thermometer is."""
        return sum(self.celsius) / len(self.celsius) if self.celsius else None

    @property
    def celsius(self) -> list[float]:
        return [each.value for each in self.rooms if each.value is not None]


def steps_of(rig: AtRig, part: Series) -> list[Step]:
    """Return the points of a run. Raises WrongInput for a load that cannot or must not be made."""
    rising = [Step(rig.applied(each), Direction.UP) for each in part.points_percent]
    falling = [Step(each.applied, Direction.DOWN) for each in reversed(rising[:-1])]
    return [*rising, *(falling if part.falling else [])]


def prepared(run: Run[Any], part: Series, direction: float = 1.0, name: str = "") -> AtRig:
    """Return the rig with every load looked at: before anything is touched."""
    rig = AtRig(run, part, direction)
    rig.direction_name = name
    rig.span(part.points_percent[0], part.points_percent[-1])
    steps_of(rig, part)
    return rig


def measured_series(run: Run[Any], rig: AtRig, part: Series, about: str = "") -> Measured:
    """Excite, warm up, preload and measure all runs; the bench ends unloaded and off."""
    taken = Measured()
    reverse = reversal_needed(run, rig, part)
    with run.excited(steps.excitation(run.cell, rig.excitation_volts)):
        with run.check(f"preloads{about}", needs=POWERED) as check:
            rig.begin(check)
            if run.plan.excitation.warm_up_s and about:
                check.wait(run.plan.excitation.warm_up_s, "warm again after mounting")
            rig.exercise(check, part.wait_s)
        if not reverse:
            for number in range(1, part.runs + 1):
                one_run(run, rig, part, taken, number, about)
            return taken
    for number in range(1, part.runs + 1):
        emf_at_zero(run, rig, part, taken, number, about)
        with run.excited(steps.excitation(run.cell, rig.excitation_volts)):
            one_run(run, rig, part, taken, number, about)
    return taken


def reversal_needed(run: Run[Any], rig: AtRig, part: Series) -> bool:
    """Whether a drifting EMF would take more than a third of what the lowest load may be off."""
    wanted = part.reading.reversal
    if wanted != "where needed" or run.cell.reversal_objection is not None:
        return wanted == "always" and run.cell.reversal_objection is None
    symbol = class_symbol(run, part.accuracy_class)
    if not symbol:
        return False
    accuracy = accuracy_class(symbol)
    volts_per_v = abs(rig.full_volts) / accuracy.intervals
    lowest = accuracy.mpe_v(0.0, part.apportioning)
    U = 2.0 * part.reading.emf_drift_volts / RECTANGULAR
    return bool(lowest * volts_per_v / 3.0 < U)


def class_symbol(run: Run[Any], wanted: str) -> str:
    """Return the class to test to: the plan's, else the data sheet's; empty for none."""
    if wanted == NO_CLASS:
        return ""
    return wanted or run.cell.data_sheet.accuracy_class


def emf_at_zero(
    run: Run[Any], rig: AtRig, part: Series, taken: Measured, number: int, about: str
) -> None:
    """The zero at both polarities before a run: what does not turn with the excitation."""
    ratios: dict[Polarity, Any] = {}
    for side in (Polarity.REVERSED, Polarity.NORMAL):
        with (
            run.excited(steps.excitation(run.cell, rig.excitation_volts), side),
            run.check("zero at the rig", f"{side.value}, run {number}{about}") as check,
        ):
            rig.begin(check)
            rig.wait(check, run.plan.zero.settle_s, f"settling after {side.value} excitation")
            rest = rig.applied(part.points_percent[0])
            ratios[side] = rig.taken(check, rest, None, None).ratio
    emf = (ratios[Polarity.NORMAL] - ratios[Polarity.REVERSED]) / 2.0
    taken.emf_volts.append(float(emf.x) * rig.excitation_volts)


def one_run(
    run: Run[Any], rig: AtRig, part: Series, taken: Measured, number: int, about: str
) -> None:
    """Measure one run; a spoilt one is kept with its reason and measured again."""
    for attempt in range(1, part.attempts + 1):
        again = "" if attempt == 1 else f", attempt {attempt}"
        with run.check("load run", f"{number}{about}{again}", Needs(mounted=True)) as check:
            rig.begin(check)
            if attempt > 1:
                rig.exercise(check, part.wait_s)
            room(run, check, taken)
            try:
                points = _points(rig, part, check, number, about)
            except Spoilt as spoilt:
                _unload(rig, part, check)
                check.withhold(f"{spoilt}; the run is measured again")
                continue
            check.keep("loads", f"run {number}{about}", _table(points))
            taken.runs.append(points)
            return
    raise WrongInput(
        f"load run {number}{about} was spoilt {part.attempts} times: look at rig and hands before"
        " going on"
    )


def room(run: Run[Any], check: Check, taken: Measured) -> None:
    """Read what stands in the room; temperature is what a class statement names."""
    for role, quantity in (
        ("thermometer", "temperature"),
        ("hygrometer", "relative-humidity"),
        ("barometer", "pressure"),
    ):
        if run.has(role):
            reading = check.read(Request(quantity=quantity, role=role))
            if role == "thermometer" and reading.value is not None:
                taken.rooms.append(reading)


def _points(
    rig: AtRig, part: Series, check: Check, number: int, about: str
) -> list[tuple[Step, Taken]]:
    points = []
    every = steps_of(rig, part)
    for place, step in enumerate(every, 1):
        title = f"run {number}{about}, point {place} of {len(every)} ({step.direction.value})"
        taken = rig.point(check, step.applied, title)
        if part.ask_after_each_point:
            taken = _asked(rig, check, step, taken, title)
        points.append((step, taken))
    for seconds in part.returns_s:
        since = points[-1][1]
        assert since.after_s is not None
        began = since.at_ns / 1e9 - since.after_s
        left = began + seconds - rig.lead_s - rig.now_s
        if left > 0:
            rig.wait(check, left, f"zero again {seconds:g} s after unloading began")
        rest = points[-1][0].applied
        later = rig.taken(check, rest, began, seconds)
        check.keep("zero return", f"after {seconds:g} s", float(later.ratio.x))
    return points


def _asked(rig: AtRig, check: Check, step: Step, taken: Taken, title: str) -> Taken:
    """Have a point kept or read again, with the reason; the load stays where it is."""
    shown = f"{1e3 * float(taken.ratio.x):.6f} mV/V"
    while True:
        prompt = Prompt(text=f"{title}: {shown}. Keep it?", choices=("keep", "repeat"))
        if check.ask(prompt) == "keep":
            return taken
        reason = check.ask(Prompt(text="Why is it read again?", choices=())) or "no reason given"
        rig.notes.append(f"{title}: {shown} read again: {reason}")
        taken = rig.taken(check, step.applied, None, None)
        shown = f"{1e3 * float(taken.ratio.x):.6f} mV/V"


def _unload(rig: AtRig, part: Series, check: Check) -> None:
    """After a spoilt run: everything off, whatever the output says."""
    rest = rig.applied(part.points_percent[0])
    rig.unload(check, rest, "the run is spoilt")


def _table(points: Sequence[tuple[Step, Taken]]) -> list[dict[str, Any]]:
    return [
        {
            "direction": step.direction.value,
            "load": taken.load,
            "output": float(taken.ratio.x),
            "standard_uncertainty": float(taken.ratio.u),
            "seconds_after_change": taken.after_s,
            "due_seconds": taken.due_s,
        }
        for step, taken in points
    ]


# --- what comes of it


def series_of(
    rig: AtRig, part: Series, measured: Measured
) -> tuple[LoadSeries, tuple[Source, ...]]:
    """Return the checked series and every influence on it.

    The error of a load moves the output by the cell's slope, so it becomes an influence of the
    output; what weights, lever or reference cell share is one influence throughout. An EMF that
    drifts within a run has its own influence in each run.
    """
    uncertainties = rig.run.uncertainties
    slope = rig.full_volts / rig.excitation_volts / rig.capacity.value
    drift = emf_drift(part, measured) / abs(rig.excitation_volts)
    readings: list[LoadReading] = []
    outputs: list[Any] = []
    for number, points in enumerate(measured.runs, 1):
        wander = uncertainties.fresh("EMF drift within a run", drift)
        for place, (step, taken) in enumerate(points):
            output: Any = rig.direction * taken.ratio
            for name, error in taken.applied.errors.items():
                shared = (
                    uncertainties.fresh(name, 1.0)
                    if name.endswith("reading")
                    else uncertainties.shared(f"load: {name}", 1.0)
                )
                output = output + shared * (abs(slope) * error)
            output = output + wander * (place / max(1, len(points) - 1))
            outputs.append(output)
            readings.append(
                LoadReading(
                    run=number,
                    direction=step.direction,
                    load=taken.load,
                    output=rig.direction * float(taken.ratio.x),
                    time_s=taken.at_ns / 1e9,
                )
            )
    sources = components(outputs, [each.run for each in readings])
    if rig.loading.by_force:
        within = rig.capacity.value * part.within_percent / 100.0
        readings = list(at_levels(_zeroed(readings, within), within))
    minimum = min(each.load for each in readings)
    return load_series(readings, minimum, capacity=rig.capacity.value * (1 + 1e-3)), sources


def _zeroed(readings: Sequence[LoadReading], within: float) -> Sequence[LoadReading]:
    """A jack off its cell presses with nothing, whatever the indicator's zero shows."""
    return [replace(r, load=0.0) if abs(r.load) < within else r for r in readings]


def emf_drift(part: Series, measured: Measured) -> float:
    """Return one standard deviation of the EMF's drift within a run, V.

    Measured where the zero was read at both polarities before each run, else the plan's.
    """
    emf = measured.emf_volts
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
            series, sources = series_of(rig, part, measured)
            found = load_results(series, line=Line(part.line), capacity=capacity, sources=sources)
            terminal = load_results(series, capacity=capacity, sources=sources)
        except SeriesError as error:
            check.withhold(str(error))
            return
        measured.found = found
        marks = [*load_findings.rig_marks(run, rig.notes), *found.notes]
        load_findings.series_findings(run, check, part, found, limits, about, marks)
        _temperature_told(run, check, measured, about)
        test = _class_test(run, rig, part, series, sources)
        if isinstance(test, LoadTest):
            load_findings.class_findings(run, check, part, test, measured.temperature, about)
        elif test:
            check.keep("note", f"class{about}", test)
        whole = test if isinstance(test, LoadTest) else None
        load_findings.series_figures(
            check, part, found, terminal, rig.capacity.unit, limits, whole, about
        )


def _temperature_told(run: Run[Any], check: Check, measured: Measured, about: str) -> None:
    if measured.temperature is None:
        return
    half = (max(measured.celsius) - min(measured.celsius)) / 2.0
    name, change = f"room temperature{about}", run.uncertainties.fresh("change", half / RECTANGULAR)
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
