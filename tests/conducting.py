"""Runs conducted in a child process that can be killed at a chosen line of its journal.

Imports are paid once: a parent with everything loaded forks a child for each run.
"""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from acq.bench.bench_file import bench_file_from_text, read_bench_file
from acq.bench.simulated import start_simulated_bench
from acq.bench.stepped_time import SteppedTime
from acq.cells.chain_subject import ChainPapers
from acq.cells.chain_visit import chain_papers
from acq.cells.folder import find_cell
from acq.cells.lot_subject import LotPapers, lot_papers
from acq.cells.subject import Subject
from acq.desk.live_desk import PlainDesk
from acq.errors import RepeatAsked
from acq.records.records import Records
from acq.runs.conduct import Conductor, bench_time, copy_bench_file
from acq.runs.control_socket import ControlSocket, Onlookers
from acq.runs.folders import RunFolder
from acq.runs.journal import Line
from acq.runs.live_desk import LiveDesk
from acq.runs.opening import Opening
from acq.runs.sequence import Sequence, find_sequence
from acq.runs.technicians import AutomaticTechnician
from tests.simulated_bench.forked import fork_simulated_bench

QUICK = Path(__file__).parent / "quick.toml"


@dataclass(frozen=True, slots=True)
class Trial:
    """One run folder on one simulated bench."""

    folder: RunFolder
    control: str

    @classmethod
    def new(cls, path: Path, scenario: str = "healthy") -> Trial:
        path.mkdir(parents=True)
        control, bench = fork_simulated_bench(scenario)
        copy_bench_file(bench, RunFolder(path))
        return cls(RunFolder(path), control)

    @classmethod
    def apart(cls, path: Path, scenario: str = "healthy") -> Trial:
        """With a bench in a process that was not forked from this one."""
        path.mkdir(parents=True)
        started = start_simulated_bench(scenario)
        copy_bench_file(started.bench_text, RunFolder(path))
        return cls(RunFolder(path), started.control)

    def conduct(
        self,
        onlooker: Callable[[Line], None] = lambda _: None,
        plan: str = str(QUICK),
        serial: str = "B-011902",
        sequence: str = "acceptance",
        desk: LiveDesk | None = None,
        *,
        hear: bool = False,
        say: Callable[[str], None] = lambda _: None,
        technician: type[AutomaticTechnician] = AutomaticTechnician,
        repeat: RepeatAsked | None = None,
    ) -> int:
        """Run, or go on with the run, in this process; return its exit code."""
        taken_up = self.folder.journal.exists()
        with contextlib.ExitStack() as held:
            address = f"sqlite:///{self.folder.path / 'records.sqlite'}"
            records = held.enter_context(Records.open(address, simulated=True))
            file = read_bench_file(self.folder.bench_file)
            time = bench_time(file, say)
            assert isinstance(time, SteppedTime)
            held.callback(time.close)
            control = ControlSocket(self.folder.control_socket)
            held.callback(control.close)
            onlookers = Onlookers(control, say)
            conductor = Conductor(
                folder=self.folder,
                records=records,
                time=time,
                technician=technician(time),
                onlooker=onlooker,
                onlookers=onlookers,
                desk=PlainDesk(onlookers.heard, say=lambda _: None) if hear else desk,
            )
            if taken_up:
                return int(conductor.take_up(repeat).code)
            script = find_sequence(sequence)
            opening = Opening(
                sequence=script,
                plan=script.read_plan(plan),
                cell=_subject(script, serial),
                bench=bench_file_from_text(self.folder.bench_file.read_text(), "bench"),
                seed=int(time.bench["seed"]),
                performer="test",
                indication_only=False,
            )
            return int(conductor.open_new(opening).code)

    def in_child(
        self,
        kill_at: Callable[[Line], int] = lambda _: 0,
        plan: str = str(QUICK),
        serial: str = "B-011902",
        sequence: str = "acceptance",
    ) -> int:
        """Conduct in a forked child, which `kill_at` may send a signal at any line.

        Return the exit code, or minus the signal that ended the child.
        """
        child = os.fork()
        if child == 0:
            code = 70
            try:
                code = self.conduct(lambda line: _strike(kill_at(line)), plan, serial, sequence)
            finally:
                os._exit(code)
        _, status = os.waitpid(child, 0)
        return os.waitstatus_to_exitcode(status)


def _subject(script: Sequence, name: str) -> Subject:
    """A cell by its serial, or a chain or a lot by its file or its shipped name."""
    if script.subject is LotPapers:
        return lot_papers(name)
    return chain_papers(Path(name)) if script.subject is ChainPapers else find_cell(name)


def _strike(number: int) -> None:
    if number:
        os.kill(os.getpid(), number)


def kill_at_line(number: int, with_signal: int = signal.SIGKILL) -> Callable[[Line], int]:
    """Strike once, when this line is on the disk."""
    return lambda line: with_signal if line.number == number else 0
