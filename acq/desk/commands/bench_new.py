"""`bridgebench bench new`: a bench file, asked role by role."""

from __future__ import annotations

from pathlib import Path

import click

from acq.desk.exit_codes import ExitCode


@click.command()
@click.option("-o", "--output", type=click.Path(path_type=Path), help="The new bench file.")
def new(output: Path | None) -> ExitCode:
    """Ask what stands on the bench and write its bench file; blanks are allowed.

    Without -o it goes to standard output. No instrument is asked anything unless you want it.
    """
    from acq.bench.bench_file import bench_file_from_text
    from acq.cells.toml_text import toml_text
    from acq.desk.bench_questions import ask_bench
    from acq.desk.writing import write_whole
    from acq.errors import WrongInput

    if output is not None and output.exists():
        raise WrongInput(f"{output} is there already; name a new file")
    table = ask_bench(output.parent if output else Path())
    if not table["instruments"]:
        raise WrongInput("no instrument was named: nothing is written")
    text = toml_text(table)
    bench_file_from_text(text, "answers")
    if output is None:
        click.echo(text, nl=False)
        return ExitCode.DONE
    write_whole(output, text.encode())
    click.echo(f"written: {output}; look at it with: bridgebench bench check {output}", err=True)
    return ExitCode.DONE
