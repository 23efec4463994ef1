"""`bridgebench risk --plan`: what every check of a plan risks, and its operating curve."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path

import click

from acq.bench.bench_file import read_bench_file
from acq.cells.folder import find_cell
from acq.desk.plan_risk import CheckOfPlan, checks_of
from acq.desk.risk_report import document
from acq.errors import WrongInput
from acq.readings.population import CurvePoint, Risks, curve_values, operating_curve, risks
from acq.readings.units import format_value
from acq.runs.sequence import find_sequence

BAR = 30


def tell(
    plan_name: str,
    sequence: str,
    serial: str | None,
    bench: Path | None,
    given: Sequence[str],
    *,
    only: str | None,
    spread: float,
    draws: tuple[int, int, int],
    as_json: bool,
) -> None:
    """Print the risks of a plan. `draws` are trials, seed and points of the curves.

    Raises WrongInput for what does not go with a plan, or a check that it has not.
    """
    if serial is None:
        raise WrongInput("--plan needs --cell SERIAL, whose papers give the limits")
    if given:
        raise WrongInput(f"{given[0]} does not go with --plan, which has its own")
    script = find_sequence(sequence)
    plan = script.read_plan(plan_name)
    if not all(hasattr(plan, name) for name in ("limits", "resistance", "zero", "insulation")):
        raise WrongInput(f"--sequence {sequence}: its plans have no checks of a cell at rest")
    file = None if bench is None else read_bench_file(bench)
    checks = list(checks_of(plan, find_cell(serial), file, spread))
    if only is not None:
        chosen = [check for check in checks if check.name == only]
        if not chosen:
            names = ", ".join(check.name for check in checks)
            raise WrongInput(f"plan {plan.name} has no check {only!r}; there are: {names}")
        checks = chosen
    worked = [(check, *_worked(check, *draws)) for check in checks if check.plan is not None]
    left_out = [check for check in checks if check.plan is None]
    if as_json:
        click.echo(json.dumps(_document(plan.name, serial, worked, left_out, draws[1])))
        return
    for line in _lines(plan.name, serial, worked, left_out):
        click.echo(line)


Worked = tuple[CheckOfPlan, Risks, list[CurvePoint]]


def _worked(
    check: CheckOfPlan, trials: int, seed: int, points: int
) -> tuple[Risks, list[CurvePoint]]:
    assert check.plan is not None
    assert check.population is not None
    found = risks(check.plan, check.population, trials, seed)
    at = curve_values(check.plan, points)
    return found, operating_curve(check.plan, at, trials, seed)


def _document(
    plan: str, serial: str, worked: Sequence[Worked], left_out: Sequence[CheckOfPlan], seed: int
) -> dict[str, object]:
    checks = []
    for check, found, curve in worked:
        assert check.plan is not None
        assert check.population is not None
        stated = {
            "mean": check.population.mean,
            "deviation": check.population.deviation,
            "shape": check.population.shape,
            "source": check.of_population,
        }
        more = {"check": check.name, "population": stated, "uncertainty_of": check.of_uncertainty}
        checks.append(more | document(check.plan, found, curve, seed))
    not_told = [{"check": check.name, "because": check.objection} for check in left_out]
    return {"plan": plan, "cell": serial, "checks": checks, "left_out": not_told}


def _lines(
    plan: str, serial: str, worked: Sequence[Worked], left_out: Sequence[CheckOfPlan]
) -> Iterator[str]:
    yield f"plan {plan}, limits of {serial}"
    for source in dict.fromkeys(check.of_population for check, _, _ in worked):
        yield f"population: {source}"
    for source in dict.fromkeys(check.of_uncertainty for check, _, _ in worked):
        yield f"uncertainty: {source}"
    yield ""
    yield f"{'check':<28}  {'conform':>8}  {'consumer':>9}  {'producer':>9}  {'undecided':>9}"
    for check, found, _ in worked:
        yield (
            f"{check.name:<28}  {100 * found.conforming:6.2f} %  {100 * found.consumers:7.4f} %  "
            f"{100 * found.producers:7.4f} %  {100 * found.undecided:7.3f} %"
        )
    for check, _, curve in worked:
        yield ""
        yield from _curve(check, curve)
    for check in left_out:
        yield ""
        yield f"{check.name}: left out, {check.objection}"


def _population(check: CheckOfPlan) -> str:
    of, plan = check.population, check.plan
    assert of is not None
    assert plan is not None
    mean = format_value(of.mean, plan.limit.unit)
    if of.shape == "log-normal":
        return f"log-normal, median {mean}, {of.deviation:.2g} decades"
    spread = format_value(of.deviation, plan.limit.unit, of.deviation)
    return f"{of.shape}, mean {mean}, standard deviation {spread}"


def _curve(check: CheckOfPlan, curve: Sequence[CurvePoint]) -> Iterator[str]:
    assert check.plan is not None
    unit, U = check.plan.limit.unit, check.plan.U
    yield f"{check.name}: {check.plan.limit}"
    yield f"  {check.plan.rule}, U {format_value(U, unit, U)}; population {_population(check)}"
    yield f"{'true value':>18}  accepted"
    for point in curve:
        value = format_value(point.true_value, unit, U / 10.0)
        bar = "#" * round(BAR * point.accepted)
        yield f"{value:>18}  {100 * point.accepted:7.2f} %  {bar}".rstrip()
