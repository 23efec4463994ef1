"""The guardian: processes of their own that switch the bench off when the run is gone.

The run starts it before any output goes on and waits for its `ready`. It holds the read end of
a pipe whose write end only the run has, and a share of the bench's lock. When the pipe ends
without the word `proven`, the run was killed, or could not prove that everything is off: then
the guardian opens the links itself, switches off, reads back, and repeats until it is proven.

There are two of them, each in a session of its own, that watch one another: the first acts, and
the second when the first is gone. So the run and either one may be killed in the same instant.
When all three are, nobody is left: outputs stay as they are until the next run on this bench
opens it, which switches off before anything else, or until `bridgebench bench off`. An
over-voltage protection in the supply and a person at the mains switch are the last resort.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
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
ALONE = b"alone\n"
_RETRY_S = 0.25
_GIVE_UP_S = 600.0
_FIRST_HAS_S = 60.0  # then the second tries as well


def main(arguments: list[str]) -> int:
    """Watch over the run in folder `arguments[0]`; returns 0 when everything is proven off.

    Standard input is the first guardian's pipe from the run, descriptor `arguments[1]` the
    second's.
    """
    folder, theirs = Path(arguments[0]), int(arguments[1])
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    file = read_bench_file(folder / "bench.toml")
    from_second, second_says = os.pipe()
    from_first, first_says = os.pipe()
    if os.fork() == 0:
        code = 5
        try:
            os.setsid()
            for descriptor in (0, from_second, first_says):
                os.close(descriptor)
            code = _second(file, folder, theirs, from_first)
        finally:
            os._exit(code)  # the first one's clean-up is not this one's
    for descriptor in (theirs, second_says, from_first):
        os.close(descriptor)
    os.write(1, READY)
    return _first(file, folder, from_second, first_says)


def _first(file: BenchFile, folder: Path, from_second: int, says: int) -> int:
    """Tell the run when the second is gone; when the run is gone, act."""
    ready, _, _ = select.select([0, from_second], [], [])
    if 0 not in ready:
        with contextlib.suppress(OSError):  # the run may be gone by now
            os.write(1, ALONE)
    if not _said_until_the_end(0).endswith(PROVEN) and not _repeat_until_proven(file, folder):
        return 3
    with contextlib.suppress(OSError):
        os.write(says, PROVEN)
    return 0


def _second(file: BenchFile, folder: Path, run: int, from_first: int) -> int:
    """Act when the run is gone and the first has not done it, or takes far too long."""
    if _said_until_the_end(run).endswith(PROVEN):
        return 0
    ready, _, _ = select.select([from_first], [], [], _FIRST_HAS_S)
    if ready and os.read(from_first, 64) == PROVEN:
        return 0
    if not _repeat_until_proven(file, folder):
        return 3
    with contextlib.suppress(OSError):
        os.write(1, PROVEN)  # a run that could not prove it itself waits for this
    return 0


def _said_until_the_end(pipe: int) -> bytes:
    """Return what the run said before its end of the pipe closed."""
    said = b""
    while data := os.read(pipe, 4096):
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
