"""A bench used by a command without a run: its file, its time, and its lock while it is used."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, TypeVar

import click

from acq.bench.bench_file import BenchFile, bench_file_from_text, read_bench_file
from acq.bench.lock import BenchLock, lock_name_of
from acq.bench.simulated import start_simulated_bench
from acq.bench.stepped_time import SteppedTime
from acq.errors import WrongInput
from drivers.time import Time, WallTime

VARIABLE = "BRIDGEBENCH_BENCH"
Command = TypeVar("Command", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class BenchInUse:
    """An unopened bench that nobody else uses meanwhile."""

    file: BenchFile
    folder: Path  # where its own dialects are
    time: Time

    @property
    def simulated(self) -> bool:
        return self.file.simulation is not None

    def today(self) -> date:
        """The day at the bench; a simulated one has its scenario's."""
        if isinstance(self.time, SteppedTime):
            return self.time.utc().date()
        return datetime.now(UTC).date()


def bench_options(command: Command) -> Command:
    """Give a command the options that say which bench."""
    for option in (
        click.option("--scenario", default="healthy", help="Scenario of the simulated bench."),
        click.option("--simulated", is_flag=True, help="On a simulated bench, without hardware."),
    ):
        command = option(command)
    return command


@contextlib.contextmanager
def bench_in_use(path: Path | None, *, simulated: bool, scenario: str) -> Iterator[BenchInUse]:
    """Hold a bench: that of a file, or a simulated one of its own that ends with the block.

    Raises WrongInput when none is named, FileError for the file, BenchFailure while a run has it.
    """
    if simulated:
        started = start_simulated_bench(scenario)
        file, folder = bench_file_from_text(started.bench_text, "simulated bench"), Path()
    elif path is not None:
        file, folder = read_bench_file(path), path.parent
    else:
        raise WrongInput(f"which bench? give --bench FILE (or {VARIABLE}), or --simulated")
    with contextlib.ExitStack() as held:
        lock = BenchLock(lock_name_of(file), lambda text: click.echo(text, err=True))
        held.callback(lock.release)
        time: Time = WallTime()
        if file.simulation is not None:
            led = time = SteppedTime(file.simulation.control)
            held.callback(led.end if simulated else led.close)
        yield BenchInUse(file, folder, time)
