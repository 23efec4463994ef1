"""`bridgebench analyse drift FILE|RUN`: why a logged reading moves."""

from __future__ import annotations

import json
from pathlib import Path

import click

from acq.desk.exit_codes import ExitCode


@click.command("drift")
@click.argument("file", metavar="FILE|RUN")
@click.option("--json", "as_json", is_flag=True, help="One document on standard output.")
@click.option("--unit", metavar="UNIT", help="Unit of the values; else that of the heading.")
@click.option("--excited", metavar="TIME", help="When the excitation came on, as in the file.")
@click.option("--loaded", metavar="TIME", help="When the load was changed, as in the file.")
@click.option("--plots", type=click.Path(path_type=Path), help="Folder for pictures (SVG).")
def drift(
    file: str,
    as_json: bool,
    unit: str | None,
    excited: str | None,
    loaded: str | None,
    plots: Path | None,
) -> ExitCode:
    """Tell creep, warm-up, temperature, moisture, steps, spikes and noise apart in a log.

    RUN is a run of `bridgebench log` or `live`; a FILE may be its log, or CSV.
    Columns are time (seconds, hh:mm:ss or ISO 8601), value, and where there are temperature,
    humidity and raw. Exit code 1: the reading is frozen.
    """
    from acq.analysis.drift import classify
    from acq.analysis.drift_columns import Cause
    from acq.analysis.drift_plot import drift_pictures
    from acq.desk.drift_report import document, parts, read_log
    from acq.desk.log_drift import is_log, log_of, read_run_log
    from acq.desk.pictures import write_pictures
    from acq.desk.tables import show

    path = Path(file)
    if is_log(path) or not (path.is_file() or path.suffix):
        log = read_run_log(log_of(file), excited, loaded, unit)
    else:
        log = read_log(path, unit, excited, loaded)
    report = classify(log.record)
    written = write_pictures(plots, drift_pictures(log.record, report)) if plots else []
    if as_json:
        told = document(log, report) | {"plots": [str(path) for path in written]}
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        show(parts(log, report))
        for path in written:
            click.echo(f"picture: {path}")
    return ExitCode.FAILED if report.cause is Cause.FROZEN else ExitCode.DONE
