"""Creep of a cell under constant load, and how it comes back afterwards.

Preloads, an hour of rest, the load, readings over half an hour, the return, half an hour more.
Creep with its recovery is one check: it is measured in one go or not at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from acq.analysis.creep import CreepReading, creep_record, creep_results
from acq.analysis.load_series import SeriesError
from acq.analysis.oiml_r60 import accuracy_class
from acq.analysis.oiml_r60_results import CreepTest, creep_test
from acq.analysis.propagation import Source
from acq.analysis.reading_times import CREEP_MUST_READ_S, CREEP_S
from acq.analysis.uncertain_outputs import components
from acq.bench.loading import Applied
from acq.cells.limits import Limits
from acq.errors import WrongInput
from acq.readings.corrections import RECTANGULAR
from acq.runs.check import Check
from acq.runs.run import Run
from acq.runs.sequence import sequence
from sequences import load_findings, load_gates, route, steps
from sequences.load_gates import POWERED
from sequences.load_plan import Creep, CreepPlan, Reading
from sequences.outputs import SWING, Scale, Taken, scatter_of_test
from sequences.own_sheet import against_own_sheet
from sequences.rig import AtRig
from sequences.scatter import Scatter
from sequences.series import Measured, class_symbol, room
from sequences.series_results import full_range
from sequences.spoilt import told_if_loaded

CREEP_FINDINGS = ("creep, 30 min", "minimum dead load output return", "recovery, 30 min")
ROLES = ("scanner", "dmm", "supply", "insulation")
OPTIONAL = ("second-dmm", "thermometer", "hygrometer", "barometer", "reference-indicator")
_BEFORE = 3  # readings at the minimum load before the load


@sequence(
    roles=ROLES,
    optional=OPTIONAL,
    plan=CreepPlan,
    plans=Path(__file__).parent / "plans",
    default_plan="creep",
)
def creep(run: Run[CreepPlan]) -> None:
    """Hold a load for half an hour: creep, its time constants, recovery, return to zero."""
    route.refuse_other_routes(run)
    part = run.plan.creep
    rig = prepared_creep(run, part)
    gate = load_gates.load_gate(run, part)
    if not gate.is_open:
        for name in CREEP_FINDINGS:
            run.withhold(name, name, "1", gate.because)
        return
    creep_part(run, rig, part)


def prepared_creep(run: Run[Any], part: Creep) -> AtRig:
    """Return the rig with both loads looked at: before anything is touched."""
    rig = AtRig(run, part)
    rig.span(part.minimum_percent, part.load_percent)
    return rig


@dataclass(slots=True)
class Record:
    """The readings of one creep test, and how late the return was read."""

    taken: list[Taken] = field(default_factory=list)
    return_ratio: float = 1.0


def creep_part(run: Run[Any], rig: AtRig, part: Creep) -> None:
    """Exercise, rest, load, hold, unload, watch the recovery; then judge and draw."""
    measured, record = Measured(), Record()
    ask = bool(class_symbol(run, part.accuracy_class))
    with (
        told_if_loaded(rig),
        run.excited(steps.excitation(run.cell, rig.excitation_volts)),
    ):
        with run.check("preloads, creep", needs=POWERED) as check:
            rig.begin(check)
            rig.exercise(check, part.before_s)
        with run.check("creep and return") as check:
            rig.begin(check)
            room(run, check, measured, ask=ask)
            _hold(rig, part, check, record)
            room(run, check, measured, ask=ask)
            check.keep("loads", "creep", _table(record))
    judged_creep(run, rig, part, record, measured.temperature)


def _hold(rig: AtRig, part: Creep, check: Check, record: Record) -> None:
    rest, load = rig.applied(part.minimum_percent), rig.applied(part.load_percent)
    for _ in range(_BEFORE):
        record.taken.append(rig.taken(check, rest, None, None))
    first = rig.point(check, load, "creep load")
    record.taken.append(first)
    for seconds in _times(part.held_s, part.every_s):
        _read_at(rig, check, load, record, first.at_ns / 1e9 + seconds, "under load", seconds)
    back = rig.point(check, rest, "creep load off")
    record.taken.append(back)
    if back.after_s is not None and back.due_s:
        record.return_ratio = back.after_s / back.due_s
    for seconds in _times(part.recovery_s, part.every_s):
        _read_at(rig, check, rest, record, back.at_ns / 1e9 + seconds, "recovery", seconds)


def _times(last_s: float, every_s: float) -> list[float]:
    """Return the reading times after the initial one; 20 and 30 min are always among them."""
    count = int(last_s / every_s + 1e-9)
    times = {every_s * k for k in range(1, count + 1)}
    times |= {each for each in (CREEP_MUST_READ_S, CREEP_S, last_s) if 0.0 < each <= last_s}
    return sorted(times)


def _read_at(
    rig: AtRig,
    check: Check,
    applied: Applied,
    record: Record,
    at_s: float,
    what: str,
    seconds: float,
) -> None:
    left = at_s - rig.lead_s - rig.now_s
    if left > 0:
        rig.wait(check, left, f"{what}: reading at {seconds / 60.0:g} min")
    record.taken.append(rig.taken(check, applied, None, None))


def _table(record: Record) -> list[dict[str, Any]]:
    return [
        {
            "seconds": taken.at_ns / 1e9 - record.taken[0].at_ns / 1e9,
            "load": taken.load,
            "output": float(taken.ratio.x),
            "standard_uncertainty": float(taken.ratio.u),
        }
        for taken in record.taken
    ]


# --- what comes of it


def judged_creep(
    run: Run[Any], rig: AtRig, part: Creep, record: Record, temperature_c: float | None
) -> None:
    """Compute, judge and draw creep and return."""
    limits = Limits(run.cell, run.plan.limits)
    with run.check("creep results") as check:
        readings, sources = record_of(
            rig.scale,
            record.taken,
            rig.applied(part.minimum_percent).value,
            rig.applied(part.load_percent).value,
            part.reading,
        )
        try:
            found = creep_results(creep_record(readings), sources)
        except SeriesError as error:
            check.withhold(str(error))
            return
        test = _class_test(run, rig, part, readings, sources, record.return_ratio)
        whole = test if isinstance(test, CreepTest) else None
        load_findings.creep_findings(run, check, part, found, whole, limits, temperature_c)
        allowed = limits.own_characteristic("creep_30_min")
        against_own_sheet(run, check, found.creep_30_min, "creep, 30 min", "1", allowed)
        if isinstance(test, str) and test:
            check.keep("note", "creep class", {"text": test})
        load_findings.creep_figure(check, found, whole)


def record_of(
    scale: Scale, taken: Sequence[Taken], rest: float, load: float, plan: Reading
) -> tuple[list[CreepReading], tuple[Source, ...]]:
    """Return the readings of a creep record and every influence on them.

    An EMF may drift evenly from its first reading to its last, as within a run of loads.
    """
    scatter = scatter_of_test(taken, scale.uncertainties, plan.swing_hertz)
    drift = plan.emf_drift_volts / RECTANGULAR / abs(scale.volts)
    wander = scale.uncertainties.fresh("EMF drift within the record", drift)
    begun, lasts = taken[0].at_ns, max(1, taken[-1].at_ns - taken[0].at_ns)
    outputs = [
        _at_its_load(scale, each, taken[0], load, rest, scatter)
        + wander * ((each.at_ns - begun) / lasts)
        for each in taken
    ]
    readings = [
        CreepReading(
            time_s=each.at_ns / 1e9,
            load=load if each.load > (load + rest) / 2.0 else rest,
            output=float(output.x),
        )
        for each, output in zip(taken, outputs, strict=True)
    ]
    # what touches one reading only is its noise, and what the scatter about the curve shows beyond
    # it is drift; the swing is not of every reading, only of those after a change
    return readings, components(outputs, range(len(outputs)), beside=[SWING])


def _at_its_load(
    scale: Scale, taken: Taken, zero: Taken, load: float, rest: float, scatter: Scatter
) -> Any:
    """The output as the nominal load would have given it: a jack never holds quite still.

    Without a minimum load it is what the reference cell shows beyond the zero before.
    """
    output: Any = scale.direction * taken.with_scatter(scale.uncertainties, scatter)
    output = scale.with_errors_of_the_load(output, taken.applied)
    if not scale.by_force:
        return output
    if taken.load > (load + rest) / 2.0:
        return output + scale.slope * (load - taken.load)
    if rest:
        return output + scale.slope * (rest - taken.load)
    return output - scale.residual(taken, zero)


def _class_test(
    run: Run[Any],
    rig: AtRig,
    part: Creep,
    readings: list[CreepReading],
    sources: tuple[Source, ...],
    return_ratio: float,
) -> CreepTest | str:
    symbol = class_symbol(run, part.accuracy_class)
    if not symbol:
        return ""
    try:
        return creep_test(
            creep_record(readings),
            accuracy_class(symbol),
            full_range(rig, max(each.load for each in readings)),
            sources=sources,
            time_ratio=return_ratio,
        )
    except WrongInput as error:
        if part.accuracy_class:
            raise
        return f"not tested to class {symbol}: {error}"
