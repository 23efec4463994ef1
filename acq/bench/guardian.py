"""The guardian: a process of its own that switches the bench off when the run is gone.

The run starts it before any output goes on and waits for its `ready`. It holds the read end of
a pipe whose write end only the run has, and a share of the bench's lock. When the pipe ends
without the word `proven`, the run was killed, or could not prove that everything is off: then
the guardian opens the links itself, switches off, reads back, and repeats until it is proven.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import time as wall
from datetime import UTC, datetime
from pathlib import Path

from acq.bench.bench_file import BenchFile, read_bench_file
from acq.bench.making_safe import Outcome, make_safe
from acq.bench.stepped_time import SimulatedBenchGone, SteppedTime
from acq.errors import BenchFailure
from drivers.time import WallTime

READY = b"ready\n"
PROVEN = b"proven\n"
_RETRY_S = 0.25
_GIVE_UP_S = 600.0


def main(arguments: list[str]) -> int:
    """Watch over the run in folder `arguments[0]`; returns 0 when everything is proven off."""
    folder = Path(arguments[0])
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    file = read_bench_file(folder / "bench.toml")
    os.write(1, READY)
    if _until_the_run_ends().endswith(PROVEN):
        return 0
    return 0 if _repeat_until_proven(file, folder) else 3


def _until_the_run_ends() -> bytes:
    """Return what the run said before its end of the pipe closed."""
    said = b""
    while data := os.read(0, 4096):
        said = (said + data)[-4096:]
    return said


def _repeat_until_proven(file: BenchFile, folder: Path) -> bool:
    give_up = wall.monotonic() + _GIVE_UP_S
    while wall.monotonic() < give_up:
        try:
            outcomes = _attempt(file, folder)
        except SimulatedBenchGone:
            return True  # no process, no output
        except BenchFailure as error:
            outcomes = [Outcome("bench", proven=False, reason=str(error))]
        _note(folder, outcomes)
        if all(outcome.proven for outcome in outcomes):
            return True
        wall.sleep(_RETRY_S)
    return False


def _attempt(file: BenchFile, folder: Path) -> list[Outcome]:
    if file.simulation is None:
        return list(make_safe(file, folder, WallTime()))
    time = SteppedTime(file.simulation.control)
    try:
        return list(make_safe(file, folder, time))
    finally:
        time.close()


def _note(folder: Path, outcomes: list[Outcome]) -> None:
    """Keep what was done beside the journal; a resumed run takes it up."""
    line = {
        "at": datetime.now(UTC).isoformat(),
        "outcomes": [[o.role, o.proven, o.reason] for o in outcomes],
    }
    with (folder / "guardian.jsonl").open("a", encoding="utf-8") as file:
        file.write(json.dumps(line) + "\n")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
