"""The zero logged under excitation: how it drifts, how far it scatters, whether it steps."""

from __future__ import annotations

import numpy as np

from acq.analysis import drift_events
from acq.readings.rules import Limit
from acq.runs.check import Check
from acq.runs.run import Run
from sequences import steps
from sequences.acceptance_plan import AcceptancePlan, Stability
from sequences.diagnosis import Seen
from sequences.exciting import POWERED
from sequences.judging import judge


def stability(run: Run[AcceptancePlan], seen: Seen) -> None:
    """Log the signal and judge its drift, its noise peak to peak and its largest step."""
    plan = run.plan.stability
    if plan is None:
        return
    with run.check("stability log", needs=POWERED) as check:
        times, values = _log(run, check, plan)
        if len(values) < 5:
            check.withhold("the signal is over range")
            return
        slope, offset = np.polyfit(times - times[0], values, 1)
        rest = values - (offset + slope * (times - times[0]))
        steps_found = drift_events.jumps(values)
        largest = max((abs(jump.size) for jump in steps_found), default=0.0)
        volts = min(run.plan.excitation.volts, run.cell.excitation)
        rated = abs(run.cell.rated_output or 2e-3)
        percent = 100.0 / (volts * rated)
        spread = float(np.std(rest)) * percent
        minutes = (times[-1] - times[0]) / 60.0
        drift_u = float(np.std(rest) * 3.46 / np.sqrt(len(rest))) * percent / minutes
        told = (
            (
                "zero drift",
                slope * 60.0 * percent,
                drift_u,
                plan.drift_percent_per_minute,
                "%RO/min",
            ),
            (
                "zero noise, peak to peak",
                float(np.ptp(rest)) * percent,
                spread,
                plan.noise_percent,
                "%RO",
            ),
            ("zero steps, largest", largest * percent, spread, plan.step_percent, "%RO"),
        )
        for name, value, u, allowed, unit in told:
            _judged(run, check, seen, plan, name, value, u, allowed, unit)
        seen.of_limit["zero drift"] = max(
            seen.of_limit.get("zero drift", 0.0),
            abs(slope * 60.0 * percent) / plan.drift_percent_per_minute,
        )


def _log(
    run: Run[AcceptancePlan], check: Check, plan: Stability
) -> tuple[
    np.ndarray[tuple[int], np.dtype[np.float64]], np.ndarray[tuple[int], np.dtype[np.float64]]
]:
    request = steps.signal_request(run, check)
    every_s = max(plan.every_s, plan.by_hand_every_s) if run.by_hand("dmm") else plan.every_s
    times: list[float] = []
    values: list[float] = []
    while not times or times[-1] - times[0] < plan.seconds:
        reading = check.read(request, across=steps.SIGNAL)
        if reading.value is None:
            break
        times.append(reading.ended_ns / 1e9)
        values.append(reading.value)
        check.wait(every_s, "stability log: nobody leans on the bench")
    return np.array(times), np.array(values)


def _judged(
    run: Run[AcceptancePlan],
    check: Check,
    seen: Seen,
    plan: Stability,
    name: str,
    value: float,
    u: float,
    allowed: float,
    unit: str,
) -> None:
    measured = value + run.uncertainties.fresh("scatter of the log", u)
    lower = -allowed if unit == "%RO/min" else None
    limit = Limit(lower, allowed, unit, plan.source)
    judge(check, seen, plan, name, name, unit, measured, [limit])
