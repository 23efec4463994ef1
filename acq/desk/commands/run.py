"""`bridgebench run SEQUENCE` and `bridgebench resume RUN`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from acq.desk.exit_codes import ExitCode
from acq.desk.numbers import POSITIVE
from acq.desk.person import reason_given


@click.command()
@click.argument("sequence")
@click.option("--cell", "serial", default="", help="Serial number of the cell.")
@click.option("--chain", "chain_file", type=click.Path(path_type=Path), help="File of a chain.")
@click.option("--lot", "lot_name", default="", help="File of a lot, for the sequence `lot`.")
@click.option(
    "--typed", is_flag=True, help="A visit by hand, read from the chain's file; no bench."
)
@click.option("--plan", default="", help="A shipped plan's name, or a TOML file.")
@click.option("--bench", "bench_path", type=click.Path(path_type=Path), help="Bench file.")
@click.option("--simulated", is_flag=True, help="On the simulated bench, without hardware.")
@click.option("--scenario", default="", help="Scenario of the simulated bench; else a sound one.")
@click.option("--seed", type=int, help="Seed of the simulated bench; the scenario's by default.")
@click.option("--pace", type=POSITIVE, help="Simulated bench seconds per second, for watching.")
@click.option("--records", "records_url", help="Database address; or BRIDGEBENCH_RECORDS.")
@click.option("--by", "performer", default="", help="Who performs; the login name by default.")
@click.option("--as-found", is_flag=True, help="Nothing was done to the cell yet.")
@click.option("--as-left", "work_done", default="", help="What was done to the cell before.")
@click.option("--indication-only", is_flag=True, help="Go on with an overdue instrument; marked.")
@click.option("--prompts", is_flag=True, help="Answer prompts yourself on the simulated bench.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option("--junit", type=click.Path(path_type=Path), help="Findings as JUnit XML, for a CI.")
def run(**asked: Any) -> ExitCode:
    """Run SEQUENCE (such as `acceptance`) on a cell, a lot or a chain; records and certificates."""
    from acq.desk.running import Order, begin

    return begin(Order(**asked))


@click.command()
@click.argument("number", metavar="RUN")
@click.option("--repeat", "check", default="", help="A finished check to be measured again.")
@click.option("--because", callback=reason_given, help="Why it is repeated; it is kept.")
@click.option("--records", "records_url", help="Database address; or BRIDGEBENCH_RECORDS.")
@click.option("--prompts", is_flag=True, help="Answer prompts yourself on the simulated bench.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option("--junit", type=click.Path(path_type=Path), help="Findings as JUnit XML, for a CI.")
def resume(
    number: str,
    check: str,
    because: str | None,
    records_url: str | None,
    prompts: bool,
    as_json: bool,
    junit: Path | None,
) -> ExitCode:
    """Take RUN up again where it was cut off; what is finished is not measured again.

    With --repeat CHECK that check and all that follows it are; both results are kept.
    """
    from acq.desk.running import take_up
    from acq.errors import WrongInput

    if bool(check) != bool(because):
        raise WrongInput("to repeat a check give both: --repeat CHECK --because REASON")
    return take_up(
        number,
        (check, because) if because else None,
        records_url=records_url,
        prompts=prompts,
        as_json=as_json,
        junit=junit,
    )
