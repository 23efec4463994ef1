"""`bridgebench why RUN FINDING`: where its uncertainty comes from, and what would halve it."""

from __future__ import annotations

import difflib
import json
from typing import Any

import click

from acq.desk.exit_codes import ExitCode


@click.command()
@click.argument("number", metavar="RUN")
@click.argument("name", metavar="FINDING")
@click.option("--records", "records_url", help="Database address; or BRIDGEBENCH_RECORDS.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def why(number: str, name: str, records_url: str | None, as_json: bool) -> ExitCode:
    """Print the budget of one FINDING of RUN, largest contribution first.

    FINDING is its name, such as "zero balance", or the beginning of it.
    """
    from acq.readings.why import why as explain
    from acq.readings.why import why_text
    from acq.records.opening import existing, first_that_knows

    with existing(records_url) as opened:
        _, run = first_that_knows(opened, lambda records: records.run(number))
    finding = _named(name, [found for _, found in run.findings()], number)
    if not finding["budget"]:
        click.echo(f"{finding['name']}: {finding['because']} (no budget)")
        return ExitCode.DONE
    if as_json:
        document = {"run": run.number, "finding": finding, "why": _as_json(explain(finding))}
        click.echo(json.dumps(document, ensure_ascii=False, indent=2))
    else:
        for line in why_text(finding):
            click.echo(line)
        click.echo(f"  judged: {finding['because']}")
    return ExitCode.DONE


def _named(name: str, findings: list[Any], number: str) -> Any:
    """Return the finding of that name, or the only one that begins with it."""
    from acq.errors import WrongInput

    names = [finding["name"] for finding in findings]
    fitting = [f for f in findings if f["name"] == name] or [
        f for f in findings if f["name"].lower().startswith(name.lower())
    ]
    if len(fitting) == 1 or (fitting and fitting[0]["name"] == name):
        return fitting[-1]
    near = (
        difflib.get_close_matches(name, names, n=4, cutoff=0.3)
        if not fitting
        else [f["name"] for f in fitting]
    )
    hint = ", ".join(near or names)
    raise WrongInput(f"run {number} has no single finding {name!r}; there are: {hint}")


def _as_json(explained: Any) -> dict[str, Any]:
    return {
        "standard_uncertainty": explained.u,
        "parts": [
            {
                "name": part.name,
                "standard_uncertainty": part.standard_uncertainty,
                "share": part.share,
                "remedy": part.remedy,
            }
            for part in explained.parts
        ],
        "halving": list(explained.halving),
        "factor": explained.factor,
        "remark": explained.remark,
    }
