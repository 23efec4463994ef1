"""`bridgebench risk`: what a decision rule does to a population, before anyone relies on it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acq.desk.numbers import POSITIVE

if TYPE_CHECKING:
    from acq.readings.rules import Limit


@click.command()
@click.option("--lower", help="Lower limit with its unit, such as '373 ohm'.")
@click.option("--upper", help="Upper limit with its unit.")
@click.option("--cell", "serial", help="Take the limits of this serial's papers.")
@click.option("--of", "name", help="Which limits of the cell, such as 'zero balance'.")
@click.option("--plan", "plan_name", help="Every check of a plan (name or TOML); with --cell.")
@click.option("--sequence", default="acceptance", show_default=True, help="Whose plan it is.")
@click.option("--bench", type=click.Path(path_type=Path), help="Uncertainties of a bench file.")
@click.option(
    "--spread", type=POSITIVE, default=1.0, show_default=True, help="Widens the plan's population."
)
@click.option("--unit", default="ohm", show_default=True, help="SI unit of all values.")
@click.option("--mean", help="Mean of the true values, with its unit.")
@click.option("--deviation", help="Standard deviation of the true values.")
@click.option(
    "--shape",
    default="normal",
    show_default=True,
    help="normal, rectangular, or log-normal (median, decades).",
)
@click.option("--uncertainty", help="Expanded uncertainty U of a result.")
@click.option("--k", type=POSITIVE, default=2.0, show_default=True, help="Its coverage factor.")
@click.option("--rule", default="four statements", show_default=True)
@click.option(
    "--share",
    type=POSITIVE,
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
    plan_name: str | None,
    sequence: str,
    bench: Path | None,
    spread: float,
    unit: str,
    mean: str | None,
    deviation: str | None,
    shape: str,
    uncertainty: str | None,
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

    With --plan PLAN --cell SERIAL: the risks and operating curves of every check of a plan, with
    its rules and the cell's limits, over sound cells of that type; --of tells one of them only.
    """
    from acq.desk.risk_report import document, text
    from acq.readings.population import (
        DecisionPlan,
        Population,
        curve_values,
        operating_curve,
        risks,
    )
    from acq.readings.rules import Rule

    if plan_name is not None:
        from acq.desk.plan_risk_report import tell

        stated = {"--lower": lower, "--upper": upper, "--mean": mean, "--deviation": deviation}
        given = [key for key, value in (stated | {"--uncertainty": uncertainty}).items() if value]
        tell(
            plan_name,
            sequence,
            serial,
            bench,
            given,
            only=name,
            spread=spread,
            draws=(trials, seed, points),
            as_json=as_json,
        )
        return
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
        click.echo(json.dumps(document(plan, found, curve, seed)))
    else:
        for line in text(plan, found, curve):
            click.echo(line)


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


def _value(option: str, text: str | None, unit: str) -> float:
    from acq.errors import WrongInput
    from acq.readings.units import read_value

    if text is None:
        raise WrongInput(f"{option} is missing; or give --plan PLAN --cell SERIAL")
    try:
        value, bound = read_value(text, unit)
    except ValueError as error:
        raise WrongInput(f"{option}: {error}") from None
    if value is None or bound is not None:
        raise WrongInput(f"{option}: a number is needed, got {text!r}")
    return value
