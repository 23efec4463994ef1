"""`bridgebench readings RUN -o FILE`: what a run has logged, as a table."""

from __future__ import annotations

from pathlib import Path

import click

from acq.desk.exit_codes import ExitCode


@click.command()
@click.argument("run", metavar="RUN")
@click.option(
    "-o",
    "--output",
    "target",
    required=True,
    type=click.Path(path_type=Path),
    help="A file that ends in .csv, .parquet or .xlsx.",
)
def readings(run: str, target: Path) -> ExitCode:
    """Write the readings that RUN has logged to a file: count, UTC, value, raw text, gaps, marks.

    RUN is a run of `log` or `live`, which may still go on, or the path of its readings.log.
    """
    from acq.desk.log_drift import log_of
    from acq.desk.log_export import export

    count = export(log_of(run), target)
    click.echo(f"{count} rows: {target}")
    return ExitCode.DONE
