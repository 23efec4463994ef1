"""What a command costs with everything that it started: processor time, wall time, bench time.

    python -m tests.whole_command FOLDER load-series --plan load-certificate --cell B-011902

prints it as JSON. In a process of its own, which becomes the parent of what outlives the command
(its simulated bench) and so can wait for it and count it; Linux only.
"""

from __future__ import annotations

import ctypes
import json
import os
import subprocess
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path

from acq.runs.journal import read_journal

CERTIFICATE = ("load-series", "--plan", "load-certificate", "--cell", "B-011902")

_SET_CHILD_SUBREAPER = 36  # prctl(2)
_MAIN = "import sys; from acq.desk.command_line import main; sys.exit(main())"


@dataclass(frozen=True, slots=True)
class Spent:
    """Seconds that a simulated run took, and how much of its bench's time went by."""

    processor_s: float
    wall_s: float
    bench_s: float


def simulated_run(home: Path, *words: str) -> Spent:
    """Run `bridgebench run WORDS --simulated` with its data in `home`, until all have ended.

    Raises CalledProcessError for a bad end.
    """
    command = [sys.executable, "-m", "tests.whole_command", str(home), *words]
    done = subprocess.run(
        command, check=True, stdout=subprocess.PIPE, cwd=Path(__file__).parents[1]
    )
    return Spent(**json.loads(done.stdout))


def _measured(home: Path, words: list[str]) -> Spent:
    ctypes.CDLL(None).prctl(_SET_CHILD_SUBREAPER, 1, 0, 0, 0)
    environment = dict(os.environ, XDG_DATA_HOME=str(home))
    began = time.perf_counter()
    subprocess.run(
        [sys.executable, "-c", _MAIN, "run", *words, "--simulated"],
        check=True,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
    )
    wall_s = time.perf_counter() - began
    _wait_for_all()
    (journal,) = home.glob("bridgebench/simulated-runs/*/journal.jsonl")
    bench_s = read_journal(journal)[0][-1].content["t"] / 1e9
    times = os.times()
    return Spent(times.children_user + times.children_system, wall_s, bench_s)


def _wait_for_all() -> None:
    """Wait for what the command left behind: its bench ends a moment after its run."""
    try:
        while True:
            os.waitpid(-1, 0)
    except ChildProcessError:
        return


if __name__ == "__main__":
    sys.stdout.write(json.dumps(asdict(_measured(Path(sys.argv[1]), sys.argv[2:]))) + "\n")
