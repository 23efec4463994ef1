"""The risks of a whole plan: each check with its rule, its limit, its population, its uncertainty.

The population is that of sound cells as the data sheet and the stated spreads describe them
(`acq.analysis.population`); the uncertainty is that of the bench file, or of the meters that the
same place assumes. Both are told with every line, because every risk holds for them alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Any

import numpy as np

from acq.analysis.expectation import PLACE, ExpectedCell, sound_readings
from acq.analysis.leads import FOUR_WIRE_PAIRS, INPUT, SENSE_LOOPS, LeadPair, lead_pairs
from acq.analysis.population import ASSUMED
from acq.analysis.population import Population as Scatter
from acq.bench.bench_file import BenchFile
from acq.cells.cell import Cell
from acq.cells.expectation import USUAL_CELSIUS, expected_cells
from acq.cells.limits import Limits
from acq.errors import WrongInput
from acq.readings.measured import is_number
from acq.readings.population import DecisionPlan, Population
from acq.readings.reading import Reading
from acq.readings.rules import Limit, Rule, RuleName
from acq.readings.specification import UNITS
from acq.readings.uncertainty import Uncertainties, expanded

OWN_OF_THE_METER = ("gain", "offset")
EXCITATION_VOLTS = 10.0
PATHS = ("leads to housing", "leads to shield", "shield to housing")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckOfPlan:
    """One check of a plan; `objection` where nothing can be computed of it, and why."""

    name: str
    plan: DecisionPlan | None = None
    population: Population | None = None
    of_uncertainty: str = ""
    of_population: str = ""
    objection: str = ""


Known = tuple[float, float, str]
"""U, its coverage factor, and where it comes from."""


def checks_of(
    plan: Any, cell: Cell, bench: BenchFile | None, spread: float = 1.0
) -> Iterator[CheckOfPlan]:
    """Yield the checks of a plan that judge a cell. `spread` widens the population.

    Raises WrongInput where the papers do not describe a bridge whose population is known.
    """
    expected = expected_cells(cell, USUAL_CELSIUS)[0][0]
    limits = Limits(cell, plan.limits)
    scatter = Scatter()
    pairs = _pairs(plan, cell.wires)
    values, slopes = sound_readings(expected, scatter, pairs)
    own = [PLACE[name] for name in OWN_OF_THE_METER]
    slopes[:, own] = 0.0
    deviations = spread * np.sqrt((slopes**2).sum(-1))
    of_cells = f"sound cells by {cell.data_sheet.name}, at {USUAL_CELSIUS:g} degC ({ASSUMED})"
    double = 2.0 * float(values[pairs.index(INPUT)])
    known = _known(bench, scatter)
    for place, pair in enumerate(pairs):
        middle, deviation = float(values[place]), float(deviations[place])
        population = Population(mean=middle, deviation=deviation)
        name = f"resistance {pair}"
        yield _check(name, plan.resistance, limits.resistance(pair), population, known, of_cells)
    zero = Population(mean=float(values[-1]) / double, deviation=float(deviations[-1]) / double)
    yield _check("zero balance", plan.zero, limits.zero_balance, zero, known, of_cells)
    yield from _insulation(plan, limits, expected, scatter, known, spread)


def _pairs(plan: Any, wires: int) -> tuple[LeadPair, ...]:
    if wires == 6 and plan.resistance.sense_pairs == "loops":
        return (*FOUR_WIRE_PAIRS, *SENSE_LOOPS)
    return lead_pairs(wires)


def _insulation(
    plan: Any,
    limits: Limits,
    expected: ExpectedCell,
    scatter: Scatter,
    known: Callable[[str, float], Known | None],
    spread: float,
) -> Iterator[CheckOfPlan]:
    sound = scatter.insulation
    each = (sound.leads_housing, sound.leads_shield, sound.shield_housing)
    for path, (decade, width) in zip(PATHS, each, strict=True):
        if path != "leads to housing" and expected.shield_connected is None:
            continue
        population = Population(mean=10.0**decade, deviation=spread * width, shape="log-normal")
        found = limits.insulation(path)
        if found:
            of_cells = f"dry cells ({sound.source})"
            yield _check(f"insulation {path}", plan.insulation, found, population, known, of_cells)


def _check(
    name: str,
    judged: Any,
    limits: Sequence[Limit],
    population: Population,
    known: Callable[[str, float], Known | None],
    of_population: str,
) -> CheckOfPlan:
    deciding = next((limit for limit in limits if limit.decides), None)
    if deciding is None:
        return CheckOfPlan(name=name, objection="the papers give no limit")
    rule = Rule.named(judged.rule)
    if rule.name is RuleName.NORMALISED_ERROR:
        return CheckOfPlan(name=name, objection="the normalised error has no risk of a limit")
    # what is judged lies about the limit: there its uncertainty counts
    sides = [x for x in (deciding.lower, deciding.upper) if x is not None]
    at = max(abs(side) for side in sides)
    uncertainty = known(name, at)
    if uncertainty is None:
        return CheckOfPlan(name=name, objection="the bench file states no accuracy for it")
    U, k, source = uncertainty
    return CheckOfPlan(
        name=name,
        plan=DecisionPlan(
            limit=deciding, U=U, rule=rule, k=k, share=judged.largest_uncertainty_share
        ),
        population=population,
        of_uncertainty=source,
        of_population=of_population,
    )


# how well a check is known


def _known(bench: BenchFile | None, scatter: Scatter) -> Callable[[str, float], Known | None]:
    if bench is None:
        return lambda name, at: _assumed(scatter, name, at)
    accuracies = {role: one.accuracy for role, one in bench.instruments.items()}
    return lambda name, at: _of_bench(bench.name, Uncertainties(accuracies), name, at)


def _assumed(scatter: Scatter, name: str, at: float) -> Known:
    meters = scatter.meters
    if name == "zero balance":
        u = meters.zero_ratio
    elif name.startswith("insulation"):
        decades = meters.insulation_low if at < 1e9 else meters.insulation_high
        u = at * math.log(10.0) * decades
    else:
        u = math.hypot(meters.gain * at, meters.offset_ohms, meters.noise_ohms)
    return 2.0 * u, 2.0, f"a good bench meter ({meters.source})"


def _of_bench(bench: str, uncertainties: Uncertainties, name: str, at: float) -> Known | None:
    try:
        measured = _measured(uncertainties, name, at)
    except WrongInput:
        return None
    result = expanded(measured)
    return result.U, result.k, f"accuracies of {bench}"


_clock = count(1_000_000_000, 1_000_000_000)


def _measured(uncertainties: Uncertainties, name: str, at: float) -> Any:
    """Return what this bench would read at a value, as far as its accuracies tell."""
    if name == "zero balance":
        # both polarities: what does not follow the excitation cancels
        signals, volts = (
            [_read(uncertainties, "dmm", "dc-voltage", sign * x) for sign in (1.0, -1.0)]
            for x in (at * EXCITATION_VOLTS, EXCITATION_VOLTS)
        )
        ratio: Any = (signals[0] - signals[1]) / (volts[0] - volts[1])
        return ratio
    if name.startswith("insulation"):
        return _read(uncertainties, "insulation", "insulation-resistance", at)
    return _read(uncertainties, "dmm", "resistance", at)


def _read(uncertainties: Uncertainties, role: str, quantity: str, value: float) -> Any:
    started = next(_clock)
    reading = Reading(
        quantity=quantity,
        value=value,
        limit=None,
        unit=UNITS[quantity],
        instrument=role,
        range_=None,
        plc=None,
        started_ns=started,
        ended_ns=started,
        raw="",
    )
    measured = uncertainties.of(reading)
    assert is_number(measured)
    return measured
