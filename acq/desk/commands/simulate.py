"""`bridgebench simulate [SCENARIO]`: serve a simulated bench, with a bench file to use it by."""

from __future__ import annotations

from pathlib import Path

import click

from acq.desk.exit_codes import ExitCode
from acq.desk.numbers import POSITIVE


@click.command()
@click.argument("scenario", default="healthy")
@click.option("--seed", type=int, help="Another seed than the scenario's.")
@click.option("--pace", type=POSITIVE, help="Bench seconds per second, for people to watch.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Write the bench file here.")
def simulate(scenario: str, seed: int | None, pace: float | None, output: Path | None) -> ExitCode:
    """Serve SCENARIO (a shipped name or a TOML file) until Ctrl-C, and give its bench file.

    Use it from another terminal: bridgebench run acceptance --cell SERIAL --bench FILE
    """
    from acq.bench.simulated import start_simulated_bench
    from acq.bench.stepped_time import SteppedTime
    from acq.errors import BenchFailure, WrongInput

    started = start_simulated_bench(scenario, seed, pace)
    try:
        if output is None:
            click.echo(started.bench_text)
        else:
            try:
                output.write_text(started.bench_text, encoding="utf-8")
            except OSError as error:
                raise WrongInput(f"-o {output}: {error.strerror}") from None
        click.echo(f"{started.scenario} is served; Ctrl-C ends it", err=True)
        started.wait()
        raise BenchFailure("the simulated bench has ended")
    except KeyboardInterrupt:
        return ExitCode.DONE
    finally:
        if started.alive():
            SteppedTime(started.control).end()
