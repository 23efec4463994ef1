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

    RUN is a run of `log` or `live`, which may still go on, or the path of its readings.log. First
    the log is held against the journal beside it. Exit code 2: it is not the one told of there.
    """
    from acq.desk.log_drift import log_of
    from acq.desk.log_export import export
    from acq.desk.log_proof import prove

    log = log_of(run)
    vouched = prove(log)
    count = export(log, target)
    click.echo(f"{count} rows: {target}")
    if vouched is not None:
        click.echo(f"{vouched} readings are vouched for by the journal", err=True)
    return ExitCode.DONE
