"""Ohms of one pair of leads: the range its papers ask for, repeats until they agree."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from acq.analysis.leads import LeadPair
from acq.bench.bench import Request
from acq.cells.cell import Cell
from acq.cells.limits import Limits
from acq.errors import WrongInput
from acq.readings.measured import Measured, is_number
from acq.readings.reading import Reading
from acq.runs.check import Check
from acq.runs.run import Run
from sequences.acceptance_plan import AcceptancePlan

FAR_BEYOND = 4.0  # of what the papers promise: there the meter's range scatters, not a joint
STATED_NOISE_DOF = 10.0  # what the manual's noise counts as, in readings: about 22 % known


@dataclass(frozen=True, slots=True)
class Taken:
    """The readings of one pair in one direction, and what they say together."""

    measured: Measured
    readings: Sequence[Reading]
    disagree: str = ""  # why the repeats do not agree; empty when they do

    @property
    def values(self) -> list[float]:
        return [each.value for each in self.readings if each.is_number and each.value is not None]

    @property
    def compensated(self) -> bool:
        """Whether the meter itself took the EMF out."""
        return self.readings[0].settings.get("offset_compensation") is not False


def measure_pair(run: Run[AcceptancePlan], check: Check, pair: LeadPair) -> Measured:
    """Measure one pair, in the range that its papers ask for; open only after the largest one."""
    return read_pair(run, check, expected_ohms(run.cell, pair)).measured


def read_pair(run: Run[AcceptancePlan], check: Check, expected: float) -> Taken:
    """Read a pair until the newest readings agree, or as often as the plan allows."""
    plan = run.plan.resistance
    for request in requests(run, expected):
        first = check.read(request)
        if first.is_number:
            return _repeated(run, check, request, first)
    return Taken(run.uncertainties.mean([first]), [first], _mixed(plan.readings, [first]))


def requests(run: Run[AcceptancePlan], expected: float) -> list[Request]:
    """Return requests from the range that holds `expected` ohm to the largest."""
    return [
        Request(
            quantity="resistance",
            range_=range_,
            plc=run.plan.resistance.power_line_cycles,
            offset_compensation=True,
        )
        for range_ in run.ranges("dmm", "resistance", at_least=1.05 * expected)
    ]


def _repeated(run: Run[AcceptancePlan], check: Check, request: Request, first: Reading) -> Taken:
    plan = run.plan.resistance
    taken = [first]
    while len(taken) < max(plan.readings, plan.readings_at_most):
        if len(taken) >= plan.readings and _agree(taken[-plan.readings :], plan.agree_within_ohms):
            break
        taken.append(check.read(request))
    newest = taken[-plan.readings :]
    if not all(each.is_number for each in newest):
        return Taken(run.uncertainties.mean(newest), taken, _mixed(plan.readings, taken))
    told = ""
    if not _agree(newest, plan.agree_within_ohms):
        told = (
            f"repeats do not agree: {_spread(newest):.3g} ohm apart after {len(taken)} readings,"
            f" {plan.agree_within_ohms:g} ohm allowed ({plan.agree_source})"
        )
        newest = taken
    return Taken(_mean(run, newest), taken, told)


def _mean(run: Run[AcceptancePlan], taken: Sequence[Reading]) -> Measured:
    """Return the mean; three repeats alone know their scatter badly, so the manual's helps."""
    first = taken[0]
    accuracy = run.accuracy(first.instrument, first.quantity, first.range_)
    if len(taken) < 2 or accuracy is None or not accuracy.noise or not first.plc:
        return run.uncertainties.mean(taken)
    stated = run.uncertainties.stated_noise(first) ** 2
    values = [each.value for each in taken if each.value is not None]
    dof = STATED_NOISE_DOF + len(values) - 1
    squares = STATED_NOISE_DOF * stated + (len(values) - 1) * statistics.variance(values)
    return run.uncertainties.mean(taken, ((squares / dof) ** 0.5, dof))


def _mixed(wanted: int, taken: Sequence[Reading]) -> str:
    """Open now and then is no steady reading; open from the first one on is."""
    numbers = [each for each in taken if each.is_number]
    return "" if not numbers else f"open now and then among {max(wanted, len(taken))} readings"


def _agree(taken: Sequence[Reading], within: float) -> bool:
    return all(each.is_number for each in taken) and _spread(taken) <= within


def _spread(taken: Sequence[Reading]) -> float:
    values = [each.value for each in taken if each.value is not None]
    return max(values) - min(values)


def deviation(values: Sequence[float]) -> float | None:
    """Return the standard deviation of repeats; None of fewer than two."""
    return statistics.stdev(values) if len(values) > 1 else None


def expected_ohms(cell: Cell, pair: LeadPair) -> float:
    """The value that the papers promise for a pair, ohm; for choosing ranges and gates.

    Raises WrongInput when no paper gives any resistance.
    """
    for limit in Limits(cell).resistance(pair):
        if limit.lower is not None and limit.upper is not None:
            return (limit.lower + limit.upper) / 2
    ohms = cell.lowest_input_resistance
    if ohms is None:
        raise WrongInput(f"cell {cell.serial}: no paper gives its input resistance")
    return ohms


def mean_of(parts: Sequence[Measured]) -> Measured:
    """Return the mean of results of one pair, so that a drift between there and back cancels."""
    numbers: list[Any] = [part for part in parts if is_number(part)]
    if len(numbers) != len(parts):
        return next(part for part in parts if not is_number(part))
    total: Measured = sum(numbers[1:], start=numbers[0]) / float(len(numbers))
    return total
