"""Kills at random lines: the run, its guardian, Ctrl-C storms. What was on, what was lost?

python -m tests.campaigns.kills --kills 1000 --seed 1
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from acq.records.records import Records
from acq.runs.journal import Line
from tests.bench_watch import BenchWatch
from tests.conducting import Trial

HOW = ("kill the run", "kill the run", "kill the guardian", "Ctrl-C", "Ctrl-C storm")
_LONGEST = 140  # lines of a run of the shortest plan


@dataclass
class Tally:
    """What a campaign found."""

    kills: int = 0
    runs: int = 0
    lost: int = 0  # acknowledged lines that were not there afterwards
    redone: int = 0  # checks that were finished twice though their result still held
    unsound: int = 0  # runs whose records did not verify
    longest_to_off_s: float = 0.0
    by_kind: dict[str, int] = field(default_factory=dict)


def campaign(kills: int, seed: int) -> Tally:
    """Kill runs until so many kills have struck; every run is taken up until it is finished."""
    draw, tally = random.Random(seed), Tally()
    with tempfile.TemporaryDirectory() as root:
        while tally.kills < kills:
            tally.runs += 1
            _one_run(Path(root) / str(tally.runs) / "run", draw, tally, kills)
    return tally


def _one_run(folder: Path, draw: random.Random, tally: Tally, kills: int) -> None:
    trial = Trial.new(folder)
    with BenchWatch(trial.control) as watch:
        try:
            while tally.kills < kills:
                before = _journal(trial)
                how = draw.choice(HOW)
                struck: list[bool] = []
                at = draw.randint(1, _LONGEST)
                code = trial.in_child(_blow(how, before.count(b"\n") + at, struck))
                if code == 0:
                    break
                tally.kills += 1
                tally.by_kind[how] = tally.by_kind.get(how, 0) + 1
                seconds = watch.seconds_until_off(20.0)
                tally.longest_to_off_s = max(tally.longest_to_off_s, seconds)
                tally.lost += not _journal(trial).startswith(before)
            else:
                assert trial.in_child() == 0
            _inspect(trial, tally)
        finally:
            watch.end()


def _blow(how: str, at: int, struck: list[bool]) -> Callable[[Line], int]:
    """Return what strikes at that line of the journal, once or from then on."""

    def strike(line: Line) -> int:
        if line.number < at or (struck and how != "Ctrl-C storm"):
            return 0
        struck.append(True)
        if how == "kill the guardian":
            for child in children():
                os.kill(child, signal.SIGKILL)
            return 0
        return signal.SIGKILL if how == "kill the run" else signal.SIGINT

    return strike


def _journal(trial: Trial) -> bytes:
    return trial.folder.journal.read_bytes() if trial.folder.journal.exists() else b""


def _inspect(trial: Trial, tally: Tally) -> None:
    with Records.open(f"sqlite:///{trial.folder.path / 'records.sqlite'}", simulated=True) as kept:
        tally.unsound += bool(kept.verify().problems)
        run = kept.run(trial.folder.number)
        tally.unsound += run.journal != _journal(trial)
        repeated = {check.name for check in run.replaced}
        again = {line.content["check"] for line in run.lines if line.what == "measured-again"}
        tally.redone += len(repeated - again)


def children() -> list[int]:
    """The child processes of this one: of a run, its guardian."""
    me = os.getpid()
    return [int(text) for text in Path(f"/proc/self/task/{me}/children").read_text().split()]


def main() -> None:
    """Print the tally of a long campaign."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    print(campaign(given.kills, given.seed))  # noqa: T201


if __name__ == "__main__":
    main()
