"""Starts the simulated bench as a process of its own; `acq` never imports it."""

from __future__ import annotations

import json
import select
import subprocess
import sys
from dataclasses import dataclass

from acq.errors import BenchFailure, WrongInput

_START_S = 30.0


@dataclass(frozen=True, slots=True)
class SimulatedBench:
    """A simulated bench that serves: where it is led from, and the bench file it printed."""

    control: str
    bench_text: str
    scenario: str


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
    process = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    assert process.stdout is not None
    assert process.stderr is not None
    with process.stdout, process.stderr:
        ready, _, _ = select.select([process.stdout], [], [], _START_S)
        line = process.stdout.readline() if ready else b""
        if not line:
            process.kill()  # harmless when it has ended by itself
            process.wait()
            raise _failure(process.returncode, process.stderr.read().decode(errors="replace"))
    _let_go(process)
    told = json.loads(line)
    return SimulatedBench(told["control"], told["bench"], told["scenario"])


def _failure(code: int, said: str) -> Exception:
    reason = (said.strip().splitlines() or ["no word"])[-1]
    if code == 2:
        return WrongInput(reason.removeprefix("simulated_bench: "))
    return BenchFailure(f"the simulated bench did not start: {reason}")


def _let_go(process: subprocess.Popen[bytes]) -> None:
    """The bench outlives us on purpose: nobody waits for it here."""
    process.returncode = 0
