"""`bridgebench analyse chain FILE`: which block of a weighing chain is at fault."""

from __future__ import annotations

import json
from pathlib import Path

import click

from acq.desk.exit_codes import ExitCode


@click.command("chain")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One document on standard output.")
@click.option("--form", "as_form", is_flag=True, help="Print the form to fill in on site.")
@click.option(
    "--cells", "folder", type=click.Path(path_type=Path), help="Folder of cell and type papers."
)
def chain(file: Path, as_json: bool, as_form: bool, folder: Path | None) -> ExitCode:
    """Find the faulty block of a weighing chain from the readings in FILE.

    FILE holds the chain's papers and whatever was read; a bare name such as `hopper-7` is a
    shipped, invented example. Exit code 1: a block is at fault; 4: not decided, or unknown.
    """
    from acq.cells.chain_visit import read_chain

    visit = read_chain(file, folder)
    if as_form:
        from acq.desk.chain_form import form

        click.echo(form(visit), nl=False)
        return ExitCode.DONE
    from acq.analysis.chain_isolation import isolate
    from acq.desk import chain_report
    from acq.errors import WrongInput

    if not visit.readings.rows:
        raise WrongInput(f"{file}: no reading in it yet; --form prints what to read on site")
    found = isolate(visit.chain, visit.readings, visit.population)
    if as_json:
        click.echo(json.dumps(chain_report.document(visit, found), ensure_ascii=False, indent=2))
    else:
        click.echo("\n".join(chain_report.parts(visit, found)))
    return chain_report.exit_code(found)
