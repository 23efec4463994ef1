"""`bridgebench risk`: what a decision rule does to a population, before anyone relies on it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from acq.readings.population import CurvePoint, DecisionPlan, Risks
    from acq.readings.rules import Limit


@click.command()
@click.option("--lower", help="Lower limit with its unit, such as '373 ohm'.")
@click.option("--upper", help="Upper limit with its unit.")
@click.option("--cell", "serial", help="Take the limits of this serial's papers.")
@click.option("--of", "name", help="Which limits of the cell, such as 'zero balance'.")
@click.option("--unit", default="ohm", show_default=True, help="SI unit of all values.")
@click.option("--mean", required=True, help="Mean of the true values, with its unit.")
@click.option("--deviation", required=True, help="Standard deviation of the true values.")
@click.option("--shape", default="normal", show_default=True, help="normal or rectangular.")
@click.option("--uncertainty", required=True, help="Expanded uncertainty U of a result.")
@click.option("--k", default=2.0, show_default=True, help="Its coverage factor.")
@click.option("--rule", default="four statements", show_default=True)
@click.option(
    "--share",
    default=1 / 3,
    show_default="1/3",
    help="Part of the tolerance that U may have before results near a limit are undecided.",
)
@click.option("--trials", default=1_000_000, show_default=True, type=click.IntRange(min=1000))
@click.option("--seed", default=1, show_default=True, type=click.IntRange(min=0))
@click.option(
    "--points",
    default=13,
    show_default=True,
    type=click.IntRange(min=2, max=1001),
    help="Points of the operating curve about each limit.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document.")
def risk(
    lower: str | None,
    upper: str | None,
    serial: str | None,
    name: str | None,
    unit: str,
    mean: str,
    deviation: str,
    shape: str,
    uncertainty: str,
    k: float,
    rule: str,
    share: float,
    trials: int,
    seed: int,
    points: int,
    as_json: bool,
) -> None:
    """Consumer's and producer's risk of a decision rule over a stated population.

    Values may carry prefixes: --mean '2 mV/V' with --unit V/V. Drawn by Monte Carlo.
    """
    from acq.readings.population import (
        DecisionPlan,
        Population,
        curve_values,
        operating_curve,
        risks,
    )
    from acq.readings.rules import Rule

    limit = _limit(lower, upper, serial, name, unit)
    plan = DecisionPlan(
        limit=limit,
        U=_value("--uncertainty", uncertainty, limit.unit),
        rule=Rule.named(rule),
        k=k,
        share=share,
    )
    population = Population(
        mean=_value("--mean", mean, limit.unit),
        deviation=_value("--deviation", deviation, limit.unit),
        shape=shape,
    )
    found = risks(plan, population, trials, seed)
    curve = operating_curve(plan, curve_values(plan, points), trials, seed)
    if as_json:
        click.echo(json.dumps(_document(plan, found, curve, seed)))
    else:
        _say(plan, found, curve)


def _limit(
    lower: str | None, upper: str | None, serial: str | None, name: str | None, unit: str
) -> Limit:
    from acq.errors import WrongInput
    from acq.readings.rules import Limit

    if serial is not None:
        return _of_papers(serial, name)
    if lower is None and upper is None:
        raise WrongInput("name --lower or --upper, or --cell SERIAL --of 'zero balance'")
    low = None if lower is None else _value("--lower", lower, unit)
    high = None if upper is None else _value("--upper", upper, unit)
    if low is not None and high is not None and low > high:
        raise WrongInput(f"--lower {lower} is above --upper {upper}")
    return Limit(low, high, unit, "as stated")


def _of_papers(serial: str, name: str | None) -> Limit:
    from acq.cells.folder import find_cell
    from acq.cells.limits import limits_named
    from acq.errors import WrongInput

    if name is None:
        raise WrongInput("--cell needs --of, such as --of 'zero balance'")
    found = limits_named(find_cell(serial).limits, name)
    if not found:
        raise WrongInput(f"the papers of {serial} give no limit of {name!r}")
    return next(limit for limit in found if limit.decides)


def _value(option: str, text: str, unit: str) -> float:
    from acq.errors import WrongInput
    from acq.readings.units import read_value

    try:
        value, bound = read_value(text, unit)
    except ValueError as error:
        raise WrongInput(f"{option}: {error}") from None
    if value is None or bound is not None:
        raise WrongInput(f"{option}: a number is needed, got {text!r}")
    return value


def _document(
    plan: DecisionPlan, found: Risks, curve: list[CurvePoint], seed: int
) -> dict[str, object]:
    return {
        "limit": plan.limit.to_json(),
        "rule": str(plan.rule),
        "expanded_uncertainty": plan.U,
        "coverage_factor": plan.k,
        "trials": found.trials,
        "seed": seed,
        "conforming": found.conforming,
        "consumers_risk": found.consumers,
        "producers_risk": found.producers,
        "undecided": found.undecided,
        "statements": found.words,
        "operating_curve": [
            {"true_value": point.true_value, "accepted": point.accepted, "statements": point.words}
            for point in curve
        ],
    }


def _say(plan: DecisionPlan, found: Risks, curve: list[CurvePoint]) -> None:
    from acq.readings.units import format_value

    unit = plan.limit.unit
    click.echo(f"{plan.limit}, {plan.rule}, U {format_value(plan.U, unit, plan.U)}")
    for text, share in (
        ("conforming", found.conforming),
        ("accepted and not conforming (consumer's risk)", found.consumers),
        ("rejected and conforming (producer's risk)", found.producers),
        *((f"  stated: {word}", share) for word, share in found.words.items()),
    ):
        error = found.standard_error(share)
        click.echo(f"{text:<48} {100 * share:8.3f} %  (± {200 * error:.3f} %)")
    click.echo(f"\n{'true value':>16}  accepted")
    for point in curve:
        value = format_value(point.true_value, unit, plan.U / 10.0)
        click.echo(
            f"{value:>16}  {100 * point.accepted:7.2f} %  {'#' * round(40 * point.accepted)}"
        )
