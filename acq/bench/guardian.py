"""The guardian: processes of their own that switch the bench off when the run is gone.

The run starts it before any output goes on and waits for its `ready`. It holds the read end of
a pipe whose write end only the run has, and a share of the bench's lock. When the pipe ends
without the word `proven`, the run was killed, or could not prove that everything is off: then
the guardian opens the links itself, switches off, reads back, and repeats until it is proven.

There are two of them, each in a session of its own, that watch one another by beats: the first
acts, and the second when the first is gone, or hangs. So the run and either one may be killed, or
stopped, in the same instant. A guardian that hangs while the run goes on stops the run.
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
from typing import NamedTuple

if __name__ == "__main__":
    # The library of the links loads numpy where it finds it, for blocks of readings: a third of
    # the time until `ready`, and a guardian reads no blocks.
    sys.modules["numpy"] = None  # type: ignore[assignment]

from acq.bench.bench_file import BenchFile, read_bench_file
from acq.bench.heartbeat import Twin, beat
from acq.bench.making_safe import Outcome, make_safe
from acq.bench.stepped_time import SimulatedBenchGone, SteppedTime
from acq.errors import BenchFailure
from drivers.time import WallTime

READY = b"ready\n"
PROVEN = b"proven\n"
ALONE = b"alone\n"
_RETRY_S = 0.25
_GIVE_UP_S = 600.0
_FIRST_HAS_S = 120.0  # beating, yet not done: a starved computer; then the second does it
_HANGS_S = 5.0  # without a beat when the run is gone: the second does it
_SILENT_S = 30.0  # without a beat while the run goes on: it stops; a busy computer takes no longer
_LOOK_S = 2.0


class _Pipes(NamedTuple):
    """What a guardian holds: the run's word, its twin's beats, and its own."""

    run: int
    twin: int
    says: int


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
    first = os.getpid()
    if (second := os.fork()) == 0:
        code = 5
        try:
            os.setsid()
            for descriptor in (0, from_second, first_says):
                os.close(descriptor)
            code = _second(file, folder, _Pipes(theirs, from_first, second_says), first)
        finally:
            os._exit(code)  # the first one's clean-up is not this one's
    for descriptor in (theirs, second_says, from_first):
        os.close(descriptor)
    os.write(1, READY)
    return _first(file, folder, _Pipes(0, from_second, first_says), second)


def _first(file: BenchFile, folder: Path, pipes: _Pipes, second: int) -> int:
    """Tell the run when the second is gone or hangs; when the run is gone, act."""
    beat(pipes.says)
    twin = Twin(pipes.twin)
    _until_the_run_speaks(pipes.run, twin)
    proven = _said_until_the_end(pipes.run).endswith(PROVEN)
    if not proven and not _repeat_until_proven(file, folder):
        return 3
    with contextlib.suppress(OSError):
        os.write(pipes.says, PROVEN)
    if not twin.is_heard(lambda: twin.gone, _HANGS_S):
        os.kill(second, signal.SIGKILL)  # it would hold the bench's lock; a child of ours
    return 0


def _second(file: BenchFile, folder: Path, pipes: _Pipes, first: int) -> int:
    """Act when the run is gone and the first is gone, hangs, or takes far too long."""
    beat(pipes.says)
    twin = Twin(pipes.twin)
    _until_the_run_speaks(pipes.run, twin)
    proven = _said_until_the_end(pipes.run).endswith(PROVEN)
    patience_s = _HANGS_S if proven else _FIRST_HAS_S
    if not twin.is_heard(lambda: twin.gone or PROVEN in twin.said, _HANGS_S, patience_s):
        _end_of_the_hanging(first)  # what it holds would be out of reach
    if proven or PROVEN in twin.said:
        return 0
    if not _repeat_until_proven(file, folder):
        return 3
    with contextlib.suppress(OSError):
        os.write(1, PROVEN)  # a run that could not prove it itself waits for this
    return 0


def _until_the_run_speaks(run: int, twin: Twin) -> None:
    """Wait for the run's last word or its end; tell the run when the twin fails meanwhile."""
    told = False
    while run not in select.select([run, *([] if told else twin.pipes)], [], [], _LOOK_S)[0]:
        if not told and (twin.silent_s > _SILENT_S or twin.gone):
            told = True
            with contextlib.suppress(OSError):  # the run may be gone by now
                os.write(1, ALONE)


def _end_of_the_hanging(first: int) -> None:
    """Kill the first guardian, while it is still the parent of this one: it holds the links."""
    if os.getppid() == first:
        with contextlib.suppress(ProcessLookupError):
            os.kill(first, signal.SIGKILL)


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
    os._exit(main(sys.argv[1:]))  # at once: the run waits for its end, and all is written
