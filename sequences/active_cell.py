"""A cell with built-in electronics: supply current and zero. No ohms, no insulation."""

from __future__ import annotations

from typing import Any

from acq.bench.bench import Excitation
from acq.errors import WrongInput
from acq.readings.rules import Limit
from acq.readings.units import read_value
from acq.runs.check import Check
from acq.runs.effects import Needs
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from sequences import steps
from sequences.acceptance_plan import AcceptancePlan, Active
from sequences.diagnosis import Seen
from sequences.judging import judge

CURRENT_MARGIN = 2.0  # limit over the largest current of the papers
_UNITS = {"V": ("V", 1.0), "mA": ("A", 1e-3), "digits": ("digits", 1.0)}


def active_cell(run: Run[AcceptancePlan], seen: Seen) -> None:
    """Supply it as its papers say, and read its current and its output without load."""
    plan = run.plan.active
    assert plan is not None
    with run.excited(supply_of(run, plan), wires=4):
        with run.check("supply current", needs=Needs(powered=True)) as check:
            check.wait(plan.warm_up_s, "the electronics warms up")
            amperes = steps.supply_current(run, check)
            span = run.cell.data_sheet.supply_current
            limits = []
            if span is not None and span.limited:
                name = run.cell.data_sheet.name
                limits = [Limit(span.lower, span.upper, "A", f"{name}: supply current")]
            judge(check, seen, plan, "supply current", "current", "A", amperes, limits)
        with run.check("zero", needs=Needs(powered=True)) as check:
            unit, factor = _UNITS[plan.output]
            measured = _output(run, check, plan)
            limits = []
            if plan.zero is not None and plan.zero_tolerance is not None:
                low, high = plan.zero - plan.zero_tolerance, plan.zero + plan.zero_tolerance
                limits = [Limit(low * factor, high * factor, unit, plan.source)]
            judge(check, seen, plan, "output without load", "output", unit, measured, limits)


def supply_of(run: Run[AcceptancePlan], plan: Active) -> Excitation:
    """What the supply is told, from the papers alone. Raises WrongInput where they are silent."""
    cell, sheet = run.cell, run.cell.data_sheet
    recommended = sheet.excitation.best if sheet.excitation else None
    volts = plan.volts or recommended
    if volts is None or sheet.supply_current is None:
        raise WrongInput(
            f"cell {cell.serial}: {sheet.name} gives no excitation or no supply_current, so"
            " electronics is not supplied"
        )
    maximum = cell.maximum_excitation
    if maximum is not None and volts > maximum:
        raise WrongInput(f"cell {cell.serial}: {volts:g} V is above its maximum of {maximum:g} V")
    most = sheet.supply_current.upper or sheet.supply_current.best
    if not most:
        raise WrongInput(f"cell {cell.serial}: {sheet.name}: supply_current has no upper value")
    limit = CURRENT_MARGIN * most
    area = sheet.hazardous_area
    if area is not None and area.maximum_current is not None:
        limit = min(limit, area.maximum_current)
    protection = volts + 1.0 if maximum is None else min(volts + 1.0, maximum)
    return Excitation(
        volts=volts, current_limit=limit, protection_volts=protection, remote_sense=True
    )


def _output(run: Run[AcceptancePlan], check: Check, plan: Active) -> Any:
    if plan.output == "V":
        expected = abs(plan.zero or 0.0) + (plan.zero_tolerance or 1.0)
        request = steps.volts_request(run, check, expected, steps.SIGNAL)
        return check.measure(request, plan.readings, across=steps.SIGNAL)
    return _typed(run, check, plan)


def _typed(run: Run[AcceptancePlan], check: Check, plan: Active) -> Any:
    """A person reads it: an ammeter in the loop, or the cell's own display."""
    unit, factor = _UNITS[plan.output]
    problem = ""
    while True:
        text = f"{problem}Read the output without load in {plan.output}"
        typed = check.ask(Prompt(text=f"{text}.", choices=()))
        try:
            value, limit = read_value(typed, unit)
        except ValueError:
            value, limit = None, None
        if value is not None and limit is None:
            break
        problem = f"A number is needed, got {typed!r}. "
    bare = typed.strip().lstrip("+-").replace(".", "", 1).replace(",", "", 1).isdigit()
    value = value * factor if bare else value
    digit = 10.0 ** -len(typed.partition(".")[2].rstrip("mAV ")) * factor
    return value + run.uncertainties.fresh("last digit typed", digit / 12.0**0.5)
