"""Starts the simulated bench as a process of its own; `acq` never imports it."""

from __future__ import annotations

import contextlib
import json
import os
import select
import subprocess
import sys
import tempfile
from dataclasses import dataclass

from acq.errors import BenchFailure, WrongInput

_START_S = 30.0


@dataclass(frozen=True, slots=True)
class SimulatedBench:
    """A simulated bench that serves: where it is led from, and the bench file it printed."""

    control: str
    bench_text: str
    scenario: str
    process_id: int

    def alive(self) -> bool:
        """Whether its process still runs."""
        try:
            return os.waitpid(self.process_id, os.WNOHANG) == (0, 0)
        except ChildProcessError:
            return False

    def wait(self) -> None:
        """Wait until it ends; it was started by this process."""
        with contextlib.suppress(ChildProcessError):
            os.waitpid(self.process_id, 0)


def start_simulated_bench(
    scenario: str, seed: int | None = None, pace: float | None = None
) -> SimulatedBench:
    """Start `python -m simulated_bench` in its own session; it outlives this process.

    Raises WrongInput with the scenario's own line when the scenario is wrong, BenchFailure
    when the process does not come up.
    """
    command = [sys.executable, "-P", "-m", "simulated_bench", "--scenario", scenario]
    command += [] if seed is None else ["--seed", str(seed)]
    command += [] if pace is None else ["--pace", str(pace)]
    # a file, not a pipe: nobody reads it later, and a closed pipe would end the bench
    with tempfile.TemporaryFile() as complaints:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=complaints,
            start_new_session=True,
        )
        line = _first_line(process)
        if not line:
            process.kill()  # harmless when it has ended by itself
            process.wait()
            complaints.seek(0)
            raise _failure(process.returncode, complaints.read().decode(errors="replace"))
    process.returncode = 0  # it outlives us on purpose: nobody waits for it here
    told = json.loads(line)
    return SimulatedBench(told["control"], told["bench"], told["scenario"], process.pid)


def _first_line(process: subprocess.Popen[bytes]) -> bytes:
    """Return what the bench says when it serves; empty when it does not come up."""
    assert process.stdout is not None
    with process.stdout:
        ready, _, _ = select.select([process.stdout], [], [], _START_S)
        return process.stdout.readline() if ready else b""


def _failure(code: int, said: str) -> Exception:
    reason = (said.strip().splitlines() or ["no word"])[-1]
    if code == 2:
        return WrongInput(reason.removeprefix("simulated_bench: "))
    return BenchFailure(f"the simulated bench did not start: {reason}")
